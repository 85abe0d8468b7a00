"""Trains, motors and detectors of a station, as iron and not as equations.

Law of this file: what trains and turnouts do by themselves, and what must never
come of it. It takes from the table how the track runs and what it is ordered,
and asks the interlocking nothing. A driver passes a signal that is off, or that
was when he last saw it unless he has had time to stop since; he never passes
one otherwise, and runs into a block with a train in it only by a subsidiary
aspect.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.notation import Joint, Lie
from signalling.layout.track import Track, Way
from signalling.layout.words import Device, Order, Report
from signalling.table.table import Table

SUBSIDIARY = ("call-on", "shunt")


@define(eq=False)
class Train:
    """Vehicles over one block or two, with a driver at the head."""

    name: str
    way: Way
    """How the head runs through its block; what is ahead of it is worked out when it goes on."""
    tail: str | None = None
    """The block behind the head's that it still reaches into."""
    follows: set[str] = field(factory=set)
    """Trains in the head's block that stand before it."""
    main: bool = False
    """Whether the last signal gave it track that must be clear."""
    saw: tuple[str, float, bool] | None = None
    """The signal last seen off, when, and whether by its main aspect."""

    @property
    def block(self) -> str:
        return self.way.block


@define(eq=False)
class Motor:
    """A turnout: how it lies, and what its motor is doing."""

    lie: Lie
    ordered: Lie | None = None
    since: float | None = None
    """When the motor began to run; ``None`` while it rests."""


