"""From a message to reports.

Law of this file: no connection and no clock; topic, payload and time in,
reports out. What cannot be read for certain is counted, and what it was about
is unknown from then on: its last report does not outlive it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from signalling.errors import RejectedInputError
from signalling.layout.words import Device, Report
from transports.mqtt.payload import read_json
from transports.mqtt.presence import ONLINE, Presence, Publisher

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable, Mapping

    from transports.mqtt.topics import ReportRoute

__all__ = ["Incoming"]


class Incoming:
    """What arrives on one connection.

    ``routes`` gives what to read on each topic, ``say`` takes the reports that
    count, ``rejected`` counts what was turned away, ``poll`` is called with a
    publisher that is to be asked for the state of its devices, and ``limit`` is
    the longest payload, in bytes.
    """

    def __init__(
        self,
        routes: Mapping[str, tuple[ReportRoute, ...]],
        publishers: Mapping[str, Publisher],
        *,
        say: Callable[[Report], None],
        rejected: Counter[str],
        poll: Callable[[Publisher], None],
        limit: int,
    ) -> None:
        self._routes = routes
        self._say = say
        self._rejected = rejected
        self._limit = limit
        devices: dict[str, tuple[Device, ...]] = {}
        for route in (route for on_topic in routes.values() for route in on_topic):
            if route.publisher is not None:
                devices[route.publisher] = (*devices.get(route.publisher, ()), route.device)
        self.presence = Presence(publishers.values(), devices, say, poll)
        self._presence: dict[str, list[Publisher]] = {}
        for publisher in publishers.values():
            if publisher.topic is not None:
                self._presence.setdefault(publisher.topic, []).append(publisher)

    @property
    def topics(self) -> tuple[str, ...]:
        """Every topic to listen to; of presence first, so that it is heard before reports."""
        return tuple(dict.fromkeys((*self._presence, *self._routes)))

    def take(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """Take a message; ``now`` is the loop's time."""
        self.presence.check(now)
        document = _Document(payload)
        for publisher in self._presence.get(topic, ()):
            self._take_presence(publisher, payload, document, now, retained=retained)
        for route in self._routes.get(topic, ()):
            self._take_report(route, payload, document, now, retained=retained)

    def _take_presence(
        self,
        publisher: Publisher,
        payload: bytes,
        document: _Document,
        now: float,
        *,
        retained: bool,
    ) -> None:
        try:
            online = bool(payload) and self._decoded(publisher, payload, document) == ONLINE
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            online = False
        if online:
            self.presence.said_online(publisher.name, now, retained=retained)
        else:
            self.presence.gone(publisher.name)

    def _take_report(
        self,
        route: ReportRoute,
        payload: bytes,
        document: _Document,
        now: float,
        *,
        retained: bool,
    ) -> None:
        try:
            value = self._decoded(route, payload, document)
        except RejectedInputError as error:
            # An empty payload is how a retained message is cleared: legal, and says nothing.
            if payload:
                self._rejected[error.reason] += 1
            self._unknown(route)
            return
        if route.publisher is not None and not retained:
            self.presence.sign_of_life(route.publisher, now)
        if value is None:
            return
        if not retained:
            self._say(Report(route.device, value))
        elif route.publisher is None:
            self._rejected["retained"] += 1
        else:
            self.presence.hold(route.publisher, Report(route.device, value))

    def _unknown(self, route: ReportRoute) -> None:
        if route.publisher is not None:
            self.presence.drop(route.publisher, route.device)
        self._say(Report(route.device, None))

    def _decoded(
        self, reader: ReportRoute | Publisher, payload: bytes, document: _Document
    ) -> str | None:
        if len(payload) > self._limit:
            raise RejectedInputError("oversized")
        return reader.format.decode(payload, document)


class _Document:
    """A payload's JSON, read once for all who ask."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._read: Any = self

    def __call__(self) -> Any:
        if self._read is self:
            self._read = read_json(self._payload)
        return self._read
