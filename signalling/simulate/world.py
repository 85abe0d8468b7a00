"""The railway itself: trains, turnouts, detectors and stops, as the far end of the wires has them.

Law of this file: physics and nothing else. It takes orders and gives reports,
as hardware does; time is an argument, and the same orders at the same times
give the same reports. It knows no equation. What acts on trains is the train
stops alone: no driver looks at the signals. (One who did could only stop
sooner.)

Beyond the open ends of the described track nothing is simulated but time: a
train that ran off is away for the seconds of the hidden sections there, then
comes back on where a line that ends there begins. Trains come back in the order
in which they went, each when its block is clear of trains; what holds them
until then is not described, so the waits are counted.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Mapping
from math import inf
from random import Random

from attrs import define

from signalling.errors import ConfigurationError
from signalling.layout.notation import Lie, parse_joint
from signalling.layout.words import Device, Order, Report
from signalling.practice.schema import DANGER
from signalling.simulate.contacts import Contacts
from signalling.simulate.ground import Ground, ground_of
from signalling.simulate.motion import move
from signalling.simulate.record import Record, TrainRecord, WrongSide
from signalling.simulate.train import STAND_SHORT, RunningTrain, Span, set_down
from signalling.simulate.truth import Truth
from signalling.table.table import Table

__all__ = ["TICK", "World"]

TICK = 100_000_000
"""ns from one look at the trains to the next. Motion in between is exact."""

MOVING = 1_000_000_000
"""ns that a turnout takes to move from one lie to the other (common practice for slow motors)."""


@define
class _Away:
    """A train beyond the described track."""

    train: RunningTrain
    due: int
    """When its time there has run."""
    left_by: str
    """The block by which it went."""
    block: str
    """Where it comes back."""
    held: bool = False


class World:
    """A simulated railway with the trains of its layout file.

    ``seed`` decides what chance decides. With ``stops_work=False`` the stops
    act on nothing, as if their relays were stuck: for showing that the checks
    find what then happens. ``flicker`` is how often a second the contact of an
    occupied section reads clear for a moment.

    Raises ``ConfigurationError`` where a train cannot be set down.
    """

    def __init__(
        self, table: Table, *, seed: int = 0, stops_work: bool = True, flicker: float = 0.0
    ) -> None:
        layout = table.layout
        self.ground: Ground = ground_of(table)
        self.now = 0
        """ns since the start, in whole ticks."""
        self.lying: dict[str, Lie | None] = dict.fromkeys(layout.turnouts, Lie.NORMAL)
        """How turnouts lie in truth; ``None`` while one moves."""
        distants = {row.signal: table.practice.heads[row.head] for row in table.distants}
        self.aspects: dict[str, str] = {
            output.device.name: output.default or DANGER
            for output in table.outputs
            if output.device.kind == "signal"
        }
        """What each head of each signal was ordered to show."""
        self.stops: dict[str, str] = dict.fromkeys(layout.stops, "applied")
        self.locks: dict[str, str] = {}
        """What the locks of turnouts that others move were last ordered."""
        self.trains: tuple[RunningTrain, ...] = tuple(
            set_down(name, kind, self.ground, self.lying) for name, kind in layout.trains.items()
        )
        self.inside: dict[str, dict[str, RunningTrain]] = {block: {} for block in layout.blocks}
        """The trains in each block, by name."""
        heads = {row.signal: table.practice.heads[row.head] for row in table.rows}
        self.truth = Truth(
            self.ground,
            self.inside,
            self.aspects,
            self.lying,
            heads | distants,
            {name: parse_joint(layout.signals[name].at) for name in distants},
        )
        self._random = Random(seed)  # noqa: S311 - chance in a model, not a secret
        self._stops_work = stops_work
        self._contacts = Contacts(table, self._random, flicker * TICK / 1e9)
        able = {*table.practice.ordinary, *(each for one in heads.values() for each in one.shows)}
        self._aspect_order = tuple(each.name for each in table.practice.shown if each.name in able)
        self._aspects_shown: Counter[str] = Counter()
        self._stops_applied = 0
        self._times_held = 0
        self._turnouts_moved = 0
        self._moves: dict[str, tuple[int, Lie]] = {}
        self._away: list[_Away] = []
        self._sections = {
            name: stop.section or parse_joint(layout.signals[stop.signal].at).rear
            for name, stop in layout.stops.items()
        }
        self._acting: Counter[str] = Counter(self._sections.values())
        """Stops applied, by the block that they act on."""
        self._turnouts = table.track.turnouts
        self._changed = True
        for train in self.trains:
            self._cover(train)
        for block, trains in self.inside.items():
            if len(trains) > 1:
                raise ConfigurationError(
                    f"block {block}",
                    f"Trains {' and '.join(trains)} would both stand in it at the start.",
                    "Let them start further apart, or make them shorter.",
                )

    # -- what goes in and out

    @property
    def seconds(self) -> float:
        """Time of the run."""
        return self.now / 1e9

    def reports(self) -> tuple[Report, ...]:
        """Return what every device says at present."""
        return self._contacts.reports()

    def order(self, order: Order) -> None:
        """Take an order, as the device that it is for."""
        name, value = order.device.name, order.value
        match order.device.kind:
            case "signal" if self.aspects.get(name) != value and name in self.aspects:
                self.aspects[name] = value
                self._aspects_shown[value] += 1
                self._changed = True
            case "stop" if self.stops.get(name) != value and name in self.stops:
                self.stops[name] = value
                self._contacts.say(order.device, value)
                applied = value == "applied"
                self._stops_applied += applied
                self._acting[self._sections[name]] += 1 if applied else -1
            case "turnout" if name in self.lying:
                self.throw(name, Lie(value))
            case "lock":
                self.locks[name] = value
            case "indicator" if order.device in self._contacts:
                self.say(order.device, value)
            case _:
                pass

    def throw(self, turnout: str, lie: Lie) -> None:
        """Move a turnout, by its motor or by hand."""
        towards = self._moves[turnout][1] if turnout in self._moves else self.lying[turnout]
        if towards is lie:
            return
        self._moves[turnout] = (self.now + MOVING, lie)
        self.lying[turnout] = None
        self._turnouts_moved += 1
        self._changed = True
        self.say(Device("turnout", turnout), "moving")
        for block, turnouts in self._turnouts.items():
            if turnout in turnouts and self.inside[block]:
                self.truth.found(
                    WrongSide.TURNOUT_UNDER_TRAIN,
                    f"turnout {turnout}",
                    " and ".join(self.inside[block]),
                    self.seconds,
                )

    def say(self, device: Device, value: str) -> None:
        """Let a device that a person works, such as a lever, report something."""
        self._contacts.say(device, value)

    def advance(self, now: int) -> tuple[Report, ...]:
        """Let time go on to ``now``, in whole ticks, and return what was said since last asked."""
        while self.now + TICK <= now:
            self._tick()
        return self._contacts.news()

    # -- one tick

    def _tick(self) -> None:
        # What stands now has stood since the last tick's reports were answered.
        if self._changed:
            self._changed = self.truth.look(self.seconds)
        self.now += TICK
        for turnout in [name for name, (due, _) in self._moves.items() if due <= self.now]:
            _, lie = self._moves.pop(turnout)
            self.lying[turnout] = lie
            self._changed = True
            self.say(Device("turnout", turnout), str(lie))
        for train in self.trains:
            self._run(train)
        if self._away:
            self._bring_back()
        self._contacts.flicker(self.inside)

    def _run(self, train: RunningTrain) -> None:
        span = train.spans[0]
        if span.block is None and len(train.spans) == 1:
            return  # beyond the track only time counts
        kind = train.kind
        room = None
        if span.block is not None:
            stopped = self._stops_work and self._acting[span.block] > 0
            if stopped or self.ground.is_buffer(span.way):
                room = span.end - min(STAND_SHORT, (span.end - span.begin) / 2.0) - train.head
        before = train.speed
        train.speed, distance = move(before, kind.speed, kind.braking, TICK / 1e9, room)
        if train.speed <= 0.0 < before:
            train.times_stopped += 1
        if distance <= 0.0:
            return
        train.head += distance
        crossed = False
        while train.head >= train.spans[0].end:
            self._enter(train)
            crossed = True
        if train.follow() or crossed:
            self._cover(train)

    def _enter(self, train: RunningTrain) -> None:
        """Let a head into the next block, or off the described track."""
        span = train.spans[0]
        ahead, block = span.ahead, span.block
        if ahead is None or block is None:
            train.spans.appendleft(Span(None, None, span.end, inf))
            self._go_off(train, span)
            return
        signal = self.ground.signal_at(block, ahead)
        if signal is not None:
            self.truth.passed(signal, train, self.seconds)
        way, laid = self.ground.way(ahead, block, self.lying)
        if not laid:
            self.truth.found(WrongSide.RAN_ONTO_TURNOUT, f"block {ahead}", train.name, self.seconds)
        train.spans.appendleft(Span(ahead, way, span.end, span.end + self.ground.lengths[ahead]))
        train.laps += ahead == train.home

    def _cover(self, train: RunningTrain) -> None:
        """Bring up to date which blocks and beams a train covers, and what detectors say."""
        self._changed = True
        covers = train.blocks
        for block, trains in self.inside.items():
            if (train.name in trains) is not (block in covers):
                if block in covers:
                    trains[train.name] = train
                else:
                    del trains[train.name]
                self._contacts.section(block, occupied=bool(trains))
        self._contacts.beams({joint for each in self.trains for joint in each.joints()})

    # -- beyond the described track

    def _go_off(self, train: RunningTrain, span: Span) -> None:
        block = span.block
        rear = None if span.way is None else span.way.rear
        starts = () if block is None else self.ground.back_at.get(block, ())
        if block is not None and starts:
            due = self.now + round(self.ground.beyond.get((block, rear), 0.0) * 1e9)
            self._away.append(_Away(train, due, block, self._random.choice(starts)))

    def _bring_back(self) -> None:
        first: set[str] = set()
        for away in list(self._away):
            if away.block in first:
                continue
            first.add(away.block)
            train = away.train
            if self.now < away.due or len(train.spans) > 1:
                continue
            if self.inside[away.block]:
                if not away.held:
                    away.held = True
                    self._times_held += 1
                    train.speed = 0.0
                continue
            self._away.remove(away)
            self._come_on(train, away.block)

    def _come_on(self, train: RunningTrain, block: str) -> None:
        way, _ = self.ground.way(block, None, self.lying)
        head = train.head
        train.spans = deque(
            (
                Span(block, way, head, head + self.ground.lengths[block]),
                Span(None, None, -inf, head),
            )
        )
        train.laps += block == train.home
        self._cover(train)

    def away(self) -> Iterator[tuple[RunningTrain, str]]:
        """Yield the trains that have gone off the described track, and by which block."""
        for each in self._away:
            yield each.train, each.left_by

    # -- what it came to

    def record(self) -> Record:
        """Return what the run has come to so far."""
        passed = self.truth.aspects_passed
        return Record(
            seconds=self.seconds,
            trains=tuple(
                TrainRecord(
                    name=train.name,
                    distance=round(train.head - train.began, 3),
                    laps=train.laps,
                    signals_passed=train.signals_passed,
                    times_stopped=train.times_stopped,
                )
                for train in self.trains
            ),
            aspects_shown=self._ordered(self._aspects_shown),
            aspects_passed=self._ordered(passed),
            stops_applied=self._stops_applied,
            times_stopped=sum(train.times_stopped for train in self.trains),
            times_held=self._times_held,
            turnouts_moved=self._turnouts_moved,
            minimum_separation=self.truth.minimum_separation,
            wrong_side=tuple(self.truth.events),
        )

    def _ordered(self, counts: Mapping[str, int]) -> dict[str, int]:
        return {aspect: counts.get(aspect, 0) for aspect in self._aspect_order}
