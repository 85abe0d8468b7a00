"""One timer for whatever falls overdue next.

Law of this file: the loop's timers; what falls overdue, and what follows, is
asked of whoever watches it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

__all__ = ["DeadlineTimer"]

_STEP = 1e-6
"""Seconds between two looks, at the least."""


class DeadlineTimer:
    """Calls ``check`` with the loop's time when something may have fallen overdue.

    ``next_deadline`` gives when that is at the earliest, or ``None``. Hearing
    something moves a deadline back only, so that a timer that runs is left alone.
    """

    def __init__(
        self, next_deadline: Callable[[], float | None], check: Callable[[float], None]
    ) -> None:
        self._next_deadline = next_deadline
        self._check = check
        self._timer: asyncio.TimerHandle | None = None
        self._stopped = False

    def arm(self, now: float) -> None:
        """Set the timer, where none runs and something can fall overdue."""
        if self._timer is None and not self._stopped:
            deadline = self._next_deadline()
            if deadline is not None:
                # Timers may fire a little early; a later one is then armed.
                loop = asyncio.get_running_loop()
                self._timer = loop.call_at(max(deadline, now + _STEP), self._look)

    def stop(self) -> None:
        """Look no more; may be called twice, and from within ``check``."""
        self._stopped = True
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        self._timer = None
        now = asyncio.get_running_loop().time()
        self._check(now)
        self.arm(now)
