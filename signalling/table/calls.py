"""Equations of asking for controlled routes: once, in a queue, or for every train.

Law of this file: asking, and in which order askers are served; whether a route
can be had is said in ``guard``. A route may be asked for at once (it is set
now or refused), with waiting (the ask is remembered until it can be served),
or as a standing ask (it is set again behind each train). Of routes that keep
one another out those that asked early go first: all that wait when nobody
early does become early together. An early one that track or turnouts have long
kept out does not keep others from becoming so; one that is kept out by the
locks of others does, or two that work for every train could take turns for
ever. Of the rest, the one that stands first in the table goes first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import define, field, frozen

from signalling.table.detection import nanoseconds
from signalling.table.graph import Graph, Latch, Literal
from signalling.table.row import Row

__all__ = ["Call", "Calls"]

PATIENCE = 120.0
"""Seconds for which others leave the first turn to one that track or turnouts keep out."""


@frozen
class Call:
    """The asks for one controlled route."""

    row: Row
    now: Literal
    """Whether it is asked for in this step, to be set now or not at all."""
    wait: Literal
    work: Literal
    cancel: Literal
    called: Latch
    automatic: Latch
    early: Latch


@define
class Calls:
    """Makes the equations of asks in one graph."""

    graph: Graph
    calls: dict[str, Call] = field(factory=dict)
    """By controlled route."""

    def add(self, row: Row) -> None:
        """Make what is asked and remembered of one route; ``finish`` gives the equations."""
        graph, name = self.graph, row.name

        def asked(word: str, what: str) -> Literal:
            return graph.input(
                f"{word} {name}", f"route {name} is {what}", f"route {name} is not {what}"
            )

        self.calls[name] = Call(
            row,
            now=asked("set", "asked for"),
            wait=asked("wait", "asked for, to be waited for"),
            work=asked("work", "asked for, for every train"),
            cancel=asked("cancel", "cancelled"),
            called=graph.latch(
                f"route {name} called",
                holds=f"route {name} waits to be set",
                fails=f"route {name} does not wait to be set",
            ),
            automatic=graph.latch(
                f"route {name} automatic",
                holds=f"route {name} works automatically",
                fails=f"route {name} does not work automatically",
            ),
            early=graph.latch(
                f"route {name} early",
                holds=f"route {name} has waited long enough to go first",
                fails=f"route {name} has not waited long enough to go first",
            ),
        )

    def cancelled(self, name: str) -> Literal:
        """Return whether somebody cancels a route in this step."""
        return self.calls[name].cancel

    def asked(self, name: str) -> Literal:
        """Return whether somebody asks for a route, in whatever way."""
        call = self.calls[name]
        known = self.graph.equations.get(f"route {name} asked")
        if known is not None:
            return known.literal
        ask = self.graph.any_of(
            call.now, call.wait, call.work, call.called.literal, call.automatic.literal
        )
        return self.graph.equation(
            f"route {name} asked",
            self.graph.all_of(ask, call.cancel ^ 1),
            f"route {name} is asked for",
            f"nobody asks for route {name}",
        )

    def waits(self, name: str) -> Literal:
        """Return whether a route waits to be set, for one train or for every one."""
        call = self.calls[name]
        return self.graph.any_of(call.called.literal, call.automatic.literal)

    def yields(self, asking: Mapping[str, Literal]) -> Mapping[str, Literal]:
        """Return by route whether it must leave the way to another that could be set now too.

        ``asking`` says by route whether it is asked for and could be set.
        """
        graph = self.graph
        place = {name: number for number, name in enumerate(self.calls)}
        early = {
            name: graph.all_of(asking[name], call.early.literal)
            for name, call in self.calls.items()
        }
        found = {}
        for name, call in self.calls.items():
            foes = [other for other in self._foes(call.row) if other in place]
            before = [other for other in foes if place[other] < place[name]]
            after = [other for other in foes if place[other] > place[name]]
            late = graph.any_of(
                *(early[other] for other in after), *(asking[other] for other in before)
            )
            found[name] = graph.any_of(
                *(early[other] for other in before),
                graph.all_of(call.early.literal ^ 1, late),
            )
        return found

    def finish(
        self,
        could: Mapping[str, Literal],
        grants: Mapping[str, Literal],
        locks: Mapping[str, tuple[Literal, Literal]],
    ) -> None:
        """Give the memory of asks its equations.

        ``could`` says by route whether it could be set, locks of others apart,
        ``grants`` whether it is set in this step, ``locks`` whether it is locked,
        and whether it is permitted.
        """
        graph = self.graph
        for names in self._regions():
            nobody = graph.any_of(*(self._goes_first(name, could[name]) for name in names)) ^ 1
            for name in names:
                call = self.calls[name]
                lock, permission = locks[name]
                served = grants[name] ^ 1
                goes_on = call.cancel ^ 1
                asks = graph.any_of(call.wait, call.called.literal)
                graph.set_next(
                    call.called,
                    graph.all_of(
                        asks,
                        graph.any_of(call.called.literal, permission ^ 1),
                        served,
                        goes_on,
                    ),
                )
                graph.set_next(
                    call.automatic,
                    graph.all_of(graph.any_of(call.work, call.automatic.literal), goes_on),
                )
                graph.set_next(
                    call.early,
                    graph.all_of(
                        self.waits(name),
                        served,
                        goes_on,
                        graph.any_of(call.early.literal, graph.all_of(nobody, lock ^ 1)),
                    ),
                )

    def _goes_first(self, name: str, could: Literal) -> Literal:
        """Return whether a route is early, and has not long been kept out by track or turnouts."""
        graph, early = self.graph, self.calls[name].early.literal
        long_out = graph.timer(
            f"patience with {name}",
            nanoseconds(PATIENCE),
            graph.all_of(early, could ^ 1),
            holds=f"track or turnouts have long kept route {name} out",
            fails=f"track or turnouts have not long kept route {name} out",
        )
        return graph.all_of(early, long_out ^ 1)

    def _foes(self, row: Row) -> Iterable[str]:
        return dict.fromkeys(
            (
                *row.first_come,
                *row.apart,
                *row.siblings,
                *row.flank_foes,
                *row.overlap_foes,
            )
        )

    def _regions(self) -> Iterable[tuple[str, ...]]:
        """Yield routes that keep one another out, directly or through others, in table order."""
        left = dict.fromkeys(self.calls)
        while left:
            stack = [next(iter(left))]
            region = dict.fromkeys(stack)
            while stack:
                for other in self._foes(self.calls[stack.pop()].row):
                    if other in self.calls and other not in region:
                        region[other] = None
                        stack.append(other)
            yield tuple(name for name in self.calls if name in region)
            for name in region:
                del left[name]
