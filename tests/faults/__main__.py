"""Runs a fault campaign: ``python -m tests.faults [N [SEED]]``; prints a table, writes a file.

Law of this file: arguments and processes only. The faults are divided among as
many processes as there are processors; each has a railway and a seed of its own.
"""

from __future__ import annotations

import logging
import sys
import time
from pathlib import Path

from tests.faults.campaign import merged, run_in_processes, table, total, write

DEFAULT = 2_000
REPORT = Path(__file__).parents[2] / "build" / "faults.json"


def main(arguments: list[str]) -> int:
    count = int(arguments[0]) if arguments else DEFAULT
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    logging.disable()  # each fault is told of in the log, as it should
    started = time.monotonic()
    tallies = merged(run_in_processes(count, seed))
    write(REPORT, tallies, faults=count, seed=seed)
    whole = total(tallies)
    print(table(tallies))
    print(*whole.findings, sep="\n")
    print(
        f"{whole.tried} faults, {whole.wrong_side} wrong-side, {whole.right_side} right-side, "
        f"{whole.not_recovered} not recovered, in {time.monotonic() - started:.0f} s; "
        f"written to {REPORT.relative_to(Path.cwd())}"
    )
    return 1 if whole.findings else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
