"""Physical truth: looks at where trains really are and at what signals really show.

Law of this file: it only looks. It knows the ground, the trains and what the
far end was ordered; it knows no equation and believes no detector. What it
finds wrong would have been a collision, or could have become one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import combinations

from attrs import Factory, define, field

from signalling.layout.notation import Joint
from signalling.practice.schema import DANGER, Head
from signalling.simulate.ground import Ground, Lying
from signalling.simulate.record import WrongSide, WrongSideEvent
from signalling.simulate.train import RunningTrain

__all__ = ["REACTION", "Truth"]

REACTION = 1.0
"""Seconds in which a signal that a train has just passed must have gone to danger."""

_Found = tuple[WrongSide, str, str]


@define(eq=False)
class Truth:
    """Looks, and keeps what it found.

    A signal that is off is wrong while a train is in a block of the route that
    it reads over: from the signal, by how the turnouts really lie, to the next
    signal of that direction or the end of the track. One train is left out:
    the one whose head passed this very signal less than ``REACTION`` ago,
    since the signal was off for it and the report of its passing is under way.
    A train that came into the route any other way, or is there any longer, is
    not left out. At that next signal a driver must find what the aspect may be
    followed by.
    """

    ground: Ground
    inside: Mapping[str, Mapping[str, RunningTrain]]
    """The trains in each block, by name."""
    aspects: Mapping[str, str]
    """What each signal was ordered to show; a second head stands after the signal's name and
    a stroke."""
    lying: Lying
    heads: Mapping[str, Head]
    """Each signal's head, which says what may be met after each of its aspects."""
    distants: Mapping[str, Joint] = Factory(dict)
    """Where each distant signal stands. It says nothing of the track, and only of the next main
    signal."""
    events: list[WrongSideEvent] = field(factory=list)
    aspects_passed: Counter[str] = field(factory=Counter)
    minimum_separation: int | None = None
    _joints: dict[str, Joint] = field(init=False)
    _heads_of: dict[str, list[str]] = field(factory=dict)
    _passed: dict[str, dict[str, float]] = field(factory=dict)
    """When trains passed each signal last, by train."""
    _wrong: set[_Found] = field(factory=set)
    """What is wrong at present, so that each wrong is told once."""

    def __attrs_post_init__(self) -> None:
        """Turn the signals' places round: by signal."""
        self._joints = {signal: joint for joint, signal in self.ground.track.signals.items()}
        self._joints |= self.distants
        for name in self.aspects:
            self._heads_of.setdefault(name.partition("/")[0], []).append(name)

    # -- told by the world as it happens

    def passed(self, signal: str, train: RunningTrain, seconds: float) -> None:
        """Note that a train's head passed a signal."""
        aspect = self.aspects.get(signal, DANGER)
        self.aspects_passed[aspect] += 1
        train.signals_passed += 1
        self._passed.setdefault(signal, {})[train.name] = seconds
        if aspect == DANGER:
            self.found(WrongSide.PASSED_AT_DANGER, f"signal {signal}", train.name, seconds)

    def found(self, kind: WrongSide, thing: str, other: str, seconds: float) -> None:
        """Note something that must never happen."""
        self.events.append(WrongSideEvent(kind=kind, seconds=seconds, thing=thing, other=other))

    # -- looking

    def look(self, seconds: float) -> bool:
        """Look at everything; return whether it must be looked at again though nothing moves.

        That is so while a train is left out for having just passed a signal.
        """
        self._measure()
        wrong: set[_Found] = set()
        waiting = False
        for found, just_passed in (*self._collisions(), *self._signals(seconds)):
            if just_passed:
                waiting = True
                continue
            wrong.add(found)
            if found not in self._wrong:
                self.found(*found, seconds)
        self._wrong = wrong
        return waiting

    def _collisions(self) -> Iterator[tuple[_Found, bool]]:
        for block, trains in self.inside.items():
            for one, two in combinations(sorted(trains), 2):
                yield (WrongSide.COLLISION, f"block {block}", f"{one} and {two}"), False

    def _signals(self, seconds: float) -> Iterator[tuple[_Found, bool]]:
        for name, aspect in self.aspects.items():
            signal = name.partition("/")[0]
            # A subsidiary aspect promises nothing of what is ahead.
            if aspect in self.heads[signal].shows and aspect != DANGER:
                told = signal in self.distants or signal != name
                for found, just_passed in self._route(signal, aspect, seconds):
                    if not told or found[0] is WrongSide.PROMISED_TOO_MUCH:
                        yield found, just_passed

    def _route(self, signal: str, aspect: str, seconds: float) -> Iterator[tuple[_Found, bool]]:
        """Yield what is wrong with a signal's being off."""
        joint = self._joints[signal]
        passed = self._passed.get(signal, {})
        met = {joint}
        while True:
            way, laid = self.ground.way(joint.ahead, joint.rear, self.lying)
            if not laid:
                yield (WrongSide.OFF_OVER_TURNOUT, f"signal {signal}", joint.ahead), False
            for train in self.inside[joint.ahead]:
                just_passed = seconds - passed.get(train, -REACTION) < REACTION
                yield (WrongSide.OFF_OVER_TRAIN, f"signal {signal}", train), just_passed
            if way is None or way.ahead is None:
                return
            joint = Joint(way.block, way.ahead)
            following = self.ground.track.signals.get(joint)
            if following is not None:
                # Of two heads that one counts which speaks of the train's way: the better one.
                shown = {self.aspects[head] for head in self._heads_of[following]}
                if not shown & set(self.heads[signal].followed_by[aspect]):
                    yield (WrongSide.PROMISED_TOO_MUCH, f"signal {signal}", following), False
                return
            if joint in met:
                return
            met.add(joint)

    def _measure(self) -> None:
        """Measure how near each train is to the one ahead of it, by how the track really lies."""
        for trains in self.inside.values():
            for train in trains.values():
                span = train.spans[0]
                if span.block is not None and self.inside[span.block] is trains:
                    self._measure_from(train)

    def _measure_from(self, train: RunningTrain) -> None:
        span = train.spans[0]
        if span.block is None:
            return
        if len(self.inside[span.block]) > 1:
            self.minimum_separation = 0
            return
        block, ahead = span.block, span.ahead
        best = self.minimum_separation
        apart = 1
        while ahead is not None and (best is None or apart < best):
            trains = self.inside[ahead]
            if trains:
                if train.name not in trains:
                    self.minimum_separation = apart
                return
            way, _ = self.ground.way(ahead, block, self.lying)
            block, ahead = ahead, None if way is None else way.ahead
            apart += 1
            if apart > len(self.inside):
                return
