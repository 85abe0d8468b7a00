"""``make bench``: measures side by side in one run, prints a table, writes ``build/bench.json``.

Law of this file: it runs the benchmarks and shows their rows. Absolute times
depend on the machine; what is judged is a ratio measured in this run, except
where a plain figure is a promise to users.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import attrs
from rich.console import Console
from rich.table import Table

from tests.bench import can, events, load, mqtt, routes
from tests.bench.row import Row

OUTPUT = Path("build/bench.json")

_WIDTH = 140
"""Columns where the table does not go to a terminal: no name is broken then."""


def main() -> int:
    rows: list[Row] = []
    for name, measure in (
        ("events", events.measure),
        ("routes", routes.measure),
        ("load and start-up", load.measure),
        ("MQTT", mqtt.measure),
        ("CAN", can.measure),
    ):
        print(f"==> Measuring {name}", file=sys.stderr)
        rows += measure()
    table = Table("what", "value", "against", "ratio", "target", "ok")
    for row in rows:
        table.add_row(
            row.name,
            f"{row.value:{',.0f' if row.value >= 100 else '.3g'}} {row.unit}",
            row.against,
            "" if row.ratio is None else f"{row.ratio:.2f}",
            row.target,
            {True: "yes", False: "NO", None: ""}[row.ok],
        )
    Console(width=None if sys.stdout.isatty() else _WIDTH).print(table)
    OUTPUT.parent.mkdir(exist_ok=True)
    OUTPUT.write_text(json.dumps([attrs.asdict(row) for row in rows], indent=2) + "\n")
    print(f"==> Written to {OUTPUT}", file=sys.stderr)
    return 0 if all(row.ok is not False for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
