"""Trains and logic together, without wires, on a clock that is only a number.

Law of this file: it carries reports to the core and orders back, at once. For
long runs and for tests; over real links the controller does the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from signalling.core.interlocking import Interlocking, Snapshot
from signalling.core.words import Request
from signalling.simulate.world import TICK, World

__all__ = ["Attendant", "run"]

Attendant = Callable[[Snapshot, int], Iterable[Request]]
"""Whoever works the layout: sees how everything stands, at a time in ns, and asks for things."""

_ATTEND = 5 * TICK
"""ns between two looks of the attendant."""


def run(
    interlocking: Interlocking, world: World, seconds: float, attendant: Attendant | None = None
) -> None:
    """Run trains under a fresh interlocking for so long, beginning with all that devices say."""
    end = world.now + round(seconds * 1e9)
    reports = world.reports()
    while True:
        for order in interlocking.observe(reports, world.now):
            world.order(order)
        if attendant is not None and world.now % _ATTEND == 0:
            for request in attendant(interlocking.snapshot(), world.now):
                orders = interlocking.request(request, world.now)
                if isinstance(orders, tuple):
                    for order in orders:
                        world.order(order)
        if world.now >= end:
            return
        reports = world.advance(world.now + TICK)
