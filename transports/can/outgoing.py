"""From orders to frames: what each group of outputs is to be, and which frame goes next.

Law of this file: state, not a queue; no bus and no timer. A frame is made when
it is sent, from the newest orders, so that none is ever late. What restricts
goes first. A group is sent again when every order in it was given again: as
long as whoever gives orders is at work, and no longer.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Protocol

from attrs import frozen

from signalling.layout.words import KINDS
from transports.can.frames import encode, seal
from transports.can.protect import Sequence
from transports.can.schema import ALL_NODES, load_schema

if TYPE_CHECKING:
    from collections.abc import Iterable

    from signalling.layout.words import Device, Order
    from transports.can.own import OwnOrder

__all__ = ["CanFrame", "Group", "Outgoing", "OwnGroup", "own_groups"]

_REMEMBERED = 256
"""Frames of ours by which we know them when a bus returns them."""


@frozen
class CanFrame:
    """A data frame as it goes on the bus."""

    identifier: int
    data: bytes
    extended: bool = False


@frozen
class _Answer:
    """What a node is told of what was heard from it."""

    node: int
    page: int
    counter: int


class Group(Protocol):
    """Outputs that go into one frame."""

    urgency: int
    """Its place among others; the lowest goes first."""
    burst: int
    """Frames that it begins with, so that a receiver is in step at once."""
    devices: frozenset[Device]

    def put(self, order: Order) -> tuple[bool, bool]:
        """Take an order; return whether it changes anything, and whether it restricts."""

    def frame(self) -> CanFrame | None:
        """Return the frame that goes next, or ``None`` where not enough is known to make one."""

    def sent(self) -> None:
        """Take it that this frame has gone."""


class OwnGroup:
    """One group of ports of one node of our own schema. At first all is most restrictive."""

    def __init__(self, orders: Iterable[OwnOrder]) -> None:
        self._orders = {order.device: order for order in orders}
        first = next(iter(self._orders.values()))
        self._shape, self.node, self._group = first.shape, first.node, first.group
        self._sequence = Sequence()
        self._bits = 0
        self._ranks = dict.fromkeys(self._orders, 0)
        self.held = True
        """Whether the most restrictive orders are sent, whatever was ordered."""
        self.urgency = self._shape.number
        self.burst = load_schema().frames_to_sync
        self.devices = frozenset(self._orders)

    def put(self, order: Order) -> tuple[bool, bool]:
        """Take an order; return whether it changes anything, and whether it restricts."""
        device = order.device
        place = self._orders[device]
        bits = self._bits & ~place.mask | place.bits[order.value]
        changed, self._bits = bits != self._bits, bits
        before, self._ranks[device] = self._ranks[device], place.ranks[order.value]
        restricts = self._ranks[device] < before and KINDS[device.kind].restrictive is not None
        return changed, restricts

    def frame(self) -> CanFrame:
        """Return the frame that goes next."""
        bits = 0 if self.held else self._bits
        return CanFrame(*seal(self._shape, self.node, self._group, self._sequence.counter, bits))

    def sent(self) -> None:
        """Take it that this frame has gone."""
        self._sequence.advance()


def own_groups(orders: Iterable[OwnOrder]) -> tuple[OwnGroup, ...]:
    """Return the groups of ports that the orders go to."""
    found: dict[tuple[int, int], list[OwnOrder]] = {}
    for order in orders:
        found.setdefault((order.shape.identifier(order.node), order.group), []).append(order)
    return tuple(OwnGroup(each) for each in found.values())


class Outgoing:
    """What is to be sent on one bus."""

    def __init__(self, own: Iterable[OwnGroup], foreign: Iterable[Group] = ()) -> None:
        self._own = tuple(own)
        self._groups: tuple[Group, ...] = (*self._own, *foreign)
        self._group_of = {device: group for group in self._groups for device in group.devices}
        self._again: dict[Group, set[Device]] = {group: set() for group in self._groups}
        self._left = {group: group.burst for group in self._groups}
        self._urgent: dict[Group, None] = {}
        self._due: dict[Group, None] = {}
        self._single: list[CanFrame] = []
        self._answers: dict[int, _Answer] = {}
        """The newest for each node."""
        self._going: Group | CanFrame | _Answer | None = None
        self._known: OrderedDict[tuple[int, bytes], None] = OrderedDict()
        self._all_danger, self._identify, self._heard = Sequence(), Sequence(), Sequence()

    def begin(self) -> None:
        """Begin anew on a bus that was opened: with all danger, and every node of ours held."""
        for group in self._own:
            group.held = True
        self._urgent.clear()
        self._due.clear()
        self._single.clear()
        self._answers.clear()
        self._going = None
        self._left = {group: group.burst for group in self._groups}
        self.all_danger()

    def put(self, orders: Iterable[Order]) -> None:
        """Take orders, each the latest for its device."""
        for order in orders:
            group = self._group_of[order.device]
            again = self._again[group]
            again.add(order.device)
            changed, restricts = group.put(order)
            if restricts:
                self._urgent[group] = None
            elif changed or again == group.devices:
                self._due[group] = None

    def hold(self, node: int, *, held: bool) -> None:
        """Send a node the most restrictive orders whatever is ordered, or no longer."""
        for group in self._own:
            if group.node == node:
                group.held = held
                self._urgent[group] = None
        if not held:
            self.renew(node)

    def renew(self, node: int) -> None:
        """Begin the orders of a node anew, so that it is in step with them at once."""
        for group in self._own:
            if group.node == node:
                self._left[group] = group.burst
                self._due[group] = None

    def answer(self, node: int, page: int, counter: int) -> None:
        """Let a node know that a page of its status was heard, after all that waits to go.

        So whatever was ordered before it is not older, for the node, than that page.
        """
        self._answers[node] = _Answer(node, page, counter)

    def all_danger(self) -> None:
        """Let every node of ours go to danger, where any is ordered."""
        if self._own:
            frame = encode("AllDanger", ALL_NODES, counter=self._all_danger.counter)
            self._all_danger.advance()
            self._single.append(CanFrame(*frame))

    def identify(self, node: int, serial: int) -> None:
        """Let a node show where it is; of several with one number the one with this serial."""
        frame = encode("Identify", node, counter=self._identify.counter, values={"Serial": serial})
        self._identify.advance()
        self._single.append(CanFrame(*frame))

    def single(self, frame: CanFrame) -> None:
        """Send a frame once."""
        self._single.append(frame)

    def next_frame(self) -> CanFrame | None:
        """Return the frame that goes next, or ``None`` where none must.

        ``gone`` or ``stuck`` is to be called before the next one is asked for.
        """
        frame: CanFrame | None = None
        if self._single:
            self._going = frame = self._single.pop(0)
        while frame is None and (self._urgent or self._due):
            if self._urgent:
                group = min(self._urgent, key=lambda each: each.urgency)
            else:
                group = next(iter(self._due))
            self._urgent.pop(group, None)
            self._due.pop(group, None)
            # What is ordered from here on makes the group due again.
            self._again[group].clear()
            self._going, frame = group, group.frame()
        if frame is None and self._answers:
            node = next(iter(self._answers))
            self._going = answer = self._answers.pop(node)
            frame = self._answered(answer)
        if frame is not None:
            self._known[frame.identifier, frame.data] = None
            if len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)
        return frame

    def _answered(self, answer: _Answer) -> CanFrame:
        return CanFrame(
            *encode(
                "Heard",
                answer.node,
                group=answer.page,
                counter=self._heard.counter,
                values={"HeardCounter": answer.counter},
            )
        )

    def gone(self) -> None:
        """Take it that the frame that was asked for has gone."""
        group, self._going = self._going, None
        if isinstance(group, _Answer):
            self._heard.advance()
        elif group is not None and not isinstance(group, CanFrame):
            group.sent()
            self._left[group] = max(self._left[group] - 1, 0)
            if self._left[group]:
                self._due[group] = None

    def stuck(self) -> None:
        """Take it that the bus did not take the frame: it is made anew the next time."""
        group, self._going = self._going, None
        if isinstance(group, CanFrame):
            self._single.insert(0, group)
        elif isinstance(group, _Answer):
            self._answers.setdefault(group.node, group)
        elif group is not None:
            self._urgent[group] = None

    def ours(self, identifier: int, data: bytes) -> bool:
        """Return whether this frame was sent here a short while ago."""
        return (identifier, data) in self._known
