"""Messages of our own schema to bytes, and bytes to messages.

Law of this file: classes, bytes and the check sum; no connection, no clock and
no sequence. What a message may say is in ``schema``, by which everything that
arrives is checked. What is not certain is rejected, with a reason to count it
under, never guessed.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, TypeVar

import cattrs
import fastjsonschema
from attrs import frozen

from signalling.errors import RejectedInputError
from transports.mqtt.own.schema import LONGEST_PAYLOAD, SCHEMAS
from transports.mqtt.payload import read_json

__all__ = [
    "NAMES",
    "AllDanger",
    "AskerOutcome",
    "AskerRequest",
    "Gone",
    "Heard",
    "Identify",
    "Listening",
    "Message",
    "NodeOrder",
    "NodeReport",
    "NodeStatus",
    "check_sum",
    "decode",
    "encode",
    "prepare",
]


@frozen(kw_only=True)
class Heard:
    """The newest message of the other side that a publisher had heard."""

    session: str
    seq: int


@frozen(kw_only=True)
class NodeStatus:
    """Who a node is, and how it fares."""

    serial: str
    start: str
    """What it has drawn by chance since its power came."""
    firmware: str
    supply: int | None = None
    """Millivolts; ``None`` where it is not measured."""
    rejected: int = 0
    lost: int = 0
    reconnects: int = 0
    orders_lost: bool = False
    supply_low: bool = False
    output_fault: bool = False


@frozen(kw_only=True)
class NodeReport:
    """From a node: the state of all that it reads."""

    node: str
    session: str
    seq: int
    heard: Heard | None
    status: NodeStatus
    reports: Mapping[str, Any]
    """By kind and name of a device, a word or ``None``; sections of a later edition as they are."""


@frozen(kw_only=True)
class Gone:
    """A node's last will."""

    node: str
    session: str


@frozen(kw_only=True)
class NodeOrder:
    """To a node: the state of all that it works."""

    node: str
    session: str
    seq: int
    heard: Heard | None
    ttl: int
    """Milliseconds from what is named in ``heard``."""
    orders: Mapping[str, Any]
    """By kind and name of a device, a word; for a signal, a table of aspect and indicator."""


@frozen(kw_only=True)
class Identify:
    """To a node: blink."""

    node: str
    session: str
    serial: str | None = None
    seconds: int = 10


@frozen(kw_only=True)
class AllDanger:
    """To a node, or to all: everything that can stop a train does so."""

    session: str
    node: str | None = None


@frozen(kw_only=True)
class AskerRequest:
    """From an asker: it asks for something."""

    asker: str
    session: str
    id: str
    heard: Heard
    request: str


@frozen(kw_only=True)
class AskerOutcome:
    """To an asker: what has become of a request so far."""

    asker: str
    session: str
    asked_in: str
    """The session of the asker in which the request was made."""
    id: str
    request: str
    outcome: str
    reason: str
    final: bool


@frozen(kw_only=True)
class Listening:
    """To all askers: requests are heard."""

    session: str
    seq: int
    within: int
    """Milliseconds after which a request that names this number is too old."""


Message = (
    NodeReport | Gone | NodeOrder | Identify | AllDanger | AskerRequest | AskerOutcome | Listening
)
"""Anything that is said in our own schema."""

Wanted = TypeVar("Wanted", bound=Message)

NAMES: Mapping[type, str] = {
    NodeReport: "report",
    Gone: "gone",
    NodeOrder: "order",
    Identify: "identify",
    AllDanger: "all-danger",
    AskerRequest: "request",
    AskerOutcome: "outcome",
    Listening: "listening",
}
"""What each kind of message is called, in the schemas and in topics."""

_HEAD, _TAIL = b',"crc":"', b'"}'
_LENGTH = len(_HEAD) + 8 + len(_TAIL)
"""Bytes of the check sum's member and of the bracket that closes the message."""

# The schema has looked at each value, so that the converter need not name where one is wrong.
_converter = cattrs.Converter(detailed_validation=False)
_converter.register_structure_hook_func(lambda cls: cls is Any, lambda value, _: value)


def check_sum(data: bytes) -> bytes:
    """Return the CRC-32 (ISO 3309, as in zlib, Ethernet and gzip) in hexadecimal."""
    return b"%08x" % zlib.crc32(data)


def encode(message: Message) -> bytes:
    """Return the payload of a message."""
    members = _converter.unstructure(message)
    # One way to write it, so that examples can be compared; a receiver asks for none.
    text = json.dumps(members, separators=(",", ":")).encode()[:-1]
    return text + _HEAD + check_sum(text) + _TAIL


def decode(cls: type[Wanted], payload: bytes) -> Wanted:
    """Return the message in a payload.

    Raises ``RejectedInputError``: ``oversized``, ``check-sum``, ``not-json``,
    ``repeated-key`` or ``not-in-schema``.
    """
    if len(payload) > LONGEST_PAYLOAD:
        raise RejectedInputError("oversized")
    text, tail = payload[:-_LENGTH], payload[-_LENGTH:]
    if tail != _HEAD + check_sum(text) + _TAIL:
        raise RejectedInputError("check-sum")
    document = read_json(payload)
    try:
        _checker(NAMES[cls])(document)
    except fastjsonschema.JsonSchemaValueException as error:
        raise RejectedInputError("not-in-schema", error.message) from None
    return _converter.structure(document, cls)


def prepare() -> None:
    """Make ready to read what nodes say, so that the first message does not have to wait."""
    for name in ("report", "gone"):
        _checker(name)


@cache
def _checker(name: str) -> Callable[[Any], Any]:
    check: Callable[[Any], Any] = fastjsonschema.compile(
        dict(SCHEMAS[name]), use_default=False, detailed_exceptions=False
    )
    return check
