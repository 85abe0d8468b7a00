"""What one event costs, on lines of 10 to 10,000 four-aspect signals.

An event is one block of the line becoming occupied, or clear after its
hold-off: what a passing train makes happen. The sizes take turns, so that a
machine that changes its speed changes it for all of them.
"""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Iterator

from signalling.core.interlocking import Interlocking
from signalling.layout.words import Device, Report
from tests.bench.row import Row
from tests.rig import ring_text, table_from

SIZES = (10, 100, 1_000, 10_000)
TURNS = 12
STEPS = 400
"""Moves of the train in one turn; each is two events."""
SECOND = 1_000_000_000


def measure() -> list[Row]:
    trains = {size: Train(size) for size in SIZES}
    toy = Toy(1_000)
    times: dict[int, list[int]] = {size: [] for size in SIZES}
    toy_times: list[int] = []
    gc.collect()
    gc.freeze()
    for _ in range(TURNS):
        for size, train in trains.items():
            times[size] += train.run(STEPS)
        toy_times += toy.run(STEPS)
    gc.unfreeze()
    medians = {size: statistics.median(found) / 1000 for size, found in times.items()}
    toy_median = statistics.median(toy_times) / 1000
    rows = [
        Row(
            name=f"one event, {size:,} signals",
            value=medians[size],
            unit="us",
            against="10 signals",
            ratio=medians[size] / medians[SIZES[0]],
            target="<= 1.5 x" if size == SIZES[-1] else "",
            ok=medians[size] <= 1.5 * medians[SIZES[0]] if size == SIZES[-1] else None,
        )
        for size in SIZES
    ]
    rows.append(
        Row(
            name="one event of a four-aspect line",
            value=medians[1_000],
            unit="us",
            against="a toy that only passes danger up",
            ratio=medians[1_000] / toy_median,
            target="median < 20 us",
            ok=medians[1_000] < 20,
        )
    )
    return rows


class Train:
    """A ring of blocks with one train going round."""

    def __init__(self, size: int) -> None:
        self.interlocking = Interlocking(table_from(ring_text([4] * size)))
        detectors = [Device("detector", f"b{index}") for index in range(size)]
        self.occupied = [(Report(device, "occupied"),) for device in detectors]
        self.clear = [(Report(device, "clear"),) for device in detectors]
        self.size = size
        self.now = 0
        self.place = 0
        self.interlocking.observe([report for (report,) in self.clear], 0)
        self.interlocking.advance(self._later(5))
        self.interlocking.observe(self.occupied[0], self._later(5))

    def _later(self, seconds: float) -> int:
        self.now += round(seconds * SECOND)
        return self.now

    def run(self, steps: int) -> Iterator[int]:
        """Yield the ns of each event."""
        for _ in range(steps):
            before, self.place = self.place, (self.place + 1) % self.size
            yield timed(lambda: self.interlocking.observe(self.occupied[self.place], self.now))
            self.interlocking.observe(self.clear[before], self._later(1))
            later = self._later(5)
            yield timed(lambda: self.interlocking.advance(later))  # noqa: B023 - called at once
            if self.interlocking.alarms:
                raise AssertionError(self.interlocking.alarms)


class Toy:
    """The least that passes danger up a line: three signals in rear worked out again."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.occupied = [False] * size
        self.levels = [3] * size
        self.place = 0

    def put(self, place: int, train: bool) -> list[int]:  # noqa: FBT001 - one bit
        self.occupied[place] = train
        changed = []
        for index in range(place, place - 4, -1):
            beyond = self.levels[(index + 1) % self.size]
            level = 0 if self.occupied[index] else min(beyond + 1, 3)
            if level == self.levels[index]:
                break
            self.levels[index] = level
            changed.append(index)
        return changed

    def run(self, steps: int) -> Iterator[int]:
        """Yield the ns of each event."""
        for _ in range(steps):
            before, self.place = self.place, (self.place + 1) % self.size
            yield timed(lambda: self.put(self.place, train=True))
            yield timed(lambda: self.put(before, train=False))  # noqa: B023 - called at once


def timed(call: Callable[[], object]) -> int:
    start = time.perf_counter_ns()
    call()
    return time.perf_counter_ns() - start
