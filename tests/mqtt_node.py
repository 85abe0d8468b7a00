"""A node of our own MQTT schema, as the protocol page asks for it.

Law of this file: the rules of docs/mqtt-schema.md for nodes, with the project's
codec, and nothing of the controller's side. ``NodeEnd`` has no connection and
no clock; ``PyNode`` is one on a broker.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from copy import deepcopy
from typing import TYPE_CHECKING, Any, Self, TypeVar

from signalling.errors import LinkError, RejectedInputError
from transports.mqtt.link import Link
from transports.mqtt.options import Options
from transports.mqtt.own.addresses import Addresses
from transports.mqtt.own.codec import (
    AllDanger,
    Gone,
    Heard,
    Identify,
    NodeOrder,
    NodeReport,
    NodeStatus,
    decode,
    encode,
)
from transports.mqtt.own.numbers import Numbers, new_session
from transports.mqtt.session import Publication
from transports.transport import TransportSettings

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

Orders = dict[str, dict[str, Any]]
Received = TypeVar("Received", NodeOrder, AllDanger, Identify)

MEMORY = 60.0
"""Longer than any time to live."""


class NodeEnd:
    """What a node knows of one connection. ``at_rest`` is the state of its outputs at danger."""

    def __init__(self, name: str, serial: str, at_rest: Orders) -> None:
        self.name = name
        self.serial = serial
        self.start = new_session()
        self.at_rest = at_rest
        self.reports: dict[str, dict[str, str | None]] = {}
        self.rejected: Counter[str] = Counter()
        self.blinks = 0
        self.reconnects = -1
        self.begin()

    def begin(self) -> None:
        """Begin a session, as with each connection."""
        self.reconnects += 1
        self.numbers = Numbers(new_session(), MEMORY)
        self.heard: Heard | None = None
        self.outputs = deepcopy(self.at_rest)
        self.due = True
        """Whether to say a report at once."""
        self._last = 0
        """The number of the newest message of who is named in ``heard``."""
        self._floor = 0
        """What it must at least have heard of us beyond."""
        self._good_until = 0.0
        """Until when the orders that are obeyed hold good."""
        self._other_until = 0.0
        """Until when nobody is obeyed, since two controllers give orders."""

    @property
    def obeying(self) -> bool:
        return self._good_until > 0

    def report(self, now: float) -> NodeReport:
        self.check(now)
        self.due = False
        return NodeReport(
            node=self.name,
            session=self.numbers.session,
            seq=self.numbers.next(now),
            heard=self.heard,
            status=NodeStatus(
                serial=self.serial,
                start=self.start,
                firmware="1.0.0",
                supply=12_080,
                rejected=sum(self.rejected.values()) - self.rejected["lost"],
                lost=self.rejected["lost"],
                reconnects=self.reconnects,
                orders_lost=not self.obeying,
            ),
            reports=deepcopy(self.reports),
        )

    def gone(self) -> Gone:
        return Gone(node=self.name, session=self.numbers.session)

    def check(self, now: float) -> None:
        if self.obeying and self._good_until <= now:
            self._to_danger()

    def take_order(self, payload: bytes, now: float) -> None:
        self.check(now)
        order = self._decoded(NodeOrder, payload)
        if order is None:
            return
        if order.node != self.name:
            self.rejected["another-node"] += 1
            return
        same = self.heard is not None and order.session == self.heard.session
        if same:
            step = order.seq - self._last
            if step <= 0:
                self.rejected["late" if step else "repeated"] += 1
                return
            self.rejected["lost"] += step - 1
        given = self.numbers.given(order.heard)
        fresh_until = 0.0 if given is None else given + order.ttl / 1000
        new = order.heard is not None and order.heard.seq > self._floor and fresh_until > now
        if not same:
            if self.obeying and not new:
                self.rejected["another-controller"] += 1
                return
            self._begin_anew(order, new_until=fresh_until if new else None, now=now)
            return
        self.heard = Heard(session=order.session, seq=order.seq)
        self._last = order.seq
        if not new:
            self.rejected["another-session" if given is None else "stale"] += 1
            if self.obeying:
                # The newest that was said cannot be believed, so that nothing before it can.
                self._to_danger()
        elif now >= self._other_until:
            self.due |= not self.obeying
            self._good_until = fresh_until
            self.outputs = self._states(order.orders)

    def _begin_anew(self, order: NodeOrder, *, new_until: float | None, now: float) -> None:
        """Hear another session than before, of which only what answers this is obeyed."""
        self.due = True
        self.heard = Heard(session=order.session, seq=order.seq)
        self._last = order.seq
        if new_until is not None and (self.obeying or now < self._other_until):
            self.rejected["another-controller"] += 1
            self._other_until = new_until
        # The number of the session before is forgotten, and with it what tells its orders apart.
        self._to_danger()

    def take_all_danger(self, payload: bytes, now: float) -> None:
        self.check(now)
        message = self._decoded(AllDanger, payload)
        if message is not None and message.node in (None, self.name):
            self._to_danger()

    def take_identify(self, payload: bytes) -> None:
        message = self._decoded(Identify, payload)
        if message is not None and message.node == self.name:
            self.blinks += message.serial in (None, self.serial)

    def _states(self, orders: Mapping[str, Mapping[str, Any]]) -> Orders:
        outputs = deepcopy(self.at_rest)
        if "turnout" in self.outputs:
            outputs["turnout"] = dict(self.outputs["turnout"])
        for section, named in outputs.items():
            for name, state in named.items():
                ordered = orders.get(section, {}).get(name)
                if isinstance(state, dict):
                    named[name] = {**state, **(ordered or {})}
                elif ordered is not None:
                    named[name] = ordered
        return outputs

    def _to_danger(self) -> None:
        """Let nothing hold that was ordered before this."""
        self._good_until = 0.0
        self._floor = self.numbers.last
        turnouts = self.outputs.get("turnout")
        self.outputs = deepcopy(self.at_rest)
        if turnouts is not None:
            self.outputs["turnout"] = turnouts

    def _decoded(self, cls: type[Received], payload: bytes) -> Received | None:
        try:
            return decode(cls, payload)
        except RejectedInputError as error:
            self.rejected[error.reason] += 1
            return None


Thing = TypeVar("Thing")


class Trouble:
    """What a poor link does to what passes in one direction."""

    def __init__(self) -> None:
        self.kind = ""
        self._count = 0
        self._held: list[Any] = []

    def through(self, thing: Thing) -> list[Thing]:
        """Return what arrives, in order, where this is sent."""
        self._count += 1
        match self.kind:
            case "drop":
                return [thing] if self._count % 3 == 0 else []
            case "duplicate":
                return [thing, thing]
            case "reorder" if not self._held:
                self._held = [thing]
                return []
        held, self._held = self._held, []
        return [thing, *held]


class _Talk:
    """One connection of a node, as the link takes it."""

    def __init__(self, node: PyNode) -> None:
        self._end = node.end
        self._node = node
        addresses = node.addresses
        self._order, self._identify, self._all_danger = (
            addresses.of(cls, node.end.name) for cls in (NodeOrder, Identify, AllDanger)
        )
        self.topics = (self._all_danger, self._order, self._identify)
        self.will = node.publication(node.end.gone())
        self.next_turn = 0.0
        self.next_deadline: float | None = None

    def opening(self, now: float) -> list[Publication]:
        return self.turn(now)

    def turn(self, now: float) -> list[Publication]:
        if self._node.frozen:
            self.next_turn = now + 0.05
            return []
        self.next_turn = now + self._node.period
        return self._node.outward.through(self._node.publication(self._end.report(now)))

    def orders(self, _orders: Iterable[Any], _now: float) -> list[Publication]:
        return []

    def closing(self) -> list[Publication]:
        return [self.will]

    def receive(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        if topic == self._all_danger:
            self._end.take_all_danger(payload, now)
        elif retained:
            self._end.rejected["retained"] += 1
        elif topic == self._order:
            self._node.ordered.append(payload)
            for arrived in self._node.inward.through(payload):
                self._end.take_order(arrived, now)
        else:
            self._end.take_identify(payload)
        if self._end.due:
            self._node.wake()

    def check(self, now: float) -> None:
        self._end.check(now)


class PyNode:
    """A node on a broker, as an asynchronous context manager; it connects again for ever."""

    def __init__(
        self,
        base: str,
        name: str,
        serial: str,
        at_rest: Orders,
        *,
        period: float = 0.25,
        **options: Any,
    ) -> None:
        self.addresses = Addresses(base)
        self.end = NodeEnd(name, serial, at_rest)
        self.period = period
        self.frozen = False
        """Whether it says nothing, and keeps its connection."""
        self.outward, self.inward = Trouble(), Trouble()
        self.said: list[tuple[str, bytes]] = []
        """What it has published, in order."""
        self.ordered: list[bytes] = []
        """What orders it has received, in order."""
        self._options = Options.read(
            TransportSettings(name=name, options={"schema": 1, **options}, devices=())
        )
        self.link: Link | None = None
        self._task: asyncio.Task[None] | None = None
        self.wake = lambda: None

    def report(self, kind: str, **states: str | None) -> None:
        """Read something new at some inputs, and say so."""
        self.end.reports.setdefault(kind, {}).update(states)
        self.wake()

    @property
    def shown(self) -> dict[str, Any]:
        """The outputs as they are now."""
        self.end.check(asyncio.get_running_loop().time())
        return self.end.outputs

    def publication(self, message: Any) -> Publication:
        topic = self.addresses.of(type(message), self.end.name)
        payload = encode(message)
        if isinstance(message, NodeReport):
            self.said.append((topic, payload))
        return Publication(topic=topic, payload=payload)

    async def vanish(self) -> None:
        """Go as in a power cut: the connection ends without a word."""
        assert self._task is not None
        assert self.link is not None
        await self.link.session.break_off()
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run(), name=f"node {self.end.name}")
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def _run(self) -> None:
        first = True
        while True:
            if not first:
                self.end.begin()
            first = False
            link = self.link = Link(self._options, self._converse)
            try:
                await link.open()
                await link.wait_lost()
            except LinkError:
                await asyncio.sleep(0.05)
            finally:
                await link.close()

    def _converse(self, wake: Any) -> _Talk:
        self.wake = wake
        return _Talk(self)
