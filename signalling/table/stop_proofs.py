"""Equations of train stops that report how they stand.

Law of this file: what is proved of a stop is held against what it was ordered,
once it has had its time to move. A signal that leads trains to one that is at
danger is off only while the stops there are proved to be applied: else nothing
but the driver would hold a train that runs past. (The stop of the signal ahead
is proved in the signal in rear where the real railway has train stops; from
memory.) The time to move is the only one in which proof is not asked for.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.model import Layout
from signalling.table.detection import nanoseconds
from signalling.table.graph import FALSE, Graph, Latch, Literal

__all__ = ["StopProofs"]


@define
class StopProofs:
    """Makes the equations of the proof of stops in one graph."""

    graph: Graph
    layout: Layout
    _due: dict[str, Latch] = field(factory=dict)
    _failed: dict[str, Latch] = field(factory=dict)
    _stuck: dict[str, Literal] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Make the memory of what was ordered, which rows refer to."""
        for name in self.names:
            self._due[name] = self.graph.latch(
                f"stop {name} must be applied",
                initial=True,
                holds=f"stop {name} must be applied by now",
                fails=f"stop {name} is ordered lifted, or was of late",
            )
            self._failed[name] = self.graph.latch(
                f"stop {name} failed",
                holds=f"stop {name} was lifted against its order and nobody has acknowledged it",
                fails=f"stop {name} has not been lifted against its order",
            )

    @property
    def names(self) -> tuple[str, ...]:
        """The stops that report how they stand."""
        return tuple(name for name, stop in self.layout.stops.items() if stop.proved)

    def _says(self, name: str, value: str) -> Literal:
        return self.graph.input(
            f"stop {name}={value}",
            f"stop {name} is proved {value}",
            f"stop {name} is not proved {value}",
        )

    def holds(self, name: str) -> tuple[Literal, Literal]:
        """Return whether a stop is proved to be applied where it must be, and has not failed."""
        key = f"stop {name} proved"
        known = self.graph.equations.get(key)
        if known is None:
            self.graph.equation(
                key,
                self.graph.any_of(self._due[name].literal ^ 1, self._says(name, "applied")),
                f"stop {name} is proved applied, or need not be",
                f"stop {name} is not proved to be applied",
            )
        return self.graph.equations[key].literal, self._failed[name].literal ^ 1

    def failed(self, name: str) -> Literal:
        """Return whether a stop was lifted against its order and nobody has acknowledged it."""
        return self._failed[name].literal

    def stuck(self, name: str) -> Literal:
        """Return whether a stop is applied although it was ordered to lift."""
        return self._stuck[name]

    def finish(self, name: str, lifted: Literal, acknowledged: Literal) -> None:
        """Give the memory of one stop its equations; ``lifted`` is what it is ordered."""
        graph = self.graph
        within = nanoseconds(self.layout.stops[name].proved_within)
        due, failed = self._due[name], self._failed[name]
        settled = FALSE
        if lifted != FALSE:  # else it is never to be anything but applied
            settled = graph.timer(
                f"stop {name} ordered applied",
                within,
                lifted ^ 1,
                holds=f"stop {name} has had time to apply",
                fails=f"stop {name} has not had time to apply",
            )
        graph.set_next(due, graph.all_of(lifted ^ 1, graph.any_of(due.literal, settled)))
        graph.set_next(
            failed,
            graph.any_of(
                graph.all_of(due.literal, self._says(name, "lifted")),
                graph.all_of(failed.literal, acknowledged ^ 1),
            ),
        )
        self._stuck[name] = FALSE
        if lifted != FALSE:
            self._stuck[name] = graph.timer(
                f"stop {name} still applied",
                within,
                graph.all_of(lifted, self._says(name, "applied")),
                holds=f"stop {name} has not lifted in its time",
                fails=f"stop {name} has lifted, or still has time to",
            )
