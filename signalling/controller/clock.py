"""An event loop whose clock is paced: real time, faster than real, or jumping.

Law of this file: time and nothing else. All asynchronous code here reads time
from ``loop.time()`` alone, so that the same code runs a weekend in real time,
a demonstration at twenty times that, and a test in no time at all.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["NANOSECONDS", "PacedLoop", "nanoseconds", "paced"]

NANOSECONDS = 1_000_000_000
"""In one second."""


def nanoseconds(seconds: float) -> int:
    """Return a loop's time in whole nanoseconds, as the logic takes it."""
    return round(seconds * NANOSECONDS)


class _Pace:
    """The clock: real seconds to its own seconds and back."""

    def __init__(self, rate: float | None) -> None:
        self.rate = rate
        self.jumped = 0.0
        self.started = time.monotonic()

    def now(self) -> float:
        if self.rate is None:
            return self.jumped
        return (time.monotonic() - self.started) * self.rate


class _PacedSelector(selectors.DefaultSelector):
    """Waits for events as long as the pace says."""

    def __init__(self, pace: _Pace) -> None:
        super().__init__()
        self._pace = pace

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout <= 0:
            return super().select(timeout)
        if self._pace.rate is not None:
            return super().select(timeout / self._pace.rate)
        events = super().select(0)
        if not events:
            self._pace.jumped += timeout
        return events


class PacedLoop(asyncio.SelectorEventLoop):
    """An event loop whose ``time()`` runs at ``rate`` times real time, from 0.

    ``rate=1`` is real time; ``rate=20`` lets 20 s pass in one. With
    ``rate=None`` the clock stands still while anything is ready to run and
    jumps to the next timer when nothing is. A jump does not wait for threads
    or for other processes, so do not use ``None`` where those are part of the
    work; whatever is ready is always served before a jump.

    Raises ``ValueError`` for a rate that is not greater than 0.
    """

    def __new__(cls, rate: float | None = 1.0) -> Self:
        """Refuse a wrong rate before there is a loop: one made by half cannot be closed."""
        if rate is not None and not rate > 0:
            raise ValueError(f"a rate is greater than 0, or None to jump; got {rate}")
        return super().__new__(cls)

    def __init__(self, rate: float | None = 1.0) -> None:
        self._pace = _Pace(rate)
        super().__init__(_PacedSelector(self._pace))

    def time(self) -> float:
        """Return the seconds since the loop was made, on its own clock."""
        return self._pace.now()


class _RealLoop(asyncio.SelectorEventLoop):
    """Real time from 0: what ``PacedLoop(1.0)`` is, without what pacing costs in each pass."""

    def __init__(self) -> None:
        self._started = time.monotonic()
        super().__init__()

    def time(self) -> float:
        """Return the seconds since the loop was made."""
        return time.monotonic() - self._started


def paced(rate: float | None) -> Callable[[], asyncio.SelectorEventLoop]:
    """Return a maker of such loops, as ``asyncio.Runner(loop_factory=...)`` takes it."""
    return _RealLoop if rate == 1 else lambda: PacedLoop(rate)
