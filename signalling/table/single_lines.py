"""Equations of single lines: two ends that agree which way trains run.

Law of this file: an end may send trains only while it has asked, the other end
gives, and it gives nothing itself. The hand-shake has four phases, and none is
left out: ask, give, ask no more, give no more. An ask is not taken back before
it was answered, and there is no new one before the answer was taken back; so an
answer is never taken for that to another ask, however late messages come. An
end gives only while no route from there holds the line and the line is
clear; and an end that begins anew says nothing until every train that it knew
of has had time to stop, and holds itself to have given. The two ends may be in
one table or in two that hear each other's reports.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from attrs import define, field, frozen

from signalling.layout.model import Layout
from signalling.layout.single_lines import LineEnd, ends_of
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal

if TYPE_CHECKING:
    from signalling.table.calls import Calls
    from signalling.table.guard import Guard

    _ByEnd = dict[tuple[str, LineEnd], list[Literal]]

__all__ = ["SAYS", "SingleLines"]

SAYS = ("given-asked", "given", "asked", "idle")
"""What an end that has begun says: whether it gives, and whether it asks."""


@frozen
class _Heard:
    """What is heard of the other end. With neither of a pair, nothing is known."""

    asks: Literal
    asks_not: Literal
    gives: Literal
    gives_not: Literal


@frozen
class _Agreement:
    """The memory of one end."""

    line: str
    end: LineEnd
    ask: Latch
    given: Latch
    settled: Latch | None
    """Whether it has begun; ``None`` where both ends begin and cease together."""

    @property
    def name(self) -> str:
        return f"single line {self.line} from {self.end}"


@define
class SingleLines:
    """Makes the equations of single lines in one graph."""

    graph: Graph
    layout: Layout
    detection: Detection
    _ends: dict[tuple[str, LineEnd], _Agreement] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Make the memory of every end."""
        for line, described in self.layout.single_lines.items():
            alone = described.other_end == "theirs"
            for end in ends_of(described):
                name = f"single line {line} from {end}"
                self._ends[line, end] = _Agreement(
                    line,
                    end,
                    ask=self.graph.latch(
                        f"{name} asked",
                        holds=f"we ask for single line {line} from {end}",
                        fails=f"we do not ask for single line {line} from {end}",
                    ),
                    given=self.graph.latch(
                        f"{name} given",
                        initial=alone,
                        holds=f"single line {line} is given to the end away from {end}",
                        fails=f"single line {line} is not given to the end away from {end}",
                    ),
                    settled=self.graph.latch(
                        f"{name} settled",
                        holds=f"single line {line} has been settled since we began",
                        fails=f"single line {line} has not been settled since we began",
                    )
                    if alone
                    else None,
                )

    def may_enter(self, line: str, end: LineEnd) -> Literal:
        """Return whether trains may be sent into a line from an end."""
        name = f"single line {line} from {end} ours"
        known = self.graph.equations.get(name)
        if known is not None:
            return known.literal
        agreement = self._ends[line, end]
        return self.graph.equation(
            name,
            self.graph.all_of(
                agreement.ask.literal, self._heard(agreement).gives, agreement.given.literal ^ 1
            ),
            f"single line {line} is ours to enter from {end}",
            f"single line {line} is not ours to enter from {end}",
        )

    def _heard(self, agreement: _Agreement) -> _Heard:
        line = agreement.line
        other = self._ends.get((line, agreement.end.other))
        if other is not None:
            return _Heard(
                asks=other.ask.literal,
                asks_not=other.ask.literal ^ 1,
                gives=other.given.literal,
                gives_not=other.given.literal ^ 1,
            )
        said = {
            word: self.graph.input(
                f"agreement {line}={word}",
                f"the other end of single line {line} says {word}",
                f"the other end of single line {line} does not say {word}",
            )
            for word in SAYS
        }
        any_of = self.graph.any_of
        return _Heard(
            asks=any_of(said["asked"], said["given-asked"]),
            asks_not=any_of(said["idle"], said["given"]),
            gives=any_of(said["given"], said["given-asked"]),
            gives_not=any_of(said["idle"], said["asked"]),
        )

    def entering(
        self, guards: Mapping[str, Guard], calls: Calls, lockable: Mapping[str, Literal]
    ) -> tuple[_ByEnd, _ByEnd]:
        """Return by end of a line which routes into it are wanted, and which hold blocks of it.

        ``lockable`` says by route whether it could be set, locks apart. One
        that is freed but for blocks beyond the line has let its train out of it.
        """
        wants: _ByEnd = {}
        holds: _ByEnd = {}
        for name, guard in guards.items():
            for line, end in guard.row.enters:
                described = self.layout.single_lines[line]
                holds.setdefault((line, end), []).extend(
                    guard.holds(self.graph, way.block)
                    for way in guard.row.route.ways
                    if way.block in described.blocks
                )
                if name in calls.calls:
                    # Who asks for at once or not at all does not wait for an answer from
                    # elsewhere.
                    alone = described.other_end == "theirs"
                    asked = calls.waits(name) if alone else calls.asked(name)
                    wanted = self.graph.all_of(asked, lockable[name])
                    wants.setdefault((line, end), []).append(wanted)
        return wants, holds

    def finish(
        self,
        wants: Mapping[tuple[str, LineEnd], Iterable[Literal]],
        locks: Mapping[tuple[str, LineEnd], Iterable[Literal]],
    ) -> None:
        """Give every end its equations.

        ``wants`` are the routes into each line from each end that are asked for
        and could be set, locks apart; ``locks`` whether such routes hold the line.
        """
        for key, agreement in self._ends.items():
            self._finish(
                agreement,
                self.graph.any_of(*wants.get(key, ())),
                self.graph.any_of(*locks.get(key, ())),
            )

    def _finish(self, agreement: _Agreement, wanted: Literal, locked: Literal) -> None:
        graph, described = self.graph, self.layout.single_lines[agreement.line]
        heard = self._heard(agreement)
        ask, given = agreement.ask.literal, agreement.given.literal
        clear = graph.all_of(
            *(
                self.detection.occupied(block) ^ 1
                for block in described.blocks
                if block in self.layout.blocks
            )
        )
        settled = self._settled(agreement, clear)
        ask_begins = graph.all_of(settled, wanted, heard.gives_not, given ^ 1)
        ask_ends = graph.all_of(heard.gives, wanted ^ 1, locked ^ 1, clear)
        graph.set_next(agreement.ask, graph.any_of(graph.all_of(ask, ask_ends ^ 1), ask_begins))
        # Of two that ask at the same time the one goes first that the file names.
        yields = ask ^ 1
        if self._goes_last(agreement):
            yields = TRUE
        give_begins = graph.all_of(settled, heard.asks, heard.gives ^ 1, locked ^ 1, clear, yields)
        give_ends = graph.all_of(settled, heard.asks_not, clear)
        graph.set_next(
            agreement.given, graph.any_of(graph.all_of(given, give_ends ^ 1), give_begins)
        )

    def _goes_last(self, agreement: _Agreement) -> bool:
        described = self.layout.single_lines[agreement.line]
        if described.other_end == "ours":
            return agreement.end is LineEnd.LAST
        return not described.goes_first

    def _settled(self, agreement: _Agreement, clear: Literal) -> Literal:
        """Return whether an end has begun: trains known of before have stopped, the line clear."""
        if agreement.settled is None:
            return TRUE
        graph, settled = self.graph, agreement.settled
        ran = graph.timer(
            f"{agreement.name} begun",
            nanoseconds(self.layout.settings.approach_time),
            settled.literal ^ 1,
            holds=f"trains have had time to stop since we began with single line {agreement.line}",
            fails=f"trains may not have stopped since we began with single line {agreement.line}",
        )
        graph.set_next(settled, graph.any_of(settled.literal, graph.all_of(ran, clear)))
        return settled.literal

    def says(self, line: str) -> tuple[tuple[Literal, str], ...]:
        """Return what our end of a line says to the other, by what holds; else ``starting``."""
        (agreement,) = (each for (name, _), each in self._ends.items() if name == line)
        settled = agreement.settled.literal if agreement.settled is not None else TRUE
        ask, given = agreement.ask.literal, agreement.given.literal
        all_of = self.graph.all_of
        return (
            (all_of(settled, given, ask), "given-asked"),
            (all_of(settled, given), "given"),
            (all_of(settled, ask), "asked"),
            (settled, "idle"),
        )
