"""What a route costs that somebody asks for, on stations of 10 to 2,000 routes.

One request is the ask for a route whose turnouts all lie otherwise, until its
signal is off: a step for the ask, and one for each report of a turnout that has
arrived. What is timed is what the interlocking does, not the motors. A second
row is of routes whose turnouts lie so already. The sizes take turns, so that a
machine that changes its speed changes it for all of them.
"""

from __future__ import annotations

import gc
import json
import statistics
import subprocess
import sys
from collections.abc import Iterator
from itertools import cycle

from signalling.core.interlocking import Interlocking
from signalling.core.words import CancelRoute, MoveTurnout, Refusal, SetRoute
from signalling.layout.words import Device, Order, Report
from signalling.table.row import Move
from signalling.table.row import Row as ControlRow
from tests.bench.events import SECOND, timed
from tests.bench.row import Row
from tests.bench.stations import SIZES, stations_text
from tests.rig import table_from

TURNS = 8
ASKS = 10
"""Routes that are asked for in one turn; each with its turnouts to move, and without."""
FEW, ONE, MOST = 10, 500, 2_000
STATIONS = (1, 20)
"""So many stations of 500 routes are compiled."""


def measure() -> list[Row]:
    signallers = {size: Signaller(size) for size in SIZES}
    moved: dict[int, list[tuple[int, int]]] = {size: [] for size in SIZES}
    lying: dict[int, list[int]] = {size: [] for size in SIZES}
    gc.collect()
    gc.freeze()
    for _ in range(TURNS):
        for size, signaller in signallers.items():
            for steps, took, again in signaller.run(ASKS):
                moved[size].append((steps, took))
                lying[size].append(again)
    gc.unfreeze()
    rows = []
    for what, times in (
        ("set already", lying),
        ("turnouts moved", {size: [took for _, took in found] for size, found in moved.items()}),
    ):
        medians = {size: statistics.median(found) / 1000 for size, found in times.items()}
        rows += [
            Row(
                name=f"ask to signal off, {what}, {size:,} routes",
                value=medians[size],
                unit="us",
                against=f"{FEW} routes",
                ratio=medians[size] / medians[FEW],
            )
            for size in SIZES
            if size != MOST
        ]
        # What stands elsewhere costs nothing.
        rows.append(
            Row(
                name=f"ask to signal off, {what}, {MOST:,} routes in 4 stations",
                value=medians[MOST],
                unit="us",
                against="one of them",
                ratio=medians[MOST] / medians[ONE],
                target="<= 2 x",
                ok=medians[MOST] <= 2 * medians[ONE],
            )
        )
    rows += [
        Row(
            name=f"steps from ask to signal off, {size:,} routes",
            value=statistics.mean(steps for steps, _ in found),
            unit="steps",
        )
        for size, found in moved.items()
    ]
    return rows + _compiled()


class Signaller:
    """Stations without trains, and somebody who asks for one route after another."""

    def __init__(self, size: int) -> None:
        station, count = SIZES[size]
        table = table_from(stations_text(station, count))
        rows = [row for row in table.rows if row.controlled]
        assert len(rows) == size, len(rows)
        main = [row for row in rows if row.move is Move.MAIN]
        # From all over the layout, the one after the other.
        step = next(number for number in (37, 41, 43) if len(main) % number)
        self.rows = cycle([main[index * step % len(main)] for index in range(len(main))])
        self.interlocking = Interlocking(table)
        self.now = 0
        detectors = [Report(Device("detector", name), "clear") for name in table.layout.detectors]
        self.interlocking.observe(detectors, 0)
        lie = [Report(Device("turnout", name), "normal") for name in table.layout.turnouts]
        self.interlocking.observe(lie, 0)
        self.interlocking.advance(self._later(60))

    def _later(self, seconds: float) -> int:
        self.now += round(seconds * SECOND)
        return self.now

    def _move_away(self, row: ControlRow) -> None:
        """Move every turnout of a route to where the route does not need it."""
        told: list[Order] = []
        for turnout, lie in row.lies:
            answer = self.interlocking.request(MoveTurnout(turnout, lie.other), self.now)
            assert not isinstance(answer, Refusal), answer
            told += answer
        while told:
            reports = [Report(each.device, each.value) for each in told]
            told = list(self.interlocking.advance(self._later(2)))
            told += self.interlocking.observe(reports, self.now)

    def run(self, asks: int) -> Iterator[tuple[int, int, int]]:
        """Yield steps and ns of each request with turnouts to move, and ns of the same without."""
        for _ in range(asks):
            row = next(self.rows)
            self._move_away(row)
            steps, took = self._ask(row.name, row.signal)
            self._cancel(row.name)
            once, again = self._ask(row.name, row.signal)
            assert once == 1, once
            self._cancel(row.name)
            yield steps, took, again

    def _cancel(self, route: str) -> None:
        self.interlocking.request(CancelRoute(route), self.now)
        self.interlocking.advance(self._later(60))

    def _ask(self, route: str, signal: str) -> tuple[int, int]:
        """Ask for a route; return the steps and ns until its signal is off."""
        answer: list[tuple[Order, ...] | Refusal] = []
        took = timed(lambda: answer.append(self.interlocking.request(SetRoute(route), self.now)))
        assert not isinstance(answer[0], Refusal), answer[0]
        steps, told = 1, list(answer[0])
        while not any(order.device == Device("signal", signal) for order in told):
            moving = [order for order in told if order.device.kind == "turnout"]
            assert moving, self.interlocking.explain(f"signal {signal} off")
            # Feedback counts once the motor has begun to move.
            told = list(self.interlocking.advance(self._later(2)))
            for order in moving:
                report = [Report(order.device, order.value)]
                orders: list[Order] = []
                took += timed(
                    lambda: orders.extend(self.interlocking.observe(report, self.now))  # noqa: B023
                )
                told += orders
                steps += 1
        return steps, took


def _compiled() -> list[Row]:
    """Return what one station of 500 routes and many of them cost, each in a process of its own."""
    bare, one, many = (
        json.loads(
            subprocess.run(
                [sys.executable, "-m", "tests.bench.compiling", str(count)],
                check=True,
                stdout=subprocess.PIPE,
                text=True,
            ).stdout
        )
        for count in (0, *STATIONS)
    )
    rows = []
    for count, found in zip(STATIONS, (one, many), strict=True):
        name = f"{count} station{'s' if count > 1 else ''} of 500 routes"
        share = STATIONS[1] if count > 1 else 1
        against = f"{share} x one" if count > 1 else ""
        memory = found["megabytes"] - bare["megabytes"]
        rows += [
            Row(
                name=f"compile {name}",
                value=found["seconds"],
                unit="s",
                against=against,
                ratio=found["seconds"] / one["seconds"] / share if against else None,
            ),
            Row(
                name=f"peak memory of {name}",
                value=memory,
                unit="MB",
                against=against,
                ratio=memory / (one["megabytes"] - bare["megabytes"]) / share if against else None,
            ),
        ]
    return rows
