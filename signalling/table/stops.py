"""Equations of train stops: when each may be lifted.

Law of this file: a stop is applied while its signal is on. It acts on any
train in its section, so where trains run both ways it is lifted, too, while a
train that found its own signal off runs over a locked route through the
section against the stop's signal. Nothing else lifts it: a locked route alone
does not, for a train that came to the stop's signal must still be stopped.
"""

from __future__ import annotations

from attrs import define, field

from signalling.table.detection import Detection
from signalling.table.graph import Graph, Literal
from signalling.table.guard import Guard
from signalling.table.passing import Passing

__all__ = ["Stops"]


@define
class Stops:
    """Makes the equations of train stops in one graph."""

    graph: Graph
    detection: Detection
    passing: Passing
    guards: dict[str, Guard]
    """By guarded route."""
    _against: dict[str, list[str]] = field(factory=dict)
    """The routes that run against each stop's signal."""
    _running: dict[str, Literal] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Sort the routes by the stops that lie in them."""
        for name, guard in self.guards.items():
            for stop in guard.row.lifts:
                self._against.setdefault(stop, []).append(name)

    def lifted(self, stop: str, off: Literal) -> Literal:
        """Return whether a stop is lifted; ``off`` says whether its signal is off."""
        against = [self._runs(route) for route in self._against.get(stop, ())]
        if not against:
            return off
        return self.graph.equation(
            f"stop {stop} lifted",
            self.graph.any_of(off, *against),
            f"stop {stop} is lifted",
            f"stop {stop} is applied",
        )

    def _runs(self, route: str) -> Literal:
        """Return whether a train that found its signal off runs over a locked route."""
        known = self._running.get(route)
        if known is not None:
            return known
        graph, guard = self.graph, self.guards[route]
        latch = graph.latch(
            f"a train runs over route {route}",
            holds=f"a train runs over route {route}",
            fails=f"no train runs over route {route}",
        )
        entry = guard.row.route.entry
        entered = graph.all_of(
            guard.permission.literal,
            self.passing.was_off(guard.row.signal),
            self.detection.present(entry.rear),
            self.detection.entered(entry.ahead),
        )
        graph.set_next(
            latch, graph.all_of(guard.lock.literal, graph.any_of(latch.literal, entered))
        )
        self._running[route] = latch.literal
        return latch.literal
