"""Messages in the user's own terms: a topic, a payload, a value map for each device.

Law of this file: what is said and heard on one connection, and when; what a
message means is for ``incoming`` and ``topics``.

We say of ourselves on ``{base}/controller``, retained: ``online`` again and
again while we run, which also proves that the broker is alive; ``offline``
when we stop, or through our will when we vanish.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from transports.mqtt.incoming import Incoming
from transports.mqtt.presence import OFFLINE, ONLINE, Publisher
from transports.mqtt.session import Publication
from transports.mqtt.topics import Routes, checked_topic

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from signalling.layout.words import Order
    from transports.mqtt.options import Options
    from transports.transport import LinkCounters, Sink, TransportSettings

__all__ = ["PlainBindings", "PlainConversation"]


class PlainBindings:
    """The publishers and the bindings of a transport. Raises ``ConfigurationError``."""

    def __init__(self, settings: TransportSettings, options: Options) -> None:
        self.publishers = {
            name: Publisher.make(settings.name, name, table)
            for name, table in options.publishers.items()
        }
        self.status = checked_topic(
            f"transport {settings.name}, base", f"{options.base}/controller"
        )
        self.routes = Routes.make(
            settings.name, options.base, settings.devices, self.publishers, self.status
        )
        self._options = options

    def converse(
        self, sink: Sink, counters: LinkCounters, wake: Callable[[], None]
    ) -> PlainConversation:
        """Return what serves one opening of the link."""
        return PlainConversation(self, self._options, sink, counters, wake)


class PlainConversation:
    """One opening. ``wake`` is called when there is something to say before the next turn."""

    def __init__(
        self,
        bindings: PlainBindings,
        options: Options,
        sink: Sink,
        counters: LinkCounters,
        wake: Callable[[], None],
    ) -> None:
        self._orders = bindings.routes.orders
        self._silence = options.timing.silence
        self._wake = wake
        self._online, self.will = (
            Publication(topic=bindings.status, payload=word.encode(), retain=True)
            for word in (ONLINE, OFFLINE)
        )
        self._to_ask = {
            publisher.name: publisher.poll
            for publisher in bindings.publishers.values()
            if publisher.poll is not None
        }
        self._incoming = Incoming(
            bindings.routes.reports,
            bindings.publishers,
            say=sink,
            rejected=counters.rejected,
            poll=self._ask,
            limit=options.payload_limit,
        )
        self.next_turn = 0.0

    @property
    def topics(self) -> Sequence[str]:
        """Topics of presence and of reports."""
        return self._incoming.topics

    @property
    def next_deadline(self) -> float | None:
        """When a publisher must have been heard again."""
        return self._incoming.presence.next_deadline

    def opening(self, now: float) -> list[Publication]:
        """Say that we are there, and ask those who are to be asked."""
        return self.turn(now)

    def turn(self, now: float) -> list[Publication]:
        """Say the same again."""
        self.next_turn = now + self._silence
        to_ask, self._to_ask = self._to_ask, {}
        return [self._online, *to_ask.values()]

    def orders(self, orders: Iterable[Order], _now: float) -> list[Publication]:
        """Say each order on its topic."""
        return [self._orders[order.device][order.value] for order in orders]

    def closing(self) -> list[Publication]:
        """Say that we are off."""
        return [self.will]

    def receive(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """Take a message."""
        self._incoming.take(topic, payload, now, retained=retained)

    def check(self, now: float) -> None:
        """Take it that publishers that are overdue have gone."""
        self._incoming.presence.check(now)

    def _ask(self, publisher: Publisher) -> None:
        """Let a publisher be asked for the state of its devices."""
        if publisher.poll is not None:
            self._to_ask[publisher.name] = publisher.poll
            self._wake()
