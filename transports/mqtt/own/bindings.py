"""Bindings to nodes of our own schema.

Law of this file: from ``{ node = "shed-1" }`` to a place in that node's
messages, checked as a whole; no connection.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from re import fullmatch
from typing import TYPE_CHECKING, Any

from attrs import Factory, define, evolve, field, frozen

from signalling.errors import ConfigurationError
from transports.mqtt.own.codec import Heard, NodeOrder, encode
from transports.mqtt.own.schema import (
    DEVICE,
    LONGEST_NAME,
    LONGEST_PAYLOAD,
    LONGEST_WORD,
    NODE,
    SCHEMAS,
)
from transports.tables import checked_keys, text
from transports.texts import LONGEST

if TYPE_CHECKING:
    from signalling.layout.words import BoundDevice, Device

__all__ = ["NodeBinding", "OrderPlace", "OrderState", "bind"]

_KEYS = ("node", "name")


@frozen
class OrderPlace:
    """Where a device's order stands among the orders of its node."""

    node: str
    section: str
    name: str
    member: str | None
    """The member of the device's table, where it has one."""
    words: tuple[str, ...] = field(eq=False, default=())
    """The words that the device takes, most restrictive first."""

    def put(self, orders: OrderState, word: str) -> None:
        """Put a word at the place."""
        section = orders.setdefault(self.section, {})
        if self.member is None:
            section[self.name] = word
        else:
            section[self.name] = {**section.get(self.name, {}), self.member: word}


OrderState = dict[str, dict[str, Any]]
"""The orders of a node, as in its messages."""


@define(eq=False)
class NodeBinding:
    """What a layout binds to one node."""

    name: str
    reports: dict[tuple[str, str], Device] = Factory(dict)
    """The device of each kind and name in the node's messages."""
    orders: dict[Device, OrderPlace] = Factory(dict)


def bind(transport: str, devices: Iterable[BoundDevice]) -> Mapping[str, NodeBinding]:
    """Return what is bound to each node, by its name. Raises ``ConfigurationError``."""
    nodes: dict[str, NodeBinding] = {}
    longest: dict[str, OrderState] = {}
    for bound in devices:
        device = bound.device
        thing = f"transport {transport}, {device}"
        if bound.reports:
            node, name = _place(f"{thing}, report", "report", device, bound.report)
            binding = nodes.setdefault(node, NodeBinding(node))
            other = binding.reports.setdefault((device.kind, name), device)
            _check_apart(f"{thing}, report", other, device, node, name)
        if bound.orders:
            thing = f"{thing}, order"
            node, name = _place(thing, "order", device, bound.order)
            binding = nodes.setdefault(node, NodeBinding(node))
            place = evolve(_order_place(device, node, name), words=bound.orders)
            for other, taken in binding.orders.items():
                if taken == place:
                    _check_apart(thing, other, device, node, name)
            binding.orders[device] = place
            word = LONGEST if bound.texts else max(bound.orders, key=len)
            if len(word) > LONGEST_WORD:
                raise ConfigurationError(
                    thing,
                    f"The word {word!r} is too long.",
                    f"Use words of up to {LONGEST_WORD} characters with this schema.",
                )
            place.put(longest.setdefault(node, {}), word)
    _check_heads(transport, nodes)
    for node, orders in longest.items():
        _check_length(transport, node, orders)
    return nodes


def _place(thing: str, direction: str, device: Device, table: Mapping[str, Any]) -> tuple[str, str]:
    """Return the node and the name that a binding's table gives."""
    if "node" not in table:
        given = f"{', '.join(table)} does not say which node it is." if table else "It has no node."
        raise ConfigurationError(
            thing,
            given,
            f'Name its node, as {direction} = {{ node = "shed-1" }}. Hardware with topics of its '
            "own is bound to a transport without schema, which may use the same broker.",
        )
    checked_keys(thing, table, _KEYS)
    node, name = text(thing, table, "node"), text(thing, table, "name", device.name)
    if not fullmatch(NODE, node):
        raise ConfigurationError(
            thing,
            f"node is {node!r}.",
            "A node's name has up to 64 letters, digits, '-', '_' and '.', and begins with a "
            "letter or a digit.",
        )
    if not fullmatch(DEVICE, name):
        raise ConfigurationError(
            thing,
            f"name is {name!r}.",
            f"A device's name at its node has up to {LONGEST_NAME} letters, digits, '-', '_', '.' "
            "and '/', and begins with a letter, a digit or '_'.",
        )
    return node, name


def _order_place(device: Device, node: str, name: str) -> OrderPlace:
    """Return where the kind of device stands: in a section, or in a member of another's."""
    described = SCHEMAS["order"]["properties"]["orders"]["properties"]
    for section, schema in described.items():
        members = schema["additionalProperties"].get("properties", {})
        if section == device.kind:
            return OrderPlace(node, section, name, next(iter(members), None))
        if device.kind in members:
            return OrderPlace(node, section, name, device.kind)
    raise AssertionError(f"the schema has no place for {device}")


def _check_apart(thing: str, other: Device, device: Device, node: str, name: str) -> None:
    if other != device:
        raise ConfigurationError(
            thing,
            f"{name!r} of node {node} is bound to {other} already.",
            'Give each device a name of its own at its node, as name = "...".',
        )


def _check_heads(transport: str, nodes: Mapping[str, NodeBinding]) -> None:
    """Refuse a signal whose aspect and indicator would not be one state."""
    heads: dict[str, tuple[str, str]] = {}
    for binding in nodes.values():
        for device, place in binding.orders.items():
            if place.member is None:
                continue
            here = (place.node, place.name)
            other = heads.setdefault(device.name, here)
            if other != here:
                raise ConfigurationError(
                    f"transport {transport}, {device}, order",
                    f"It is {place.name!r} of node {place.node}, and the rest of signal "
                    f"{device.name} is {other[1]!r} of node {other[0]}: they could contradict "
                    "each other.",
                    "Bind a signal and its indicator to one node, under one name.",
                )


def _check_length(transport: str, node: str, orders: OrderState) -> None:
    number = SCHEMAS["order"]["properties"]["seq"]["maximum"]
    session = "0" * 16
    longest = NodeOrder(
        node=node,
        session=session,
        seq=number,
        heard=Heard(session=session, seq=number),
        ttl=SCHEMAS["order"]["properties"]["ttl"]["maximum"],
        orders=orders,
    )
    length = len(encode(longest))
    if length > LONGEST_PAYLOAD:
        raise ConfigurationError(
            f"transport {transport}, node {node}",
            f"Its orders take up to {length} bytes, and a message has {LONGEST_PAYLOAD} at most.",
            "Divide its devices among two nodes, or give them shorter names.",
        )
