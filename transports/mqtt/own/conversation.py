"""The controller's side of our own schema: what is said to nodes and heard from them.

Law of this file: one opening of a link; topics, payloads, orders and times in,
reports and publications out. What a node says and is told is for ``node``.

Nothing is retained. The state of all that a node works is said to it again and
again, with the number of the newest message that was heard from it. Our last
will, and the first and the last thing that we say, is danger for all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from signalling.errors import RejectedInputError
from transports.mqtt.own.addresses import Addresses
from transports.mqtt.own.bindings import bind
from transports.mqtt.own.codec import (
    AllDanger,
    Gone,
    Identify,
    NodeReport,
    decode,
    encode,
    prepare,
)
from transports.mqtt.own.node import Node
from transports.mqtt.own.numbers import new_session
from transports.mqtt.own.requests import OwnRequests
from transports.mqtt.session import Publication
from transports.mqtt.topics import checked_topic
from transports.transport import nobody_asks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from signalling.layout.asking import Answer
    from signalling.layout.words import Order
    from transports.mqtt.options import Options
    from transports.mqtt.own.codec import NodeOrder
    from transports.mqtt.own.nodes import NodeInfo
    from transports.requests import RequestSink
    from transports.transport import LinkCounters, Reach, Sink, TransportSettings

__all__ = ["OwnBindings", "OwnConversation"]

Said = TypeVar("Said", NodeReport, Gone)

PERIOD = 0.25
"""Seconds after which both sides say everything again, at the latest."""
REPEATS = 4
"""How many times everything is said within the time for which it holds good, at the least."""
TRIAL = 3 * PERIOD
"""Seconds for which a board must be alone of its name before it is believed."""

_DEFECTS = ("not-json", "repeated-key", "not-in-schema")
"""Why a message is turned away that came whole and can be nothing but its publisher's fault."""


class OwnBindings:
    """What a transport binds to nodes. Raises ``ConfigurationError``."""

    def __init__(self, settings: TransportSettings, options: Options) -> None:
        self.name = settings.name
        self.nodes = bind(settings.name, settings.devices)
        self.node_of = {device: node.name for node in self.nodes.values() for device in node.orders}
        self.addresses = Addresses(options.base)
        self.requests = options.requests
        checked_topic(f"transport {settings.name}, base", options.base)
        self._options = options

    def converse(
        self,
        sink: Sink,
        counters: LinkCounters,
        wake: Callable[[], None],
        *,
        reach: Reach = nobody_asks,
        asked: RequestSink | None = None,
    ) -> OwnConversation:
        """Return what serves one opening of the link; requests go to ``asked``."""
        return OwnConversation(self, self._options, sink, counters, wake, reach=reach, asked=asked)


