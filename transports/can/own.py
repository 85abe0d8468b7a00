"""Bindings to ports of nodes of our own schema.

Law of this file: from ``{ node = 3, port = 5 }`` to a place in a frame, checked
as a whole; no bus. What a kind of device is in the schema stands in two tables
here; which number a word has is in the DBC, except what only the layout knows:
the aspects of a signal and the positions of an indicator.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import frozen

from signalling.errors import ConfigurationError
from transports.can.schema import LAST_NODE, Field, Shape, load_schema
from transports.tables import checked_keys, whole

if TYPE_CHECKING:
    from collections.abc import Iterable

    from signalling.layout.words import BoundDevice, Device

__all__ = ["OwnOrder", "OwnReport", "own_orders", "own_reports"]

_REPORTS: Mapping[str, tuple[str, str]] = {
    "detector": ("DetectorReport", "Port"),
    "turnout": ("TurnoutReport", "Port"),
    "danger": ("InputReport", "Port"),
    "override": ("InputReport", "Port"),
    "button": ("InputReport", "Port"),
    "lock": ("InputReport", "Port"),
    "lamps": ("SignalProof", "Lamps"),
    "indicator": ("SignalProof", "IndicatorLit"),
    "stop": ("StopProof", "Port"),
}
"""In which frame and field each kind of device reports."""

_ORDERS: Mapping[str, tuple[str, str]] = {
    "turnout": ("TurnoutOrder", "Port"),
    "indicator": ("SignalOrder", "Indicator"),
    "lock": ("LockOrder", "Port"),
    "signal": ("SignalOrder", "Aspect"),
    "stop": ("StopOrder", "Port"),
}
"""In which frame and field each kind of device is ordered."""

_INPUTS: Mapping[str, Mapping[str, str]] = {
    "danger": {"free": "rest", "danger": "operated"},
    "override": {"auto": "rest", "lit": "operated", "dark": "third"},
    "button": {"released": "rest", "pressed": "operated"},
    "lock": {"idle": "rest", "asked": "operated"},
}
"""What the words of switches and levers are among the positions of an input."""

_NUMBERED = ("signal", "indicator")
"""Kinds whose words the layout knows alone."""


@frozen(kw_only=True)
class _Place:
    """A port of a node, for one kind of device."""

    device: Device
    shape: Shape
    node: int
    port: int
    field: Field

    @property
    def group(self) -> int:
        """The group of ports that the frame speaks of."""
        return self.port // self.shape.ports


@frozen(kw_only=True)
class OwnReport(_Place):
    """Where a device's report is found."""

    words: Mapping[int, str]
    """The word of each number; numbers without one say that it is not known."""


@frozen(kw_only=True)
class OwnOrder(_Place):
    """Where a device's order goes."""

    bits: Mapping[str, int]
    """What each word is in the frame, at its place."""
    ranks: Mapping[str, int]
    """The place of each word among the others; the most restrictive has the first."""
    mask: int
    """The bits of the frame that are the device's."""


def own_reports(transport: str, devices: Iterable[BoundDevice]) -> tuple[OwnReport, ...]:
    """Return where the devices report. Raises ``ConfigurationError``."""
    found = []
    for bound in devices:
        thing = f"transport {transport}, {bound.device}, report"
        _check_carried(thing, bound.device, _REPORTS)
        checked_keys(thing, bound.report, _keys(bound.device.kind))
        numbers = _numbers(thing, bound.device, bound.reports, bound.report, _REPORTS)
        words = {number: word for word, number in numbers.items()}
        place = _place(thing, bound.device, bound.report, _REPORTS)
        found.append(OwnReport(words=words, **place))
    _check_apart(transport, "report", found)
    return tuple(found)


def own_orders(transport: str, devices: Iterable[BoundDevice]) -> tuple[OwnOrder, ...]:
    """Return where the devices' orders go. Raises ``ConfigurationError``."""
    found = []
    for bound in devices:
        device = bound.device
        thing = f"transport {transport}, {device}, order"
        _check_carried(thing, device, _ORDERS)
        more = ("flash",) if device.kind == "signal" else ()
        checked_keys(thing, bound.order, (*_keys(device.kind), *more))
        numbers = _numbers(thing, device, bound.orders, bound.order, _ORDERS)
        place = _place(thing, device, bound.order, _ORDERS)
        field = place["field"]
        bits = {word: field.put(number) for word, number in numbers.items()}
        mask = field.mask << field.start
        if device.kind == "signal":
            flash = place["shape"].port("Flash", place["port"])
            mask |= flash.mask << flash.start
            for word in _flashing(thing, bound):
                bits[word] |= flash.put(1)
        ranks = {word: rank for rank, word in enumerate(bound.orders)}
        found.append(OwnOrder(bits=bits, ranks=ranks, mask=mask, **place))
    _check_apart(transport, "order", found)
    return tuple(found)


