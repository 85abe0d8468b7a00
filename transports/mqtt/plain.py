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
from transports.mqtt.requests import PlainRequests, RequestTopics
from transports.mqtt.session import Publication
from transports.mqtt.topics import Routes, checked_topic

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from signalling.layout.asking import Answer
    from signalling.layout.words import Order
    from transports.mqtt.options import Options
    from transports.requests import RequestSink
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
        self.requests = RequestTopics.under(options.base) if options.requests else None
        ours = (self.status, *(() if self.requests is None else self.requests.all))
        self.routes = Routes.make(
            settings.name, options.base, settings.devices, self.publishers, ours
        )
        self._options = options

    def converse(
        self,
        sink: Sink,
        counters: LinkCounters,
        wake: Callable[[], None],
        asked: RequestSink | None,
    ) -> PlainConversation:
        """Return what serves one opening of the link; requests go to ``asked``."""
        return PlainConversation(self, self._options, sink, counters, wake, asked=asked)


class PlainConversation:
    """One opening. ``wake`` is called when there is something to say before the next turn."""

    def __init__(
        self,
        bindings: PlainBindings,
        options: Options,
        sink: Sink,
        counters: LinkCounters,
        wake: Callable[[], None],
        *,
        asked: RequestSink | None,
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
        self._requests: PlainRequests | None = None
        self._request_topic = ""
        if asked is not None and bindings.requests is not None:
            self._requests = PlainRequests(bindings.requests, asked, counters.rejected)
            self._request_topic = bindings.requests.request
        self.next_turn = 0.0

    @property
    def topics(self) -> Sequence[str]:
        """Topics of presence, of reports, and of requests where any may be made."""
        topics = self._incoming.topics
        return (*topics, self._request_topic) if self._request_topic else topics

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
        said = [self._online, *to_ask.values()]
        return said if self._requests is None else [*said, self._requests.listening(now)]

    def orders(self, orders: Iterable[Order], _now: float) -> list[Publication]:
        """Say each order on its topic."""
        return [self._orders[order.device][order.value] for order in orders]

    def answers(self, answers: Iterable[Answer]) -> list[Publication]:
        """Say what has become of requests."""
        return [] if self._requests is None else self._requests.answers(answers)

    def closing(self) -> list[Publication]:
        """Say that we are off."""
        return [self.will]

    def receive(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """Take a message."""
        if self._requests is not None and topic == self._request_topic:
            self._requests.take(payload, now, retained=retained)
            return
        self._incoming.take(topic, payload, now, retained=retained)

    def check(self, now: float) -> None:
        """Take it that publishers that are overdue have gone."""
        self._incoming.presence.check(now)

    def _ask(self, publisher: Publisher) -> None:
        """Let a publisher be asked for the state of its devices."""
        if publisher.poll is not None:
            self._to_ask[publisher.name] = publisher.poll
            self._wake()
