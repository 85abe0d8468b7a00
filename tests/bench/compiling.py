"""Compiles so many stations of 500 routes, and prints what it took as JSON.

For none, it prints what a process needs that has only loaded the library.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from signalling.core.interlocking import Interlocking
from signalling.practice.load import load_practice
from signalling.table.table import compile_table
from tests.bench.stations import SIZES, stations_text
from tests.rig import layout_from


def main() -> None:
    count = int(sys.argv[1])
    seconds = 0.0
    if count:
        layout = layout_from(stations_text(SIZES[500][0], count))
        practice = load_practice(layout.settings.practice, ".")
        start = time.process_time()
        Interlocking(compile_table(layout, practice))
        seconds = time.process_time() - start
    # Of this process alone; what ``getrusage`` says begins with what the parent had.
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    peak = int(status["VmHWM"].split()[0]) / 1024
    print(json.dumps({"seconds": seconds, "megabytes": peak}))


if __name__ == "__main__":
    main()