@define
class Iron:
    """Everything of one station that can be touched."""

    table: Table
    now: float = 0.0
    trains: dict[str, Train] = field(factory=dict)
    motors: dict[str, Motor] = field(init=False)
    aspects: dict[str, str] = field(init=False)
    leave: dict[str, bool] = field(factory=dict)
    """Turnouts that others may move."""
    faults: dict[Device, str | None] = field(factory=dict)
    """What devices say in place of the truth."""
    count: int = 0

    def __attrs_post_init__(self) -> None:
        self.motors = {name: Motor(Lie.NORMAL) for name in self.table.layout.turnouts}
        self.aspects = dict.fromkeys(self.table.layout.signals, "danger")

    @property
    def track(self) -> Track:
        return self.table.track

    # -- what is reported ------------------------------------------------------------

    def reports(self) -> tuple[Report, ...]:
        """Return what every device says."""
        truth: dict[Device, str | None] = {
            Device("detector", block): "occupied" if self.inside(block) else "clear"
            for block in self.table.layout.blocks
        }
        for name, motor in self.motors.items():
            truth[Device("turnout", name)] = "moving" if motor.since is not None else motor.lie
        return tuple(Report(device, value) for device, value in {**truth, **self.faults}.items())

    def inside(self, block: str) -> list[Train]:
        """Return the trains that are in a block."""
        return [train for train in self.trains.values() if block in (train.block, train.tail)]

    # -- what is ordered -----------------------------------------------------------

    def obey(self, order: Order) -> None:
        """Do as ordered; a turnout with a train on it must not be told to move."""
        name = order.device.name
        if order.device.kind == "signal":
            self.aspects[name] = order.value
        elif order.device.kind == "lock":
            self.leave[name] = order.value == "free"
        elif order.device.kind == "turnout":
            motor = self.motors[name]
            motor.ordered = Lie(order.value)
            if motor.since is None and motor.lie is motor.ordered:
                return
            block = self.table.layout.turnouts[name].block
            assert not self.inside(block), f"{name} is moved under a train"
            motor.since = self.now

    def arrive(self) -> None:
        """Let every motor come to the end of its way."""
        for motor in self.motors.values():
            if motor.since is not None and motor.ordered is not None:
                motor.lie, motor.since = motor.ordered, None

    def others_move(self, name: str) -> None:
        """Let others move a turnout, which they do only with leave."""
        if self.leave.get(name) and not self.inside(self.table.layout.turnouts[name].block):
            self.motors[name].lie = self.motors[name].lie.other

    def running(self, supply: str) -> int:
        """Return how many motors of a supply run, and have not been given up as stuck."""
        turnouts = self.table.layout.turnouts
        return sum(
            motor.since is not None and self.now - motor.since < turnouts[name].throw_time
            for name, motor in self.motors.items()
            if turnouts[name].supply == supply
        )

    # -- trains --------------------------------------------------------------------------

    def entrances(self) -> list[Way]:
        """Return the ways in at the ends of the track, each before a signal."""
        return [
            way
            for ways in self.track.ways.values()
            for way in ways
            if way.rear is None
            and way.ahead is not None
            and Joint(way.block, way.ahead) in self.track.signals
        ]

    def come(self, way: Way) -> Train | None:
        """Let a train come in, where nothing is in its way."""
        if self.inside(way.block):
            return None
        self.count += 1
        train = self.trains[f"T{self.count}"] = Train(f"T{self.count}", way)
        return train

    def onward(self, train: Train) -> Way | None:
        """Return how the head runs through its block as the turnouts lie; ``None``: no way."""
        return self._lying(train.block, train.way.rear)

    def _lying(self, block: str, rear: str | None) -> Way | None:
        found = [
            way
            for way in self.track.ways.get((block, rear), ())
            if all(self._lies(*each) for each in way.lies)
        ]
        return found[0] if len(found) == 1 else None

    def _lies(self, turnout: str, lie: Lie) -> bool:
        motor = self.motors[turnout]
        return motor.since is None and motor.lie is lie

    def look(self) -> None:
        """Let every driver see the next signal before him, over clear track."""
        for train in self.trains.values():
            name = self._seen(train)
            if name is not None and self.aspects[name] != "danger":
                train.saw = (name, self.now, self.aspects[name] not in SUBSIDIARY)

    def _seen(self, train: Train) -> str | None:
        if train.follows:
            return None
        way = self.onward(train)
        while way is not None and way.ahead is not None:
            joint = Joint(way.block, way.ahead)
            if joint in self.track.signals:
                return self.track.signals[joint]
            if self.inside(way.ahead):
                return None
            way = self._lying(way.ahead, way.block)
        return None

    def move(self, train: Train) -> bool:
        """Let a train take its tail along or its head on, if it may; return whether it did."""
        if train.tail is not None:
            train.tail = None
            self._let_go()
            return True
        if train.follows:
            return False
        way = self.onward(train)
        if way is None:
            assert not train.main, f"{train.name} finds turnouts moved in {train.block}"
            return False
        if way.ahead is None:
            return False
        main = self._may_pass(train, Joint(way.block, way.ahead))
        if main is None:
            return False
        others = self.inside(way.ahead)
        if main:
            assert not others, f"{train.name} runs into {way.ahead}, where {others} stands"
        elif any(other.tail == way.ahead or other.way.rear != way.block for other in others):
            return False  # by sight: he waits for one that comes the other way, or is just moving
        ahead = self._lying(way.ahead, way.block)
        assert ahead is not None or not main, f"{train.name} finds no way into {way.ahead}"
        if ahead is None:
            return False
        train.main, train.saw, train.tail, train.way = main, None, train.block, ahead
        train.follows = {other.name for other in others}
        return True

    def _may_pass(self, train: Train, joint: Joint) -> bool | None:
        """Return by what a train runs over a joint: a main aspect, a subsidiary one or nothing."""
        name = self.track.signals.get(joint)
        if name is None:
            return train.main
        aspect = self.aspects[name]
        if aspect != "danger":
            return aspect not in SUBSIDIARY
        if train.saw is None or train.saw[0] != name:
            return None
        stops_after = self.table.layout.settings.approach_time
        return train.saw[2] if self.now - train.saw[1] < stops_after else None

    def turn_round(self, train: Train) -> bool:
        """Let a train that stands alone before a signal of the other direction turn round."""
        alone = train.tail is None and len(self.inside(train.block)) == 1
        rear, way = train.way.rear, self.onward(train)
        if not alone or rear is None or way is None:
            return False
        agreed = {each for line in self.table.layout.single_lines.values() for each in line.blocks}
        if Joint(train.block, rear) not in self.track.signals or train.block in agreed:
            return False
        train.way, train.main, train.saw = way.reversed, False, None
        return True

    def go(self, train: Train) -> bool:
        """Let a train leave where the track ends."""
        way = self.onward(train)
        if train.tail is not None or train.follows or way is None or way.ahead is not None:
            return False
        self.take_off(train)
        return True

    def take_off(self, train: Train) -> None:
        """Take a train off the track."""
        del self.trains[train.name]
        self._let_go()

    def _let_go(self) -> None:
        for train in self.trains.values():
            train.follows &= {other.name for other in self.inside(train.block)}
