"""The describer: train names from berth to berth, for people and programs to read.

Law of this file: what comes in and goes out. Reports and requests in, orders to
berths, alarms and steps out; the stepping itself is in ``follow``. It looks at
an interlocking and asks nothing of it, so that no name can move a signal. No
I/O, no clock, no tasks: the same calls with the same times give the same names.

There is a berth for each block. Names start empty; a train has one from when
somebody, or a reader, has said it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import frozen

from signalling.core.interlocking import Interlocking
from signalling.core.words import (
    Alarm,
    NameRequest,
    NameTrain,
    Refusal,
    StepTrain,
    UnnameBlock,
    UnnameTrain,
)
from signalling.describe.follow import Follower
from signalling.describe.ground import ground_of
from signalling.describe.presence import Presence, Seen, seen_equation
from signalling.describe.train import Doubt, NamedTrain
from signalling.describe.words import BerthName, Cause, NameStep, berth_text
from signalling.layout.model import Reader
from signalling.layout.names import why_no_name
from signalling.layout.notation import Joint, parse_joint
from signalling.layout.words import EMPTY, NOTHING, Device, Order, Report

__all__ = ["Describer"]


@frozen
class _Place:
    """Where a reader looks."""

    blocks: tuple[str, ...]
    """Its block; of a joint, the block ahead and the block in rear."""
    reads: Mapping[str, str]
    """Names by what is read; empty where names themselves are read."""


class Describer:
    """The names of the trains of one running interlocking."""

    def __init__(self, interlocking: Interlocking) -> None:
        layout = interlocking.table.layout
        self._interlocking = interlocking
        equations = interlocking.table.graph.equations
        self._seen = {seen_equation(block): block for block in layout.blocks}
        self._signals = {
            joint: f"signal {signal} off"
            for joint, signal in interlocking.table.track.signals.items()
        }
        self._off = {
            name: interlocking.holds(name) for name in self._signals.values() if name in equations
        }
        """By its equation, whether each signal was off before what is seen now."""
        interlocking.watch((*self._seen, *self._off))
        self._presence = Presence(interlocking)
        self._follower = Follower(
            ground_of(interlocking.table),
            self._presence.state,
            interlocking.lie,
            self._at_danger,
            self._stepped,
        )
        self._readers = {
            Device("reader", name): _place(reader) for name, reader in layout.readers.items()
        }
        self._read: dict[Device, str | None] = dict.fromkeys(self._readers)
        self._misread: dict[Device, str] = {}
        self._queues: dict[str, list[NamedTrain]] = {block: [] for block in layout.blocks}
        """By berth, the trains whose names stand in it, in the order in which they came."""
        self._told: dict[str, str] = dict.fromkeys(layout.blocks, EMPTY)
        self._touched: dict[str, None] = {}
        self._steps: list[NameStep] = []
        self._now = 0

    # -- what comes in ----------------------------------------------------------------------

    def observe(self, reports: Iterable[Report], now: int) -> tuple[Order, ...]:
        """See what an interlocking has seen, and return the orders to berths that changed.

        To be called after each call of the interlocking's ``observe``,
        ``advance`` or ``request``, with the same reports and the same time.
        """
        self._now = max(self._now, now)
        reports = tuple(reports)
        watched = self._interlocking.watched()
        changed = (self._seen[name] for name in watched if name in self._seen)
        before = self._presence.look(reports, changed)
        if before:
            self._follower.see(before)
            # Where nothing is heard, a name is doubtful for so long.
            self._touched.update(dict.fromkeys(block for block in before if self._queues[block]))
        for name in watched:
            if name in self._off:
                self._off[name] = self._interlocking.holds(name)
        for report in reports:
            if report.device in self._readers:
                self._hear(report)
        return self._orders_changed()

    def request(self, request: NameRequest, now: int) -> tuple[Order, ...] | Refusal:
        """Take what somebody says of a name; return the orders that changed, or a refusal."""
        self._now = max(self._now, now)
        reason = self._asked(request)
        return self._orders_changed() if reason is None else Refusal(reason)

    def _asked(self, request: NameRequest) -> str | None:
        """Take a request; return why it is refused, or ``None``."""
        if request.block not in self._queues:
            return f"There is no block {request.block!r}."
        match request:
            case NameTrain(block, name, also):
                return why_no_name(name) or self._name(block, name, also=also)
            case StepTrain(name, block):
                train = self._follower.trains.get(name)
                if train is None:
                    return f"No train is called {name!r}. Say `name {block} {name}`."
                self._follower.carry(train, block, Cause.SET, None)
            case UnnameBlock(block):
                if not self._queues[block]:
                    return f"No name stands in block {block}."
                for train in list(self._queues[block]):
                    self._follower.forget(train, Cause.CLEARED)
            case UnnameTrain(block, name):
                train = self._follower.trains.get(name)
                if train is None or train.berth != block:
                    return f"No train {name!r} stands in block {block}."
                self._follower.forget(train, Cause.CLEARED)
        return None

    def _name(self, block: str, name: str, *, also: bool) -> str | None:
        train = self._follower.trains.get(name)
        here = self._queues[block]
        if train is not None and train.berth != block:
            return (
                f"Train {name} stands in block {train.berth}, and no two trains may have one name. "
                f"If it is the same train, say `step {name} {block}`."
            )
        others = [] if also else [other for other in here if other.name != name]
        if train is None and len(others) == 1 == len(here):
            self._follower.rename(others[0], name, Cause.SET)
            return None
        for other in others:
            self._follower.forget(other, Cause.CLEARED)
        if train is None:
            self._follower.put(name, block, Cause.SET)
        elif self._presence.state[block] is Seen.CLEAR:
            self._follower.carry(train, block, Cause.SET, None)
        else:
            self._follower.confirm(train, block, Cause.SET)
        return None

    # -- readers ------------------------------------------------------------------------------

    def _hear(self, report: Report) -> None:
        device, value = report.device, report.value
        if self._read[device] == value:
            return  # said again, or still held before it
        self._read[device] = value
        if value in (None, NOTHING):
            return
        place = self._readers[device]
        if place.reads and value not in place.reads:
            reason: str | None = f"Nothing in `reads` is {value!r}. Give it the name of its train."
        else:
            name = place.reads.get(value, value)
            reason = why_no_name(name)
        if reason is not None:
            self._misread[device] = reason
            return
        self._misread.pop(device, None)
        self._found(name, place.blocks)

    def _found(self, name: str, blocks: tuple[str, ...]) -> None:
        """Take it that a reader read a train in one of these blocks."""
        follower, train = self._follower, self._follower.trains.get(name)
        if train is not None:
            here = [block for block in blocks if block == train.berth or block in train.may]
            if here:
                at = train.berth if train.berth in here else here[0]
                if self._presence.state[at] is not Seen.CLEAR:
                    follower.confirm(train, at, Cause.READ)
                    return
        occupied = [block for block in blocks if self._presence.state[block] is Seen.OCCUPIED]
        block = (*occupied, blocks[0])[0]
        alone = follower.alone(block)
        others = [other for other in self._queues[block] if other is not train]
        if train is None:
            follower.put(name, block, Cause.READ)
        else:
            sure = train.doubt is None and train.berth != block
            follower.carry(train, block, Cause.READ, Doubt.CONTRADICTED if sure else None)
        if alone:
            # What was there had a name, and it is another one.
            for other in others:
                follower.doubt(other, Doubt.CONTRADICTED)

    # -- what goes out -------------------------------------------------------------------------

    @property
    def berths(self) -> Mapping[str, tuple[BerthName, ...]]:
        """By block, the names that stand in it, in the order in which they came."""
        return {
            block: tuple(self._shown(train) for train in queue)
            for block, queue in self._queues.items()
        }

    def where(self, train: str) -> str | None:
        """Return the block where a train's name stands, if it stands in any."""
        known = self._follower.trains.get(train)
        return None if known is None else known.berth

    def orders(self) -> tuple[Order, ...]:
        """Return what every berth is told as it stands."""
        return tuple(Order(Device("berth", block), text) for block, text in self._told.items())

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """What a person should know of now: names that are doubtful, and what was misread."""
        doubtful = (
            Alarm("name-doubtful", f"train {train.name}", self._why(train))
            for train in self._follower.trains.values()
            if self._doubtful(train)
        )
        misread = (
            Alarm("misread", str(device), f"{reason} It was read by {device}.")
            for device, reason in self._misread.items()
        )
        return (*doubtful, *misread)

    def steps(self) -> tuple[NameStep, ...]:
        """Return what has happened to names since this was last asked, in order."""
        steps, self._steps = tuple(self._steps), []
        return steps

    def _stepped(
        self, train: NamedTrain, rear: str | None, ahead: str | None, cause: Cause
    ) -> None:
        if rear != ahead:
            if rear is not None:
                self._queues[rear].remove(train)
            if ahead is not None:
                self._queues[ahead].append(train)
        self._touched.update(dict.fromkeys(block for block in (rear, ahead) if block is not None))
        self._steps.append(
            NameStep(
                at=self._now,
                train=train.name,
                rear=rear,
                ahead=ahead,
                doubtful=ahead is not None and self._doubtful(train),
                cause=cause,
            )
        )

    def _orders_changed(self) -> tuple[Order, ...]:
        if not self._touched:
            return ()
        orders = []
        for block in self._touched:
            text = berth_text(self._shown(train) for train in self._queues[block])
            if text != self._told[block]:
                self._told[block] = text
                orders.append(Order(Device("berth", block), text))
        self._touched.clear()
        return tuple(orders)

    def _shown(self, train: NamedTrain) -> BerthName:
        return BerthName(train.name, self._doubtful(train))

    def _doubtful(self, train: NamedTrain) -> bool:
        return train.doubt is not None or self._presence.state[train.berth] is Seen.UNKNOWN

    def _why(self, train: NamedTrain) -> str:
        name, berth = train.name, train.berth
        remedy = f"Look where it is; then say `name {berth} {name}` or `step {name} BLOCK`."
        match train.doubt:
            case None:
                return f"Nothing is heard of block {berth}, where train {name} was seen last."
            case Doubt.VANISHED:
                return f"Train {name} was lost sight of; its name stays at block {berth}. {remedy}"
            case Doubt.AMBIGUOUS:
                return f"Train {name} or another may be what is seen at block {berth}. {remedy}"
            case Doubt.UNSEEN:
                return f"Train {name} is said to be in block {berth}, where nothing is seen."
            case Doubt.CONTRADICTED:
                return f"A reader contradicts that train {name} is in block {berth}. {remedy}"

    def _at_danger(self, joint: Joint) -> bool:
        """Return whether a signal at a joint was at danger before what is seen now."""
        signal = self._signals.get(joint)
        return signal is not None and not self._off.get(signal, True)


def _place(reader: Reader) -> _Place:
    if reader.block is not None:
        return _Place((reader.block,), reader.reads)
    joint = parse_joint(reader.at or "")
    return _Place((joint.ahead, joint.rear), reader.reads)
