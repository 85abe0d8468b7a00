"""Which topics devices report on and are ordered on.

Law of this file: bindings to topics and formats, checked as a whole, before
anything is connected. Several devices may share a topic to report on, each
with a pointer of its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from attrs import evolve, frozen

from signalling.errors import ConfigurationError
from transports.mqtt.payload import OrderFormat, ReportFormat
from transports.mqtt.session import Publication
from transports.tables import checked_keys, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from signalling.layout.words import BoundDevice, Device

__all__ = ["ReportRoute", "Routes", "TextPublications", "checked_topic"]

_LONGEST = 65_535
"""Bytes of a topic (MQTT 3.1.1, 1.5.3)."""

_REPORT_KEYS = ("topic", "pointer", "values", "publisher", "optional")
_ORDER_KEYS = ("topic", "pointer", "template", "values", "retain", "qos")


@frozen
class ReportRoute:
    """What a message on a topic says of one device."""

    device: Device
    format: ReportFormat
    publisher: str | None
    """The publisher by whose life the device's reports stand and fall."""


@frozen
class Routes:
    """Where every device of a transport reports and is ordered."""

    reports: Mapping[str, tuple[ReportRoute, ...]]
    """By topic."""
    orders: Mapping[Device, Mapping[str, Publication]]
    """By device and word."""

    @classmethod
    def make(
        cls,
        transport: str,
        base: str,
        devices: Iterable[BoundDevice],
        publishers: Iterable[str],
        ours: Iterable[str],
    ) -> Routes:
        """Return the routes of the devices; ``ours`` are topics that no device may have.

        Raises ``ConfigurationError``.
        """
        reports: dict[str, list[ReportRoute]] = {}
        orders: dict[Device, Mapping[str, Publication]] = {}
        publishers, ours = tuple(publishers), frozenset(ours)
        for bound in devices:
            thing = f"transport {transport}, {bound.device}"
            if bound.reports:
                topic, route = _report(thing, base, bound, publishers)
                if topic in ours:
                    raise ConfigurationError(
                        f"{thing}, report",
                        f"Its reports come on {topic!r}, which is not for reports.",
                        "Give them a topic of their own.",
                    )
                reports.setdefault(topic, []).append(route)
            if bound.orders:
                orders[bound.device] = _orders(thing, base, bound)
        _check_told_apart(transport, reports)
        _check_apart(transport, orders, {*reports, *ours})
        return cls({topic: tuple(routes) for topic, routes in reports.items()}, orders)


def _report(
    thing: str, base: str, bound: BoundDevice, publishers: tuple[str, ...]
) -> tuple[str, ReportRoute]:
    table = bound.report
    _check_no_node(f"{thing}, report", table)
    checked_keys(f"{thing}, report", table, _REPORT_KEYS)
    device = bound.device
    topic = checked_topic(
        f"{thing}, report", table.get("topic", f"{base}/report/{device.kind}/{device.name}")
    )
    publisher = table.get("publisher")
    if publisher is not None and publisher not in publishers:
        raise ConfigurationError(
            f"{thing}, report",
            f"There is no publisher {publisher!r}.",
            f"The transport's publishers are: {', '.join(publishers) or 'none'}.",
        )
    optional = _flag(f"{thing}, report", table, "optional")
    form = ReportFormat.make(
        f"{thing}, report", bound.reports, table, optional=optional, texts=bound.texts
    )
    return topic, ReportRoute(device, form, publisher)


def _orders(thing: str, base: str, bound: BoundDevice) -> dict[str, Publication]:
    table, thing = bound.order, f"{thing}, order"
    _check_no_node(thing, table)
    checked_keys(thing, table, _ORDER_KEYS)
    device = bound.device
    topic = checked_topic(thing, table.get("topic", f"{base}/order/{device.kind}/{device.name}"))
    retain = _flag(thing, table, "retain")
    qos = table.get("qos", 1)
    if qos not in (0, 1, 2) or isinstance(qos, bool):
        raise ConfigurationError(thing, f"qos is {qos!r}.", "Write 1, or 0 or 2.")
    form = OrderFormat.make(thing, bound.orders, table)
    said = {
        word: Publication(topic=topic, payload=payload, retain=retain, qos=qos)
        for word, payload in form.payloads.items()
    }
    return TextPublications(said, form) if bound.texts else said


