"""The frames of our own schema, as the DBC file describes them.

Law of this file: what the DBC says, made quick to use; nothing of it is written
again here. cantools reads the file, strictly. Its decoder takes 6 us and its
encoder 26 us for a frame of sixteen ports, most of the time that a report may
take, so that the places of the fields are kept as shifts and masks instead;
tests hold both against each other.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import cantools
from attrs import field, frozen
from cantools.database.can import Database, Message

__all__ = ["ALL_NODES", "LAST_NODE", "Field", "Schema", "Shape", "load_schema"]

FILE = "layout-signalling-bus.dbc"

ALL_NODES = 0
"""The number that means every node, where a frame may be for all."""
LAST_NODE = 127
_CLASS_SHIFT = 7


@frozen(kw_only=True)
class Field:
    """One value in a frame: unsigned, least significant bit first."""

    name: str
    start: int
    """Its lowest bit; bit 0 is the lowest bit of byte 0, bit 8 that of byte 1."""
    mask: int
    """As many ones as it has bits."""
    least: int
    most: int
    page: int | None = None
    """The page that it is on, where the frame has pages."""
    numbers: Mapping[str, int] = field(factory=dict)
    """What its values are called, and their numbers."""

    def read(self, bits: int) -> int:
        """Return the value in a frame's bits."""
        return bits >> self.start & self.mask

    def allows(self, bits: int) -> bool:
        """Return whether the value in a frame's bits is one that may be sent."""
        return self.least <= bits >> self.start & self.mask <= self.most

    def is_within(self, place: int) -> bool:
        """Return whether it lies within the byte whose lowest bit this is, on every page."""
        length = self.mask.bit_length()
        return self.page is None and place <= self.start and self.start + length <= place + 8

    def put(self, value: int) -> int:
        """Return the bits of a value. Raises ``ValueError`` where it may not be sent."""
        if not self.least <= value <= self.most:
            raise ValueError(f"{self.name} is {value}, not {self.least} to {self.most}")
        return value << self.start


@frozen(kw_only=True)
class Shape:
    """One class of frames."""

    name: str
    number: int
    """The class: 0 is the most urgent."""
    length: int
    """Bytes of data."""
    by_controller: bool
    """Whether the controller sends it; a node does otherwise."""
    paged: bool
    """Whether the number in the group's place is a page."""
    period: float | None
    """Seconds after which the state is sent again; ``None`` for what is sent once."""
    gap: float
    """Seconds between two frames of a stream at the least."""
    crc: Field
    counter: Field
    group: Field
    version: Field
    fields: Mapping[str, Field]
    """What follows the header, by name."""
    ports: int
    """Ports in one frame; port ``p`` of a node is in the group ``p // ports``."""

    def identifier(self, node: int) -> int:
        """Return the identifier of this class for a node."""
        return self.number << _CLASS_SHIFT | node

    def port(self, stem: str, port: int) -> Field:
        """Return the field of a port of the node, within the frame of the port's group.

        Raises ``KeyError`` where frames of this class have no such field.
        """
        return self.fields[f"{stem}{port % self.ports}"]

    def in_range(self, bits: int, group: int) -> bool:
        """Return whether every value is one that may be sent."""
        if not self.group.least <= group <= self.group.most:
            return False
        for place, allowed in self._bytes:
            if not allowed[bits >> place & 0xFF]:
                return False
        for each in self._others:
            if each.page in (None, group) and not each.allows(bits):
                return False
        return True

    _bytes: tuple[tuple[int, tuple[bool, ...]], ...] = field(init=False)
    """Which values of a byte may be sent, for each byte of which not all may."""
    _others: tuple[Field, ...] = field(init=False)
    """The fields that this does not cover, and of which not every value may be sent."""

    @_bytes.default
    def _make_bytes(self) -> tuple[tuple[int, tuple[bool, ...]], ...]:
        found = []
        for place in range(0, self.length * 8, 8):
            within = [each for each in self._narrow() if each.is_within(place)]
            if within:
                values = (value << place for value in range(256))
                found.append((place, tuple(all(map(_allows(value), within)) for value in values)))
        return tuple(found)

    @_others.default
    def _make_others(self) -> tuple[Field, ...]:
        places = [place for place, _ in self._bytes]
        return tuple(
            each for each in self._narrow() if not any(each.is_within(place) for place in places)
        )

    def _narrow(self) -> list[Field]:
        return [each for each in self.fields.values() if each.least > 0 or each.most < each.mask]


