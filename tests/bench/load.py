"""How long it takes to load a large layout, and to check a small one."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from signalling.core.interlocking import Interlocking
from signalling.layout.read import read_layout
from signalling.practice.load import load_practice
from signalling.table.conflicts import conflicts_of
from signalling.table.matrix import conflict_matrix
from signalling.table.present import control_table
from signalling.table.sheet import as_csv
from signalling.table.table import compile_table
from tests.bench.row import Row
from tests.rig import ring_text, table_from
from tests.stations.large import station_text

PAIRS = 15
SMALL = Path("examples/junction.toml")


def measure() -> list[Row]:
    return [_large(1_000), *_printed(5, 25), *_small()]


def _large(size: int) -> Row:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "large.toml"
        file.write_text(ring_text([4] * size))
        took = []
        for _ in range(5):
            start = time.perf_counter()
            layout = read_layout(file)
            Interlocking(compile_table(layout, load_practice(layout.settings.practice, folder)))
            took.append(time.perf_counter() - start)
    median = statistics.median(took)
    return Row(
        name=f"load and compile {size:,} signals",
        value=median,
        unit="s",
        target="< 2 s",
        ok=median < 2,
    )


def _printed(lines: int, tracks: int) -> list[Row]:
    """The worst of stations to print: nearly every pair of its routes at one end conflicts."""
    table = table_from(station_text(lines, tracks))
    pairs = sum(map(len, conflicts_of(table.rows).values()))
    rows = []
    for name, make in (("control table", control_table), ("conflict matrix", conflict_matrix)):
        start = time.perf_counter()
        as_csv(make(table))
        rows.append(
            Row(
                name=f"print the {name} of {len(table.rows)} routes, {pairs:,} conflicts, as CSV",
                value=time.perf_counter() - start,
                unit="s",
            )
        )
    return rows


def _small() -> list[Row]:
    check = [sys.executable, "-m", "signalling", "check", str(SMALL)]
    bare = [sys.executable, "-c", "import attrs, cattrs"]
    checks, bares = [], []
    for _ in range(PAIRS):
        for command, took in ((check, checks), (bare, bares)):
            start = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            took.append(time.perf_counter() - start)
    ratios = [one / two for one, two in zip(checks, bares, strict=True)]
    median = statistics.median(checks) * 1000
    return [
        Row(
            name=f"signalling check {SMALL}",
            value=median,
            unit="ms",
            against="python -c 'import attrs, cattrs'",
            ratio=statistics.median(ratios),
            target="< 250 ms",
            ok=median < 250,
        )
    ]
