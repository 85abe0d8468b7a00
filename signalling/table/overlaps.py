"""Equations of overlaps that a route chooses from: held, swung over, and freed.

Law of this file: a route that is locked holds one of its overlaps, until its
train has had time to stop before it. The first that can be had is taken. It is
swung over to another when somebody asks for a route that it alone keeps out,
and never in the face of a driver: nothing approaches the signal, or its train
is in the route already. While the turnouts move, the signal is at danger.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from attrs import define, evolve, field, frozen

from signalling.table.choices import Choice
from signalling.table.graph import FALSE, Graph, Latch, Literal
from signalling.table.row import Row

if TYPE_CHECKING:
    from signalling.table.detection import Detection
    from signalling.table.turnouts import Turnouts

__all__ = ["Held", "Overlaps"]


@frozen
class Held:
    """The memory of one overlap: whether its route holds it."""

    choice: Choice
    row: Row
    """The row of its route, with the overlap's track instead of the route's."""
    latch: Latch

    def holds(self, graph: Graph, block: str) -> Literal:
        """Return whether a block is held for it."""
        name = f"{self.choice.route.name} holds {block}"
        known = graph.equations.get(name)
        if known is not None:
            return known.literal
        return graph.equation(
            name,
            self.latch.literal,
            f"block {block} is held for the overlap of route {self.choice.of}",
            f"block {block} is not held for the overlap of route {self.choice.of}",
        )


@define
class Overlaps:
    """Makes the equations of overlaps in one graph."""

    graph: Graph
    detection: Detection
    turnouts: Turnouts
    held: dict[str, Held] = field(factory=dict)
    """By the overlap's name."""
    _swings: dict[str, Literal] = field(factory=dict)
    """By overlap, whether a route swings over to it in this step."""

    def add(self, row: Row) -> None:
        """Make the memory of a route's overlaps."""
        for choice in row.choices:
            name = choice.route.name
            self.held[name] = Held(
                choice,
                evolve(row, route=choice.route, flank=(), choices=()),
                self.graph.latch(
                    f"{name} held",
                    holds=f"route {choice.of} holds its overlap over {_blocks(choice)}",
                    fails=f"route {choice.of} does not hold its overlap over {_blocks(choice)}",
                ),
            )

    def proved(self, row: Row, released: Literal) -> Literal:
        """Return whether an overlap that a route holds is clear, and its turnouts detected.

        ``released`` is whether the route's train is close, for a reduced one.
        """
        ways = []
        for choice in row.choices:
            terms = [self.held[choice.route.name].latch.literal, self._clear(choice)]
            terms += [self.turnouts.detected(*each) for each in choice.route.all_lies]
            ways.append(self.graph.all_of(*terms, *([released] if choice.reduced else ())))
        return self.graph.any_of(*ways)

    def _clear(self, choice: Choice) -> Literal:
        occupied = (self.detection.occupied(way.block) for way in choice.route.ways)
        return self.graph.any_of(*occupied) ^ 1

    def possible(self, choice: Choice, kept_out: Iterable[Literal]) -> Literal:
        """Return whether a route could have an overlap now. ``kept_out`` are holds against it."""
        name = f"{choice.route.name} possible"
        known = self.graph.equations.get(name)
        if known is not None:
            return known.literal
        lies = choice.route.all_lies
        return self.graph.equation(
            name,
            self.graph.all_of(
                self._clear(choice),
                *(self.turnouts.obtainable(*each) for each in lies),
                *(self.turnouts.at_rest(turnout) for turnout, _ in lies),
                *(self.held[other].latch.literal ^ 1 for other in choice.other_choices),
                *(literal ^ 1 for literal in kept_out),
            ),
            f"route {choice.of} can have the overlap over {_blocks(choice)}",
            f"route {choice.of} cannot have the overlap over {_blocks(choice)}",
        )

    def finish(
        self,
        row: Row,
        *,
        possible: Mapping[str, Literal],
        grants: Mapping[str, Literal],
        wants: Mapping[str, Literal],
        lock: Literal,
        calm: Literal,
        stopped: Literal,
    ) -> None:
        """Give the overlaps of one route their equations.

        ``possible`` says by overlap whether it could be had; ``grants`` by route
        whether it is set in this step, and ``wants`` whether it is asked for and
        kept out by locks at the most; ``calm`` whether no driver can see the
        signal change, ``stopped`` whether the train has stopped at the end.
        """
        graph = self.graph
        names = [choice.route.name for choice in row.choices]
        chosen, swung = [], []
        before, better = FALSE, FALSE
        for name, choice in zip(names, row.choices, strict=True):
            able = possible[name]
            chosen.append(graph.all_of(grants[row.name], able, before ^ 1))
            before = graph.any_of(before, able)
            target = graph.all_of(
                able, self.held[name].latch.literal ^ 1, self._wanted(choice, wants) ^ 1
            )
            in_the_way = (
                graph.all_of(self.held[other.route.name].latch.literal, self._wanted(other, wants))
                for other in row.choices
                if other is not choice
            )
            others = [grants[each] ^ 1 for each in choice.keeps_out if each in grants]
            others += [
                self._swings[each] ^ 1 for each in choice.other_choices if each in self._swings
            ]
            swing = graph.all_of(lock, target, better ^ 1, calm, graph.any_of(*in_the_way), *others)
            better = graph.any_of(better, target)
            swung.append(swing)
            self._swings[name] = swing
        swings = graph.any_of(*swung)
        for name, choose, swing in zip(names, chosen, swung, strict=True):
            latch = self.held[name].latch
            stays = graph.all_of(latch.literal, swings ^ 1)
            graph.set_next(
                latch,
                graph.any_of(choose, graph.all_of(lock, stopped ^ 1, graph.any_of(stays, swing))),
            )

    def _wanted(self, choice: Choice, wants: Mapping[str, Literal]) -> Literal:
        """Return whether somebody asks for a route that an overlap keeps out."""
        return self.graph.any_of(*(wants[foe] for foe in choice.foes if foe in wants))


def _blocks(choice: Choice) -> str:
    return ", ".join(way.block for way in choice.route.ways)
