"""Equations of trains that pass signals: in order, or at danger.

Law of this file: memory of what a signal showed and of who is passing it, and
the alarm when a block is entered past a signal at danger. Memory here only
ever restricts. Each part is made when it is first asked for, next to what
asks for it.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.notation import Joint
from signalling.layout.track import Track
from signalling.table.detection import Detection
from signalling.table.graph import Graph, Latch, Literal

__all__ = ["Passing"]


@define
class Passing:
    """Makes the equations of passing signals in one graph."""

    graph: Graph
    track: Track
    detection: Detection
    worked: frozenset[str]
    """Signals that have routes."""
    _memories: dict[str, Latch] = field(factory=dict)
    """By name."""

    def _memory(self, name: str, holds: str, fails: str) -> Latch:
        latch = self._memories.get(name)
        if latch is None:
            latch = self._memories[name] = self.graph.latch(name, holds=holds, fails=fails)
        return latch

    def _was_off(self, signal: str) -> Latch:
        return self._memory(
            f"signal {signal} was off",
            f"signal {signal} was off just before",
            f"signal {signal} was at danger just before",
        )

    def _passing(self, signal: str) -> Latch:
        return self._memory(
            f"passing {signal}",
            f"a train is passing signal {signal}",
            f"no train is passing signal {signal}",
        )

    def _at_danger(self, signal: str) -> Latch:
        return self._memory(
            f"signal {signal} passed at danger",
            f"a train passed signal {signal} at danger",
            f"no train has passed signal {signal} at danger",
        )

    def was_off(self, signal: str) -> Literal:
        """Return whether a signal was off at the end of the step before."""
        return self._was_off(signal).literal

    def passing(self, signal: str) -> Literal:
        """Return whether a train that found a signal off has not yet left the approach."""
        return self._passing(signal).literal

    def at_danger(self, signal: str) -> Literal:
        """Return whether a train passed a signal at danger and nobody has acknowledged it."""
        return self._at_danger(signal).literal

    def finish(self, signal: str, entry: Joint, off: Literal, acknowledged: Literal) -> None:
        """Give the memory of one signal its equations.

        The alarm is raised when the block ahead is entered while the block in
        rear holds a train and the signal was on, unless the train can have come
        by another way in order.
        """
        graph, detection = self.graph, self.detection
        was_off, passing, passed = (
            self.was_off(signal),
            self.passing(signal),
            self.at_danger(signal),
        )
        entered = detection.entered(entry.ahead)
        graph.set_next(self._was_off(signal), off)
        graph.set_next(
            self._passing(signal),
            graph.all_of(
                detection.seen(entry.rear),
                graph.any_of(passing, graph.all_of(entered, was_off)),
            ),
        )
        event = graph.all_of(
            entered,
            detection.present(entry.ahead),
            detection.seen(entry.rear),
            was_off ^ 1,
            passing ^ 1,
            graph.any_of(*self._other_ways(entry)) ^ 1,
        )
        graph.set_next(
            self._at_danger(signal),
            graph.any_of(event, graph.all_of(passed, acknowledged ^ 1)),
        )

    def _other_ways(self, entry: Joint) -> list[Literal]:
        """Return by which other joints a train can have come in order into the block ahead."""
        ways = []
        for other in self.track.neighbours[entry.ahead]:
            joint = Joint(other, entry.ahead)
            if other == entry.rear or joint not in self.track.runs:
                continue
            came = self.detection.seen(other)
            signal = self.track.signals.get(joint)
            if signal is not None and signal not in self.worked:
                continue  # it has no route, and is never off
            if signal is not None:
                in_order = self.graph.any_of(self.was_off(signal), self.passing(signal))
                came = self.graph.all_of(came, in_order)
            ways.append(came)
        return ways
