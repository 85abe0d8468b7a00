"""Equations of train stops: when each may be lifted.

Law of this file: a stop is applied while its signal is on and shows no
subsidiary aspect. It acts on any
train in its section, so where trains run both ways it is lifted, too, while a
train that found its own signal off runs through the section against the stop's
signal: until the section is freed behind it or, where its route ends there,
until it has had time to stop, and again while the signal at the route's end is
off. Nothing else lifts it: a locked route alone does not, for a train that
came to the stop's signal must still be stopped.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.model import Layout
from signalling.layout.notation import parse_joint
from signalling.table.detection import Detection
from signalling.table.graph import FALSE, Literal
from signalling.table.guard import Guards
from signalling.table.out_of_use import any_of_row
from signalling.table.passing import Passing
from signalling.table.signals import Signals

__all__ = ["Stops"]


@define
class Stops:
    """Makes the equations of train stops in one graph."""

    layout: Layout
    detection: Detection
    passing: Passing
    signals: Signals
    keeper: Guards
    _against: dict[str, list[str]] = field(factory=dict)
    """The routes that run against each stop's signal."""
    _running: dict[str, Literal] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Sort the routes by the stops that lie in them."""
        for name, guard in self.keeper.guards.items():
            for stop in guard.row.lifts:
                self._against.setdefault(stop, []).append(name)

    def lifted(self, stop: str) -> Literal:
        """Return whether a stop is lifted."""
        signal = self.layout.stops[stop].signal
        off = self.signals.passable(signal)
        against = [self._lets_through(route, stop) for route in self._against.get(stop, ())]
        if not against:
            return off
        graph = self.keeper.graph
        return graph.equation(
            f"stop {stop} lifted",
            graph.any_of(off, *against),
            f"stop {stop} is lifted",
            f"stop {stop} is applied",
        )

    def _lets_through(self, route: str, stop: str) -> Literal:
        """Return whether a stop is lifted for a train that runs against its signal."""
        graph, guard = self.keeper.graph, self.keeper.guards[route]
        described = self.layout.stops[stop]
        section = described.section or parse_joint(self.layout.signals[described.signal].at).rear
        terms = [self._runs(route), guard.holds(graph, section)]
        # A train is stopped, too, when something of its route is taken out of use before it.
        terms += [literal ^ 1 for literal in any_of_row(graph, guard.row)]
        if section == guard.row.route.blocks[-1]:
            leaves = guard.row.route.exit
            goes_on = FALSE if leaves is None else self.signals.at_least(leaves, 1)
            terms.append(graph.any_of(self.keeper.stopped(guard) ^ 1, goes_on))
        return graph.all_of(*terms)

    def _runs(self, route: str) -> Literal:
        """Return whether a train that found its signal off runs over a locked route."""
        known = self._running.get(route)
        if known is not None:
            return known
        graph, guard = self.keeper.graph, self.keeper.guards[route]
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
