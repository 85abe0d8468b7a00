"""The MQTT transport: a link to a broker, and what is said on it.

Law of this file: the protocol of transports, and the choice of what is said:
in the user's own terms, or by our own schema. The connection is ``link``'s
affair, what a message means the conversation's, and policy the supervisor's.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from signalling.errors import LinkError
from transports.mqtt.link import Link
from transports.mqtt.listening import MqttListener
from transports.mqtt.options import Options
from transports.mqtt.own.conversation import OwnBindings, OwnConversation
from transports.mqtt.own.reading import OwnReader, own_topics
from transports.mqtt.plain import PlainBindings
from transports.mqtt.reading import PlainReader, plain_topics
from transports.transport import LinkCounters, nobody_asks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from signalling.layout.asking import Answer
    from signalling.layout.words import Order
    from transports.listen import Hear
    from transports.mqtt.conversation import Conversation
    from transports.mqtt.listening import Reader
    from transports.mqtt.own.nodes import NodeInfo
    from transports.requests import RequestSink
    from transports.transport import Reach, Sink, TransportSettings

__all__ = ["MqttTransport"]


class MqttTransport:
    """A transport over an MQTT broker.

    Raises ``ConfigurationError`` where its table or a binding cannot be used.
    """

    def __init__(self, settings: TransportSettings) -> None:
        self.name = settings.name
        self.counters = LinkCounters()
        self._options = options = Options.read(settings)
        self._bindings: OwnBindings | PlainBindings
        if options.schema is None:
            self._bindings = PlainBindings(settings, options)
        else:
            self._bindings = OwnBindings(settings, options)
        self._link: Link | None = None
        self._reach: Reach = nobody_asks
        self._request_sink: RequestSink | None = None

    def watch_reach(self, reach: Reach) -> None:
        """Say from now on to which devices at nodes of our own schema orders do not get through.

        Of hardware with topics of its own nothing is known.
        """
        self._reach = reach

    def take_requests(self, sink: RequestSink) -> None:
        """Deliver requests from the next opening on."""
        self._request_sink = sink

    async def open(self, sink: Sink) -> None:
        """Connect, listen, and say that we are there."""
        await self.close()
        bindings, counters, reach = self._bindings, self.counters, self._reach
        asked = self._request_sink

        def converse(wake: Callable[[], None]) -> Conversation:
            if isinstance(bindings, OwnBindings):
                return bindings.converse(sink, counters, wake, reach=reach, asked=asked)
            return bindings.converse(sink, counters, wake, asked)

        link = Link(self._options, converse)
        await link.open()
        self._link = link

    async def wait_lost(self) -> None:
        """Return when the connection has gone; raise ``LinkError`` when the broker is silent."""
        if self._link is not None:
            await self._link.wait_lost()

    async def send(self, orders: Iterable[Order]) -> None:
        """Publish orders, and return when the broker has acknowledged them."""
        if self._link is None:
            raise LinkError("the connection is not open")
        orders = tuple(orders)
        await self._link.send(orders)
        self.counters.sent += len(orders)

    async def tell(self, answers: Iterable[Answer]) -> None:
        """Publish what has become of requests, and return when the broker has acknowledged it."""
        if self._link is None:
            raise LinkError("the connection is not open")
        await self._link.tell(answers)

    async def close(self) -> None:
        """Say that we are off, as far as the broker listens, and disconnect."""
        link, self._link = self._link, None
        if link is not None:
            await link.close()

    def listener(self, hear: Hear, more: Sequence[str] = ()) -> MqttListener:
        """Return what listens at the broker without a word; ``more`` are topic filters."""
        bindings, options = self._bindings, self._options
        reading: Callable[[Sink, LinkCounters], Reader]
        if isinstance(bindings, OwnBindings):
            topics, reading = own_topics(bindings), partial(OwnReader, bindings)
        else:
            topics, reading = plain_topics(bindings), partial(PlainReader, bindings, options)
        return MqttListener(
            self.name, options, topics=topics, more=more, reading=reading, hear=hear
        )

    @property
    def nodes(self) -> Mapping[str, NodeInfo]:
        """What is known of each node of our own schema, by its name, while the link is open."""
        conversation = None if self._link is None else self._link.conversation
        return conversation.nodes if isinstance(conversation, OwnConversation) else {}

    def identify(self, node: str, serial: str | None = None, seconds: int = 10) -> None:
        """Let a node blink; of several boards with one name the one that has this serial.

        Raises ``ValueError`` where no such node is bound, ``LinkError`` where
        the link is not open.
        """
        if self._link is None:
            raise LinkError("the connection is not open")
        conversation = self._link.conversation
        if not isinstance(conversation, OwnConversation):
            raise ValueError("nodes can be found only where the transport has schema = 1")  # noqa: TRY004 - it is about the name
        conversation.identify(node, serial, seconds)
