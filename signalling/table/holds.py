"""Equations of what holds a signal at danger: people, switches, presses, and orders that get lost.

Law of this file: none of it can make a signal show a proceed aspect, and each
can be told from the others when one asks why a signal is on.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.model import Layout
from signalling.layout.out_of_use import Thing
from signalling.table.detection import nanoseconds
from signalling.table.graph import Graph, Literal
from signalling.table.out_of_use import out_of_use

__all__ = ["Holds"]


@define
class Holds:
    """Makes the equations of what holds signals, in one graph."""

    graph: Graph
    layout: Layout
    _free: dict[str, Literal] = field(factory=dict)

    def hold_free(self, signal: str) -> Literal:
        """Return whether no person, switch or press holds a signal at danger, and it can be told.

        A signal that orders do not reach goes to danger by itself: the one in
        rear must not promise otherwise.
        """
        known = self._free.get(signal)
        if known is not None:
            return known
        graph = self.graph
        terms = [
            graph.input("hold all", "all signals are held", "not all signals are held") ^ 1,
            graph.input(
                f"hold {signal}", f"signal {signal} is held", f"signal {signal} is not held"
            )
            ^ 1,
            graph.input(
                f"out of reach {signal}",
                f"orders do not reach signal {signal}",
                f"orders reach signal {signal}",
            )
            ^ 1,
        ]
        terms.append(out_of_use(graph, Thing.SIGNAL, signal) ^ 1)
        for name in (each for each, one in self.layout.danger.items() if signal in one.signals):
            source = self.layout.danger[name]
            free = graph.input(
                f"danger {name}=free",
                f"danger input {name} reports free",
                f"danger input {name} does not report free",
            )
            hold = nanoseconds(source.hold) if source.press else 0
            terms.append(
                graph.timer(
                    f"danger {name} let go",
                    hold,
                    free,
                    holds=f"danger input {name} was let go long enough ago",
                    fails=f"danger input {name} still holds danger",
                )
            )
        self._free[signal] = graph.all_of(*terms)
        return self._free[signal]

    def acknowledge(self, signal: str) -> Literal:
        """Return whether a person acknowledges a signal's alarms in this step."""
        return self.graph.input(
            f"acknowledge {signal}",
            f"a person acknowledges signal {signal}",
            f"nobody acknowledges signal {signal}",
        )
