"""Equations of signals: from rows of the control table to aspects.

Law of this file: a signal is off by a route only while every term of the
route's row holds; no memory can keep it off. Aspects are thermometer-coded:
"off", "at least the second", and so on, one bit each. Each level depends on a
lower level of the next signal only, so a ring of signals has no cycle.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import define, field, frozen

from signalling.errors import EquationError
from signalling.layout.model import Layout
from signalling.layout.routes import End
from signalling.practice.schema import DANGER, Head, Practice
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import FALSE, TRUE, Graph, Literal
from signalling.table.passing import Passing
from signalling.table.row import Move, Row
from signalling.table.terms import Terms

__all__ = ["Branch", "Signals"]


@frozen
class Branch:
    """What one head of a splitting signal speaks of: one line from the next signal, or the rest."""

    line: str
    second: bool
    """Whether it is the second head: that of the line."""

    def has(self, row: Row) -> bool:
        """Return whether the head speaks of a route of the next signal."""
        return (row.route.line == self.line) is self.second

    def name_of(self, signal: str) -> str:
        """Return the head's name, in equations."""
        return f"{signal}/{self.line}" if self.second else f"{signal} without {self.line}"


@define
class Signals:
    """Makes the equations of all signals in one graph."""

    graph: Graph
    layout: Layout
    practice: Practice
    rows: dict[str, list[Row]]
    """By signal, those of its own aspects."""
    detection: Detection
    passing: Passing
    terms: Terms
    moves: dict[str, list[Row]] = field(factory=dict)
    """By signal, those of subsidiary moves."""
    indicators: dict[str, dict[str, Literal]] = field(factory=dict)
    """When each position of a signal's indicator is lit."""
    _off: dict[str, Literal] = field(factory=dict)
    """By route."""
    _levels: dict[tuple[str, int], Literal] = field(factory=dict)
    _readings: dict[tuple[str, int], Literal] = field(factory=dict)
    _told: frozenset[str] = field(init=False)
    """Aspects and readings that tell something more of a signal than that it is off."""
    _making: list[tuple[str, int]] = field(factory=list)

    def __attrs_post_init__(self) -> None:
        """See what there is to tell."""
        used = set(self.practice.ordinary)
        readings = set()
        for row in (row for rows in self.rows.values() for row in rows):
            used |= self.practice.heads[row.head].shows.keys()
            if row.speed.reads_as is not None:
                readings.add(row.speed.reads_as)
        least = min(map(self.practice.level, used - {DANGER}))
        self._told = frozenset(
            each for each in used | readings if self.practice.level(each) > least
        )

    # -- rows -----------------------------------------------------------------------------

    def off_by(self, row: Row) -> Literal:
        """Return whether a signal is off by this route: every term of the row holds."""
        known = self._off.get(row.name)
        if known is not None:
            return known
        if row.move is not Move.MAIN:
            return self._moves_by(row)
        graph = self.graph
        terms = [self.terms.ready(row), *self.terms.unfouled(row), *self.terms.lamp_terms(row)]
        terms += [term for stop in row.next_stops for term in self.terms.stop_proofs.holds(stop)]
        if row.guarded:
            guard = self.terms.guards[row.name]
            terms += [guard.lock.literal, guard.permission.literal]
        if row.choices:
            terms.append(self.terms.overlap_term(row))
        terms += self.terms.override_terms(row)
        if row.release == "from-danger":
            terms.append(self.terms.released(row))
        if row.release == "flashing":
            terms.append(graph.any_of(self.terms.released(row), self.terms.announced(row)))
        terms += self.terms.minimum_term(row)
        before_proof = graph.all_of(*terms)
        proof = self.terms.indicator_terms(row)
        off = graph.equation(
            f"route {row.name} off",
            graph.all_of(before_proof, *proof),
            f"signal {row.signal} is off by route {row.name}",
            f"signal {row.signal} is not off by route {row.name}",
        )
        if row.indicator is not None:
            lit = self.indicators.setdefault(row.signal, {})
            earlier = lit.get(row.indicator, FALSE)
            lit[row.indicator] = graph.any_of(
                earlier, before_proof if row.indicator_proved else off
            )
        self._off[row.name] = off
        return off

    def _moves_by(self, row: Row) -> Literal:
        """Return whether a signal shows its subsidiary aspect for this row.

        A train is called on only when it has stood before the signal long
        enough; of the block that it goes into nothing is asked.
        """
        graph, guard = self.graph, self.terms.guards[row.name]
        terms = [self.terms.ready(row), *self.terms.unfouled(row)]
        terms += [guard.lock.literal, guard.permission.literal]
        if row.move is Move.CALL_ON:
            terms.append(self._stands_before(row))
        self._off[row.name] = graph.equation(
            f"route {row.name} off",
            graph.all_of(*terms),
            f"signal {row.signal} shows {row.move} for route {row.name}",
            f"signal {row.signal} does not show {row.move} for route {row.name}",
        )
        return self._off[row.name]

    def _stands_before(self, row: Row) -> Literal:
        """Return whether a train has been before a signal, and the signal on, long enough."""
        graph, name = self.graph, row.signal
        arrived = graph.all_of(
            self.detection.remains(row.route.entry.rear), self.at_least(name, 1) ^ 1
        )
        return graph.timer(
            f"a train before {name} has stopped",
            nanoseconds(row.stopped_after),
            arrived,
            holds=f"a train has stood before signal {name} long enough",
            fails=f"no train has stood before signal {name} long enough",
        )

    def subsidiary(self, signal: str) -> dict[str, Literal]:
        """Return by kind of move whether a signal shows its subsidiary aspect for it."""
        shown: dict[str, Literal] = {}
        for row in self.moves.get(signal, ()):
            known = shown.get(row.move, FALSE)
            shown[row.move] = self.graph.any_of(known, self.off_by(row))
        return shown

    def passable(self, signal: str) -> Literal:
        """Return whether a train may pass a signal: it is off, or shows a subsidiary aspect."""
        return self.graph.any_of(self.at_least(signal, 1), *self.subsidiary(signal).values())

    # -- aspects ---------------------------------------------------------------------------

    def at_least(self, signal: str, level: int) -> Literal:
        """Return whether a signal shows an aspect of this level or a less restrictive one.

        Raises ``EquationError`` when the practice makes this depend on itself.
        """
        if level <= 0:
            return TRUE
        key = (signal, level)
        known = self._levels.get(key)
        if known is not None:
            return known
        if key in self._making:
            loop = " > ".join(f"{name} level {rank}" for name, rank in [*self._making, key])
            raise EquationError(f"aspects depend on themselves: {loop}")
        self._making.append(key)
        literal = self.graph.any_of(*(self._way(row, level) for row in self.rows[signal]))
        title = self.practice.aspects[level].name
        if level == 1:
            self.graph.equation(
                f"signal {signal} off",
                literal,
                f"signal {signal} is off",
                f"signal {signal} is at danger",
            )
        elif title in self._told:
            self.graph.equation(
                f"signal {signal} at least {title}",
                literal,
                f"signal {signal} shows at least {title}",
                f"signal {signal} does not show {title} or better",
            )
        self._making.pop()
        self._levels[key] = literal
        return literal

    def head(self, signal: str) -> str:
        """Return the name of a signal's head in the practice."""
        return self.rows[signal][0].head

    def reads_at_least(self, signal: str, level: int) -> Literal:
        """Return whether a signal is at least of this level to the signal in rear.

        It reads as what it shows, but for routes that the practice makes less of.
        """
        rows = self.rows[signal]
        reach = {row.name: self._reach(row) for row in rows}
        if level <= min(reach.values()):
            return self.at_least(signal, level)
        known = self._readings.get((signal, level))
        if known is None:
            ways = (self._way(row, level) for row in rows if level <= reach[row.name])
            known = self._readings[signal, level] = self.graph.any_of(*ways)
            title = self.practice.aspects[level].name
            if title in self._told:
                self.graph.equation(
                    f"signal {signal} reads at least {title}",
                    known,
                    f"signal {signal} is {title} or better to the signal in rear",
                    f"signal {signal} is not {title} or better to the signal in rear",
                )
        return known

    def head_at_least(self, signal: str, level: int, branch: Branch) -> Literal:
        """Return whether one head of a splitting signal shows at least this level.

        Each of its two heads speaks of some routes of the next signal, and is at
        its most restrictive proceed aspect while that is off by none of them.
        """
        ways = []
        for row in self.rows[signal]:
            needed = self.needed(row.speed.next, level)
            if needed is not None:
                beyond = self.branch_at_least(row.route.exit, needed, branch)
                ways.append(self.graph.all_of(self._way(row, level), beyond))
        return self.head_equation(branch.name_of(signal), level, self.graph.any_of(*ways))

    def head_equation(self, head: str, level: int, literal: Literal) -> Literal:
        """Give the equation of a level of one of two heads its name and sentences."""
        title = self.practice.aspects[level].name
        return self.graph.equation(
            f"signal {head} at least {title}",
            literal,
            f"signal {head} shows at least {title}",
            f"signal {head} does not show {title} or better",
        )

    def branch_at_least(self, signal: str | None, level: int, branch: Branch) -> Literal:
        """Return whether a signal reads as at least this level by the routes of one branch."""
        if level <= 0:
            return TRUE
        if signal is None:
            return FALSE
        rows = [row for row in self.rows[signal] if branch.has(row)]
        return self.graph.any_of(
            *(self._way(row, level) for row in rows if level <= self._reach(row))
        )

    def _reach(self, row: Row) -> int:
        """Return the highest level that a route gives its signal, to the signal in rear."""
        if row.speed.reads_as is None:
            return len(self.practice.aspects)
        return self.practice.level(row.speed.reads_as)

    def _way(self, row: Row, level: int) -> Literal:
        """Return whether a signal shows at least this level by one of its routes."""
        needed = self.needed(row.speed.next, level)
        if needed is None:
            return FALSE
        terms = [self.off_by(row), self._next_at_least(row, needed)]
        held = row.release in ("from-caution", "flashing")
        if held and level > self.practice.level(row.speed.held_at):
            terms.append(self.terms.released(row))
        return self.graph.all_of(*terms)

    def needed(self, following: Mapping[str, str], level: int) -> int | None:
        """Return the least level of the next signal with which this one shows at least ``level``.

        ``following`` is what this one shows by what the next one reads as.
        """
        for rank, aspect in enumerate(self.practice.aspects):
            if self.practice.level(following[aspect.name]) >= level:
                return rank
        return None

    def _next_at_least(self, row: Row, level: int) -> Literal:
        """Return whether what stands at a route's end reads as at least ``level``."""
        if level <= 0:
            return TRUE
        if row.route.exit is not None:
            return self.reads_at_least(row.route.exit, level)
        if row.route.end is End.OPEN and row.hidden is not None:
            return self._hidden_at_least(row, self.practice.heads[row.head], 0, level)
        return FALSE

    def _hidden_at_least(self, row: Row, head: Head, section: int, level: int) -> Literal:
        """Return what the signal at the start of a hidden section would show.

        Each hidden section is a block whose occupancy is a time: a train that
        left the last block seen is in the first section until its seconds have
        run, then in the second, and so on. The rules of aspects are the same.
        """
        if level <= 0 or row.hidden is None or section >= len(row.hidden):
            return TRUE
        needed = self.needed(head.next, level)
        if needed is None:
            return FALSE
        beyond = self._hidden_at_least(row, head, section + 1, needed)
        return self.graph.all_of(self._hidden_clear(row, section), beyond)

    def _hidden_clear(self, row: Row, section: int) -> Literal:
        block = row.route.blocks[-1]
        seconds = sum((row.hidden or ())[: section + 1])
        what = f"hidden section {section + 1} beyond {row.name}"
        return self.graph.timer(
            what,
            nanoseconds(seconds),
            self.detection.occupied(block) ^ 1,
            holds=f"{what} is clear",
            fails=f"{what} may still hold a train",
        )

    def announces(self, signal: str, position: str) -> Literal:
        """Return whether a signal's second indicator announces a position of the next signal's.

        It does while the signal is off by a route at whose end the next signal
        is off, with that position lit for its route.
        """
        ways = (
            self.graph.all_of(self.off_by(row), self.lit_at(row.route.exit, position))
            for row in self.rows[signal]
        )
        return self.announcement(signal, position, self.graph.any_of(*ways))

    def lit_at(self, signal: str | None, position: str) -> Literal:
        """Return whether a signal is off by a route for which this position is lit."""
        rows = () if signal is None else self.rows[signal]
        return self.graph.any_of(*(self.off_by(row) for row in rows if row.indicator == position))

    def announcement(self, signal: str, position: str, literal: Literal) -> Literal:
        """Give the equation of a position that a signal announces its name and sentences."""
        return self.graph.equation(
            f"signal {signal} announces {position}",
            literal,
            f"signal {signal} announces {position} of the next signal",
            f"signal {signal} does not announce {position} of the next signal",
        )

    # -- memories ---------------------------------------------------------------------------

    def finish(self, name: str) -> None:
        """Give the memories of one signal their equations, once all levels can be made."""
        graph = self.graph
        acknowledged = self.terms.holds.acknowledge(name)
        failed = [
            self.terms.stop_proofs.failed(stop)
            for stop in self.rows[name][0].stops
            if self.layout.stops[stop].proved
        ]
        if name in self.terms.lamp_faults:
            failed.append(self.terms.lamp_faults[name].literal)
        graph.equation(
            f"signal {name} alarmed",
            graph.any_of(self.passing.at_danger(name), *failed),
            f"signal {name} has an alarm to be acknowledged",
            f"signal {name} has no alarm to be acknowledged",
        )
        self.passing.finish(name, self.rows[name][0].route.entry, self.passable(name), acknowledged)
        latch = self.terms.lamp_faults.get(name)
        if latch is not None:
            dark = graph.input(
                f"lamps {name}=dark",
                f"the lamps of signal {name} are reported dark",
                f"the lamps of signal {name} are not reported dark",
            )
            graph.set_next(
                latch,
                graph.any_of(
                    graph.all_of(self.passing.was_off(name), dark),
                    graph.all_of(latch.literal, acknowledged ^ 1),
                ),
            )