class OwnConversation:
    """One opening.

    ``wake`` is called when there is something to say before the next turn, and
    ``reach`` with the devices of the nodes to which orders do not get through.
    """

    def __init__(
        self,
        bindings: OwnBindings,
        options: Options,
        sink: Sink,
        counters: LinkCounters,
        wake: Callable[[], None],
        *,
        reach: Reach,
        asked: RequestSink | None,
    ) -> None:
        prepare()
        self._addresses = bindings.addresses
        self._node_of = bindings.node_of
        self._session = new_session()
        self._rejected = counters.rejected
        self._wake = wake
        self._reach = reach
        self._unreached: frozenset[str] | None = None
        self._period = min(PERIOD, options.within / REPEATS, options.timing.refresh)
        # The logic behind the orders speaks at least once within this time, if it runs.
        self._patience = options.timing.lost_after
        self._told_at = 0.0
        self._waiting: list[Publication] = []
        self._nodes = {
            binding.name: Node(
                bindings.name,
                binding,
                self._session,
                within=options.within,
                trial=TRIAL,
                say=sink,
                rejected=counters.rejected,
            )
            for binding in bindings.nodes.values()
        }
        self._listening: dict[str, Callable[[bytes, float], None]] = {}
        for node in self._nodes.values():
            self._listen(Gone, node, self._take_gone)
        for node in self._nodes.values():
            self._listen(NodeReport, node, self._take_report)
        self._requests: OwnRequests | None = None
        if asked is not None:
            self._requests = OwnRequests(
                bindings.addresses, self._session, asked, counters.rejected
            )
        self.next_turn = 0.0
        self.will = self._all_danger()
        self._say_reach()

    @property
    def nodes(self) -> dict[str, NodeInfo]:
        """What is known of each node, by its name."""
        return {name: node.watch.info for name, node in self._nodes.items()}

    @property
    def topics(self) -> Sequence[str]:
        """The topics of all nodes that the layout names, of their wills first; then of askers."""
        topics = tuple(self._listening)
        return topics if self._requests is None else (*topics, self._requests.topic)

    @property
    def next_deadline(self) -> float | None:
        """When a node must have been heard again."""
        deadlines = (node.watch.deadline for node in self._nodes.values())
        return min((each for each in deadlines if each is not None), default=None)

    # -- what is said

    def opening(self, now: float) -> list[Publication]:
        """Put everything to danger, and let every node know who we are."""
        self._told_at = now
        return [self.will, *self.turn(now)]

    def turn(self, now: float) -> list[Publication]:
        """Tell each node its orders again that has not been told for a while, or waits."""
        said, self._waiting = self._waiting, []
        again = now >= self.next_turn
        if again:
            self.next_turn = now + self._period
        vouched = now < self._told_at + self._patience
        for node in self._nodes.values():
            if again or node.due:
                said.append(self._order(node.order(now, vouched=vouched)))
        if self._requests is not None:
            said += self._requests.listening(now)
        return said

    def orders(self, orders: Iterable[Order], now: float) -> list[Publication]:
        """Tell each node its new orders.

        Orders for one node that come one after another are one message. Others
        are not drawn together: what restricts goes before what relaxes.
        """
        self._told_at = now
        said: list[Publication] = []
        before: Node | None = None
        for order in orders:
            node = self._nodes[self._node_of[order.device]]
            if before is not None and before is not node and before.changed:
                said.append(self._order(before.order(now, vouched=True)))
            node.put(order)
            before = node
        if before is not None and before.changed:
            said.append(self._order(before.order(now, vouched=True)))
        return said

    def answers(self, answers: Iterable[Answer]) -> list[Publication]:
        """Tell askers what has become of their requests."""
        return [] if self._requests is None else self._requests.answers(answers)

    def closing(self) -> list[Publication]:
        """Put everything to danger."""
        return [self.will]

    def identify(self, node: str, serial: str | None, seconds: int) -> None:
        """Let a node blink. Raises ``ValueError`` where no such node is bound."""
        if node not in self._nodes:
            raise ValueError(f"there is no node {node!r}; the nodes are: {', '.join(self._nodes)}")
        message = Identify(node=node, session=self._session, serial=serial, seconds=seconds)
        self._waiting.append(
            Publication(topic=self._addresses.of(Identify, node), payload=encode(message))
        )
        self._wake()

    def _order(self, order: NodeOrder) -> Publication:
        topic = self._addresses.of(type(order), order.node)
        return Publication(topic=topic, payload=encode(order))

    def _all_danger(self, node: str | None = None) -> Publication:
        message = AllDanger(session=self._session, node=node)
        return Publication(topic=self._addresses.of(AllDanger), payload=encode(message))

    # -- what is heard

    def receive(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """Take a message."""
        self.check(now)
        take = self._listening.get(topic)
        asker = None if self._requests is None or take else self._requests.asker_of(topic)
        if take is None and asker is None:
            return
        if retained:
            # Nobody retains anything here: it is from another time.
            self._rejected["retained"] += 1
        elif take is not None:
            take(payload, now)
            self._say_reach()
        elif self._requests is not None and asker is not None:
            self._requests.take(asker, payload, now)

    def check(self, now: float) -> None:
        """Take it that nodes that are overdue are not known any more."""
        for node in self._nodes.values():
            node.watch.check(now)
            node.forget_unless_believed()
        self._say_reach()

    def _say_reach(self) -> None:
        """Say which devices' orders do not get through, where that has changed."""
        unreached = frozenset(name for name, node in self._nodes.items() if not node.watch.reached)
        if unreached != self._unreached:
            self._unreached = unreached
            self._reach(
                frozenset(device for device, name in self._node_of.items() if name in unreached)
            )

    def _take_report(self, node: Node, report: NodeReport, now: float) -> None:
        was_doubled = node.watch.doubled
        node.take(report, now)
        if node.watch.doubled and not was_doubled:
            # Nobody can say which of them obeys, so that none may.
            self._waiting.append(self._all_danger(node.name))
        if node.due or self._waiting:
            self._wake()

    def _take_gone(self, node: Node, gone: Gone, now: float) -> None:
        node.watch.take_gone(gone, now)
        node.forget_unless_believed()

    def _listen(
        self, cls: type[Said], node: Node, take: Callable[[Node, Said, float], None]
    ) -> None:
        def read(payload: bytes, now: float) -> None:
            try:
                message = decode(cls, payload)
            except RejectedInputError as error:
                self._rejected[error.reason] += 1
                if error.reason in _DEFECTS:
                    node.defective()
                return
            if message.node == node.name:
                take(node, message, now)
            else:
                self._rejected["another-node"] += 1

        self._listening[self._addresses.of(cls, node.name)] = read