def _check_carried(thing: str, device: Device, frames: Mapping[str, tuple[str, str]]) -> None:
    """Refuse a device of whose kind the schema has no frames."""
    if device.kind not in frames:
        raise ConfigurationError(
            thing,
            f"The schema has no frame for this of a {device.kind}.",
            "Bind it to a frame of a DBC file of your own, or to another transport; a binding may "
            "have reports alone, or orders alone.",
        )


def _keys(kind: str) -> tuple[str, ...]:
    return ("node", "port", "ports", *(("values",) if kind in _NUMBERED else ()))


def _place(
    thing: str,
    device: Device,
    table: Mapping[str, Any],
    frames: Mapping[str, tuple[str, str]],
) -> dict[str, Any]:
    name, stem = frames[device.kind]
    shape = load_schema().named[name]
    node = whole(thing, table, "node", 1, LAST_NODE)
    if ("port" in table) == ("ports" in table):
        raise ConfigurationError(
            thing,
            "It has both port and ports." if "port" in table else "It has no port.",
            "Write the number that the node gives it, as port = 5, or those of several devices by "
            "their names, as ports = { d1 = 5, d2 = 6 }.",
        )
    last = shape.ports * (shape.group.most + 1) - 1
    if "port" in table:
        port = whole(thing, table, "port", 0, last)
    else:
        ports = table["ports"]
        if not isinstance(ports, Mapping) or device.name not in ports:
            raise ConfigurationError(
                thing,
                f"ports is {ports!r}, and does not name {device.name}.",
                f"Write its port there, as ports = {{ {device.name} = 5 }}.",
            )
        port = whole(f"{thing}, ports", ports, device.name, 0, last)
    return {
        "device": device,
        "shape": shape,
        "node": node,
        "port": port,
        "field": shape.port(stem, port),
    }


def _numbers(
    thing: str,
    device: Device,
    words: Iterable[str],
    table: Mapping[str, Any],
    frames: Mapping[str, tuple[str, str]],
) -> dict[str, int]:
    """Return the number of each word of a device."""
    name, stem = frames[device.kind]
    field = load_schema().named[name].port(stem, 0)
    words = tuple(words)
    if device.kind not in _NUMBERED:
        names = _INPUTS.get(device.kind, {})
        return {word: field.numbers[names.get(word, word)] for word in words}
    given = table.get("values", {})
    if not isinstance(given, Mapping) or not set(given) <= set(words):
        raise ConfigurationError(
            thing,
            f"values is {given!r}.",
            f"Write a table of numbers by words; the words are: {', '.join(words)}.",
        )
    numbers: dict[str, int] = {}
    for at, word in enumerate(words):
        fixed = field.numbers.get(word)
        if word in given:
            number = whole(f"{thing}, values", given, word, field.least, field.most)
        elif fixed is not None:
            number = fixed
        elif device.kind == "signal":
            number = at
        elif word.isdecimal():
            number = int(word)
        else:
            raise ConfigurationError(
                thing,
                f"The schema has no number for the position {word!r}.",
                f"Write the number that the node has for it, as values = {{ {word} = 1 }}.",
            )
        if not field.least <= number <= field.most or (fixed is not None and number != fixed):
            raise ConfigurationError(
                thing,
                f"The number of {word!r} is {number}.",
                f"It must be {fixed}."
                if fixed is not None
                else f"Write one that a frame can carry, as values = {{ {word} = 1 }}.",
            )
        if number in numbers.values():
            raise ConfigurationError(
                thing, f"Two words have the number {number}.", "Give each word one of its own."
            )
        numbers[word] = number
    return numbers


def _flashing(thing: str, bound: BoundDevice) -> list[str]:
    words = bound.order.get("flash", [])
    able = bound.orders[1:]
    if not isinstance(words, list) or not set(words) <= set(able):
        raise ConfigurationError(
            thing,
            f"flash is {words!r}.",
            f"Write a list of aspects that flash; this signal's are: {', '.join(able) or 'none'}.",
        )
    return words


def _check_apart(transport: str, way: str, places: Iterable[_Place]) -> None:
    taken: dict[tuple[str, int, int, str], Device] = {}
    for place in places:
        key = (place.shape.name, place.node, place.port, place.field.name)
        other = taken.setdefault(key, place.device)
        if other != place.device:
            raise ConfigurationError(
                f"transport {transport}, {place.device}, {way}",
                f"Port {place.port} of node {place.node} is bound to {other} already.",
                "Give each device a port of its own.",
            )
