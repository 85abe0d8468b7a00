"""What a message in the user's own terms says, told to one who listens.

Law of this file: no connection and no clock; a message in, an arrival out.
Whether a report counts is asked of ``incoming``, which decides it for the layout
when it runs; here is only added what there was to be read, and why it does not
count.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from signalling.errors import RejectedInputError
from transports.listen import Arrival, Meaning
from transports.mqtt.incoming import Incoming
from transports.mqtt.payload import read_json
from transports.mqtt.places import places
from transports.mqtt.topics import TextPublications

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

    from signalling.layout.words import Device, Report
    from transports.mqtt.options import Options
    from transports.mqtt.plain import PlainBindings
    from transports.mqtt.topics import ReportRoute
    from transports.transport import LinkCounters, Sink

__all__ = ["PlainReader", "plain_topics", "unbound"]


def plain_topics(bindings: PlainBindings) -> tuple[str, ...]:
    """Return every topic on which something bound is said or told."""
    orders = (each.topic for words in bindings.routes.orders.values() for each in words.values())
    presence = (each.topic for each in bindings.publishers.values() if each.topic is not None)
    ours = (bindings.status, *(() if bindings.requests is None else bindings.requests.all))
    return tuple(dict.fromkeys((*ours, *presence, *bindings.routes.reports, *orders)))


_LOOKED_INTO = 8192
"""Bytes of JSON that is bound to nothing: a device says its state in fewer, and many are kept."""


def unbound(topic: str, payload: bytes, *, retained: bool) -> Arrival:
    """Return what arrived on a topic to which nothing is bound; of JSON, place by place."""
    values = places(payload, _LOOKED_INTO)
    return Arrival(
        place=topic,
        raw=payload,
        text=True,
        kept=retained,
        message="JSON" if values else "",
        values=values,
        unbound=tuple(values),
        content=(payload, retained),
    )


class PlainReader:
    """One opening of a link, read by somebody who only listens."""

    def __init__(
        self, bindings: PlainBindings, options: Options, sink: Sink, counters: LinkCounters
    ) -> None:
        self._reports = bindings.routes.reports
        self._orders: dict[str, list[tuple[Device, Callable[[bytes], str | None]]]] = {}
        for device, publications in bindings.routes.orders.items():
            topic = next(iter(publications.values())).topic
            # Of two words that are told alike, the more restrictive, which comes first.
            words = {each.payload: word for word, each in reversed(list(publications.items()))}
            known = publications.word if isinstance(publications, TextPublications) else words.get
            self._orders.setdefault(topic, []).append((device, known))
        self._publishers = {
            each.topic: each for each in bindings.publishers.values() if each.topic is not None
        }
        self._status = bindings.status
        self._requests = bindings.requests
        self._limit = options.payload_limit
        self._sink = sink
        self._counted: dict[Device, str | None] = {}
        self._incoming = Incoming(
            bindings.routes.reports,
            bindings.publishers,
            say=self._say,
            rejected=counters.rejected,
            poll=lambda _: None,
            limit=options.payload_limit,
        )

    @property
    def next_deadline(self) -> float | None:
        """When a publisher must have been heard again."""
        return self._incoming.presence.next_deadline

    def check(self, now: float) -> None:
        """Take it that publishers that are overdue have gone."""
        self._incoming.presence.check(now)

    def read(self, topic: str, payload: bytes, now: float, *, retained: bool) -> Arrival:
        """Return what a message says."""
        self._counted.clear()
        self._incoming.take(topic, payload, now, retained=retained)
        reports = [
            self._report(route, payload, retained=retained)
            for route in self._reports.get(topic, ())
        ]
        message, values = self._about(topic, payload)
        content: Hashable = (payload, retained)
        if self._requests is not None and topic == self._requests.listening:
            # That its number counts on is nothing new.
            values.pop("/seq", None)
            content = (tuple(values.items()), retained)
        told = self._told(topic, payload)
        if not (message or reports or told):
            return unbound(topic, payload, retained=retained)
        return Arrival(
            place=topic,
            raw=payload,
            text=True,
            kept=retained,
            message=message,
            values=values,
            meanings=(*reports, *told),
            known=bool(message),
            content=content,
        )

    def _say(self, report: Report) -> None:
        self._counted[report.device] = report.value
        self._sink(report)

    def _report(self, route: ReportRoute, payload: bytes, *, retained: bool) -> Meaning:
        device = route.device
        counted = self._counted.get(device)
        if counted is not None:
            return Meaning(device=device, value=counted)
        value: str | None = None
        try:
            if len(payload) > self._limit:
                raise RejectedInputError(  # noqa: TRY301 - told below
                    "oversized", f"over {self._limit} bytes"
                )
            value = route.format.decode(payload, lambda: read_json(payload))
            reason = "" if value is None else "retained"
        except RejectedInputError as error:
            reason = str(error) if payload else "empty"
        if value is None and not reason:
            reason = "says nothing of it"
        elif value is not None and route.publisher is not None and retained:
            reason = f"retained, and publisher {route.publisher} is not known to be alive"
        return Meaning(device=device, value=value, reason=reason)

    def _told(self, topic: str, payload: bytes) -> list[Meaning]:
        """Return the orders that a message is; several devices may share its topic."""
        bound = self._orders.get(topic, ())
        found = [
            Meaning(device=device, order=True, value=word)
            for device, known in bound
            if (word := known(payload)) is not None
        ]
        return found or [
            Meaning(device=device, order=True, value=None, reason="unknown-value")
            for device, _ in bound
        ]

    def _about(self, topic: str, payload: bytes) -> tuple[str, dict[str, Any]]:
        """Return what a message is that is about no device."""
        if self._requests is not None and topic in self._requests.all:
            return topic.rpartition("/")[2], places(payload, self._limit)
        if topic == self._status:
            return "controller", {"says": payload[: self._limit].decode(errors="replace")}
        publisher = self._publishers.get(topic)
        if publisher is None:
            return "", {}
        try:
            says = publisher.format.decode(payload, lambda: read_json(payload)) or ""
        except RejectedInputError as error:
            says = str(error)
        return f"publisher {publisher.name}", {"says": says}