def _allows(bits: int) -> Callable[[Field], bool]:
    return lambda each: each.allows(bits)


@frozen(kw_only=True)
class Schema:
    """Everything that the DBC says."""

    shapes: Mapping[int, Shape]
    """By class."""
    named: Mapping[str, Shape]
    """By name."""
    version: int
    """Of the protocol."""
    order_timeout: float
    """Seconds after which a node no longer obeys an order that was not repeated."""
    report_timeout: float
    """Seconds after which the controller no longer believes a report that was not repeated."""
    largest_step: int
    """How far a counter may move between two frames that arrive."""
    frames_to_sync: int
    """Frames in a row, each with the counter moved on, before their content counts."""
    identify_seconds: float
    """How long a node blinks."""


@cache
def load_schema() -> Schema:
    """Return the schema; the file is read once."""
    return schema_from(cantools.database.load_file(dbc_file(), strict=True))


def dbc_file() -> Path:
    """Return where the DBC file is: within the installed package, or in the checkout."""
    packaged = Path(str(files("transports.can"))) / FILE
    return packaged if packaged.is_file() else Path(__file__).parents[2] / "shared" / FILE


def schema_from(database: Any) -> Schema:
    """Return the schema that a database of cantools describes."""
    assert isinstance(database, Database)  # noqa: S101 - for the type; a DBC file gives no other
    attributes = {} if database.dbc is None else database.dbc.attributes
    said = {name: int(attribute.value) for name, attribute in attributes.items()}
    shapes = {shape.number: shape for shape in map(_shape, database.messages)}
    return Schema(
        shapes=shapes,
        named={shape.name: shape for shape in shapes.values()},
        version=said["ProtocolVersion"],
        order_timeout=said["OrderTimeoutMs"] / 1000,
        report_timeout=said["ReportTimeoutMs"] / 1000,
        largest_step=said["LargestStep"],
        frames_to_sync=said["FramesToSync"],
        identify_seconds=float(said["IdentifySeconds"]),
    )


def _shape(message: Message) -> Shape:
    fields = {signal.name: _field(signal) for signal in message.signals}
    paged = message.is_multiplexed()
    header = [fields.pop(name) for name in ("Crc", "Counter", "Page" if paged else "Group")]
    version = fields.pop("Version")
    gap = message.dbc.attributes.get("GenMsgDelayTime") if message.dbc is not None else None
    ports = {int(match[0]) for name in fields if (match := re.search(r"\d+$", name))}
    return Shape(
        name=message.name,
        number=message.frame_id >> _CLASS_SHIFT,
        length=message.length,
        by_controller="Controller" in message.senders,
        paged=paged,
        period=message.cycle_time / 1000 if message.cycle_time else None,
        gap=0.0 if gap is None else int(gap.value) / 1000,
        crc=header[0],
        counter=header[1],
        group=header[2],
        version=version,
        fields=fields,
        ports=len(ports),
    )


def _field(signal: Any) -> Field:
    return Field(
        name=signal.name,
        start=signal.start,
        mask=(1 << signal.length) - 1,
        least=int(signal.minimum),
        most=int(signal.maximum),
        page=signal.multiplexer_ids[0] if signal.multiplexer_ids else None,
        numbers={str(name): int(number) for number, name in (signal.choices or {}).items()},
    )
