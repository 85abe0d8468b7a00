"""How long what was heard still holds good.

Law of this file: deadlines only; no clock, no timer, no link. Whoever keeps it
hands in the time. Each thing has its own period, and each hearing starts it
again. Looking for what is overdue costs nothing while nothing is.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Mapping
from typing import Generic, TypeVar

__all__ = ["Freshness"]

Thing = TypeVar("Thing", bound=Hashable)


class Freshness(Generic[Thing]):
    """Deadlines of things that must be heard again within their periods.

    ``periods`` gives the seconds of each thing; things without one never fall
    overdue. Times are seconds of any one monotonic clock.
    """

    def __init__(self, periods: Mapping[Thing, float]) -> None:
        self._queues: dict[float, OrderedDict[Thing, float]] = {
            period: OrderedDict() for period in periods.values()
        }
        self._queue_of = {thing: self._queues[period] for thing, period in periods.items()}
        self._period_of = dict(periods)

    def heard(self, thing: Thing, now: float) -> None:
        """Start the thing's period again."""
        queue = self._queue_of.get(thing)
        if queue is not None:
            queue[thing] = now + self._period_of[thing]
            queue.move_to_end(thing)

    def forget(self, thing: Thing) -> None:
        """Stop waiting for the thing until it is heard again."""
        queue = self._queue_of.get(thing)
        if queue is not None:
            queue.pop(thing, None)

    def clear(self) -> None:
        """Stop waiting for anything until it is heard again."""
        for queue in self._queues.values():
            queue.clear()

    @property
    def next_deadline(self) -> float | None:
        """The earliest time at which something falls overdue, or ``None``."""
        # Within one period, the thing heard longest ago stands first.
        return min(
            (next(iter(queue.values())) for queue in self._queues.values() if queue),
            default=None,
        )

    def overdue(self, now: float) -> list[Thing]:
        """Return what has fallen overdue, and stop waiting for it."""
        found: list[Thing] = []
        for queue in self._queues.values():
            while queue:
                thing, deadline = next(iter(queue.items()))
                if deadline > now:
                    break
                del queue[thing]
                found.append(thing)
        return found
