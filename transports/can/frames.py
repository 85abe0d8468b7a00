"""From what is to be said to a frame, and back.

Law of this file: identifiers and bytes of our own schema; whether a frame was
said now, and by whom, is not known here. Whatever is not a whole frame of the
schema is rejected with a reason to count it under.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen

from signalling.errors import RejectedInputError
from transports.can.protect import check_sum
from transports.can.schema import ALL_NODES, LAST_NODE, Schema, Shape, load_schema

__all__ = ["Frame", "decode", "encode", "seal"]

_FOR_ALL = frozenset({"AllDanger", "Identify"})
"""What may be said to every node at once."""


@frozen
class Frame:
    """A whole frame of the schema, its check sum right and every value in its range."""

    shape: Shape
    node: int
    """The node that it is from or for; 0 for every node."""
    group: int
    """The group of ports, or the page."""
    counter: int
    bits: int
    """All of its data, as a number whose lowest byte is byte 0."""

    def __getitem__(self, name: str) -> int:
        """Return a value by its name in the DBC."""
        return self.shape.fields[name].read(self.bits)

    @property
    def content(self) -> int:
        """What it says, as a number, without the header."""
        return self.bits >> _HEADER_BITS

    def values(self) -> dict[str, int]:
        """Return all that it says, by the names in the DBC."""
        return {
            name: field.read(self.bits)
            for name, field in self.shape.fields.items()
            if field.page in (None, self.group)
        }


_HEADER_BITS = 32


def encode(
    name: str, node: int, *, counter: int, group: int = 0, values: Mapping[str, int] | None = None
) -> tuple[int, bytes]:
    """Return identifier and data of a frame; what ``values`` does not name is 0.

    Raises ``ValueError`` where that may not be sent, ``KeyError`` for a name that
    the DBC does not have.
    """
    shape = load_schema().named[name]
    bits = 0
    left = dict(values or {})
    for field in shape.fields.values():
        if field.page in (None, group):
            bits |= field.put(left.pop(field.name, 0))
    for strange in left:
        raise ValueError(f"{shape.fields[strange].name} is not on page {group}")
    return seal(shape, node, group, counter, bits)


def seal(shape: Shape, node: int, group: int, counter: int, bits: int) -> tuple[int, bytes]:
    """Return identifier and data of a frame whose content is ``bits``, at its place.

    Raises ``ValueError`` for a node, group or counter that there cannot be.
    """
    first = ALL_NODES if shape.name in _FOR_ALL else ALL_NODES + 1
    if not first <= node <= LAST_NODE:
        raise ValueError(f"{shape.name} goes to or from nodes {first} to {LAST_NODE}, not {node}")
    identifier = shape.identifier(node)
    bits |= shape.counter.put(counter) | shape.group.put(group)
    bits |= shape.version.put(load_schema().version)
    data = bits.to_bytes(shape.length, "little")
    bits |= shape.crc.put(check_sum(identifier, data))
    return identifier, bits.to_bytes(shape.length, "little")


def decode(identifier: int, data: bytes, schema: Schema | None = None) -> Frame:
    """Return the frame in a CAN message with an identifier of 11 bits.

    Raises ``RejectedInputError``; its reasons are ``unknown-class``,
    ``truncated``, ``oversized``, ``crc``, ``version``, ``wrong-node`` and
    ``out-of-range``.
    """
    schema = schema or load_schema()
    shape = schema.shapes.get(identifier >> 7)
    if shape is None:
        raise RejectedInputError("unknown-class", f"{identifier:03X}")
    if len(data) != shape.length:
        raise RejectedInputError("truncated" if len(data) < shape.length else "oversized")
    if data[0] != check_sum(identifier, data):
        raise RejectedInputError("crc")
    bits = int.from_bytes(data, "little")
    # The version comes first: what follows it may mean something else in another one.
    if shape.version.read(bits) != schema.version:
        raise RejectedInputError("version", str(shape.version.read(bits)))
    node = identifier & LAST_NODE
    if node == ALL_NODES and shape.name not in _FOR_ALL:
        raise RejectedInputError("wrong-node", f"{shape.name} for every node")
    group = shape.group.read(bits)
    if not shape.in_range(bits, group):
        raise RejectedInputError("out-of-range", f"{shape.name} of node {node}")
    return Frame(shape, node, group, shape.counter.read(bits), bits)