class TextPublications(dict[str, Publication]):
    """What a device is told that is told any text: its words, and all others as they come."""

    def __init__(self, said: Mapping[str, Publication], form: OrderFormat) -> None:
        super().__init__(said)
        self._form = form
        self._like = next(iter(said.values()))

    def __missing__(self, text: str) -> Publication:
        return evolve(self._like, payload=self._form.text(text))

    def word(self, payload: bytes) -> str | None:
        """Return what a payload tells it; ``None`` where that cannot be read."""
        for word, publication in self.items():
            if publication.payload == payload:
                return word
        return self._form.read(payload)


def _check_no_node(thing: str, table: Mapping[str, Any]) -> None:
    if "node" in table:
        raise ConfigurationError(
            thing,
            "It names a node, but the transport has no schema in which nodes speak.",
            "Write schema = 1 in the transport's table; or take node out, and give a topic.",
        )


def _check_told_apart(transport: str, reports: Mapping[str, list[ReportRoute]]) -> None:
    """Refuse one message that would say the same of several detectors or turnouts.

    (Several switches may well be one.)
    """
    for topic, routes in reports.items():
        for index, route in enumerate(routes):
            kind = route.device.kind
            same = [
                other.device
                for other in routes[:index]
                if other.device.kind == kind and other.format == route.format
            ]
            if same and kind in {"detector", "turnout"}:
                raise ConfigurationError(
                    f"transport {transport}, {route.device}, report",
                    f"The same message on {topic!r} would report {same[0]}, too.",
                    "Give each a topic or a pointer of its own; {name} stands for its name.",
                )


def _check_apart(
    transport: str,
    orders: Mapping[Device, Mapping[str, Publication]],
    others: set[str],
) -> None:
    """Refuse orders that could be taken for another device's, or for a report."""
    taken: dict[tuple[str, bytes], Device] = {}
    for device, publications in orders.items():
        for publication in publications.values():
            if publication.topic in others:
                raise ConfigurationError(
                    f"transport {transport}, {device}, order",
                    f"Orders go to {publication.topic!r}, which is not for orders: "
                    "they would be heard as reports or requests.",
                    "Give them a topic of their own.",
                )
            other = taken.setdefault((publication.topic, publication.payload), device)
            if other != device:
                raise ConfigurationError(
                    f"transport {transport}, {device}, order",
                    f"An order cannot be told from one for {other}, on {publication.topic!r}.",
                    "Give each device a topic of its own; {name} stands for its name.",
                )


def _flag(thing: str, table: Mapping[str, Any], key: str) -> bool:
    value = table.get(key, False)
    if not isinstance(value, bool):
        raise ConfigurationError(thing, f"{key} is {value!r}.", "Write true or false.")
    return value


def checked_topic(thing: str, topic: Any) -> str:
    """Return a topic that a message can have. Raises ``ConfigurationError``."""
    name = text(thing, {"topic": topic}, "topic")
    # MQTT 3.1.1, 4.7: no wildcards in a topic name, no U+0000; '$' is the broker's own.
    if any(sign in name for sign in "+#\0") or name.startswith("$"):
        raise ConfigurationError(
            thing,
            f"{name!r} is not the topic of a message.",
            "Write it without '+' and '#', and not beginning with '$'; "
            "{name} and {kind} stand for the device's.",
        )
    if "{" in name or "}" in name:
        raise ConfigurationError(
            thing,
            f"{name!r} has a placeholder that stands for nothing.",
            "Write {name} or {kind}.",
        )
    if len(name.encode()) > _LONGEST:
        raise ConfigurationError(thing, "The topic is too long.", "Write a shorter one.")
    return name
