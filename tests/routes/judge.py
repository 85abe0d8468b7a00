"""What must never be so at a station, judged from where its routes run.

Law of this file: no equation is trusted but for what it says of itself: which
routes are locked, and which blocks they still hold. What may stand beside what
is worked out here from ways and lies.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations, pairwise

from attrs import define, field, frozen

from signalling.core.interlocking import Interlocking
from signalling.layout.notation import Lie
from signalling.layout.track import Way
from signalling.layout.words import Device, Order, Report
from signalling.table.row import Move, Row
from tests.routes.trains import SUBSIDIARY, Iron


@frozen
class Claim:
    """What a locked route still holds: ways through blocks, and how turnouts must lie."""

    route: str
    ways: tuple[Way, ...]
    lies: Mapping[str, Lie]


@define
class Judge:
    """Looks on, and remembers what was reported and since when."""

    iron: Iron
    interlocking: Interlocking
    said: dict[Device, tuple[str | None, float]] = field(factory=dict)
    held: set[str] = field(factory=set)
    """Signals that somebody holds."""

    def note(self, reports: tuple[Report, ...]) -> None:
        """Remember what was reported."""
        for report in reports:
            if self.said.get(report.device, (None, 0.0))[0] != report.value:
                self.said[report.device] = (report.value, self.iron.now)

    def claims(self) -> tuple[Claim, ...]:
        """Return what locked routes and overlaps hold now."""
        return tuple(claim for row in self.iron.table.rows for claim in self._claims(row))

    def _claims(self, row: Row) -> Iterator[Claim]:
        if row.guarded and self.interlocking.value(f"route {row.name} locked"):
            ways = tuple(
                way
                for place, way in enumerate(row.route.kept_clear, 1)
                if not self.interlocking.value(f"route {row.name} freed {place} {way.block}")
            )
            held = {way.block for way in ways}
            beside = {each.turnout: each.lie for each in row.flank if each.block in held}
            yield Claim(row.name, ways, {**beside, **dict(lie for way in ways for lie in way.lies)})
        for choice in row.choices:
            if self.interlocking.value(f"{choice.route.name} held"):
                ways = choice.route.ways
                yield Claim(row.name, ways, dict(lie for way in ways for lie in way.lies))

    def conflicts(self) -> None:
        """Nothing is held for two that would meet, or that need a turnout otherwise."""
        for one, two in combinations(self.claims(), 2):
            both = f"{one} and {two}"
            for mine in one.ways:
                for theirs in two.ways:
                    if mine.block == theirs.block:
                        assert mine.rear == theirs.rear, f"{mine.block} is held for {both}"
            for turnout, lie in one.lies.items():
                assert two.lies.get(turnout, lie) is lie, f"{turnout} is held for {both}"

    def committed(self) -> None:
        """While a driver may still pass a signal that was put back, its route stays locked."""
        stops_after = self.iron.table.layout.settings.approach_time
        for train in self.iron.trains.values():
            if train.saw is None or self.iron.now - train.saw[1] >= stops_after:
                continue
            rows = [row for row in self.iron.table.rows if row.signal == train.saw[0]]
            assert not rows[0].controlled or any(
                self.interlocking.value(f"route {row.name} locked") for row in rows
            ), f"{train.name} may pass {train.saw[0]}, and no route from it is locked"

    def face_to_face(self) -> None:
        """No two trains run towards each other on a line whose ends agree on one direction."""
        for name, line in self.iron.table.layout.single_lines.items():
            onward = set(pairwise(line.blocks))
            ways = {
                bool(onward & {(train.way.rear, train.block), (train.block, train.way.ahead)})
                for train in self.iron.trains.values()
                if train.block in line.blocks
            }
            assert len(ways) < 2, f"trains on single line {name} run towards each other"

    def turnout_ordered(self, order: Order, before: tuple[Claim, ...]) -> None:
        """No turnout is told to lie otherwise than what held it needs, or under a vehicle."""
        name, lie = order.device.name, Lie(order.value)
        after = {claim.route for claim in self.claims() if name in claim.lies}
        for claim in before:
            if claim.route in after:
                needed = claim.lies.get(name, lie)
                swung = any(" overlap " in each for each in self._swinging(claim.route))
                assert needed is lie or swung, f"{name} ordered {lie} against {claim}"
        motor = self.iron.motors[name]
        if motor.ordered is not lie and (motor.lie is not lie or motor.since is not None):
            block = self.iron.table.layout.turnouts[name].block
            said = self.said.get(Device("detector", block), (None, 0.0))[0]
            assert said == "clear", f"{name} ordered {lie} while {block} reads {said}"

    def _swinging(self, route: str) -> list[str]:
        rows = {row.name: row for row in self.iron.table.rows}
        return [choice.route.name for choice in rows[route].choices]

    def supplies(self) -> None:
        """No supply feeds more motors than it can."""
        for name, supply in self.iron.table.layout.supplies.items():
            assert self.iron.running(name) <= supply.at_once, f"supply {name} is overloaded"

    def signals(self) -> None:
        """A signal is off only by a route of which everything is as it must be."""
        for signal, aspect in self.iron.aspects.items():
            if aspect != "danger":
                rows = [row for row in self.iron.table.rows if row.signal == signal]
                wrong = {row.name: self._wrong(row, aspect) for row in rows}
                assert not all(wrong.values()), f"{signal} shows {aspect}: {wrong}"

    def _wrong(self, row: Row, aspect: str) -> list[str]:
        """Return what forbids an aspect by a route."""
        wrong = []
        if row.signal in self.held:
            wrong.append("held")
        if (row.move is Move.MAIN) is (aspect in SUBSIDIARY) or (
            row.move is not Move.MAIN and row.move != aspect
        ):
            return ["another aspect"]
        if row.guarded:
            asked = self.interlocking.value(f"route {row.name} locked")
            wrong += [] if asked else ["not locked"]
        ways = row.route.kept_clear if row.move is Move.MAIN else row.route.ways[:-1]
        lies = {*row.route.all_lies, *((each.turnout, each.lie) for each in row.flank)}
        for choice in row.choices:
            if self.interlocking.value(f"{choice.route.name} held"):
                ways += choice.route.ways
                lies |= set(choice.route.all_lies)
        hold_off = self.iron.table.layout.settings.hold_off
        for way in ways:
            value, since = self.said.get(Device("detector", way.block), (None, 0.0))
            if value != "clear" or self.iron.now - since < hold_off - 1e-9:
                wrong.append(f"{way.block} not clear")
        for turnout, lie in lies:
            if self.said.get(Device("turnout", turnout), (None, 0.0))[0] != lie:
                wrong.append(f"{turnout} not {lie}")
        return wrong
