"""What a message of our own schema may be, as JSON Schemas.

Law of this file: the schemas and what they are made of; no connection and no
bytes. The words of the devices are taken from ``KINDS``. The codec checks
messages by these very schemas, and ``document`` writes them to ``shared/mqtt``
for everybody else, so that nothing of them is written a second time.

Draft-07 of JSON Schema is what AsyncAPI 3.0 asks every tool to understand.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from signalling.layout.asking import LONGEST_TEXT, Stage
from signalling.layout.words import KINDS, DeviceKind

__all__ = [
    "DEVICE",
    "LONGEST_NAME",
    "LONGEST_PAYLOAD",
    "LONGEST_REASON",
    "LONGEST_WORD",
    "NODE",
    "SCHEMAS",
    "VERSION",
    "Schema",
    "sections",
]

Schema = Mapping[str, Any]

VERSION = 1

LONGEST_PAYLOAD = 4096
"""Bytes of a payload, at most. CRC-32 in hexadecimal finds any two wrong bits in as many."""
LONGEST_NAME = 128
"""Characters of a device's name."""
LONGEST_REASON = 1000
"""Characters of the reason in an outcome."""
LONGEST_WORD = 64
"""Characters of an aspect or a position."""

NODE = "^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$"
"""A node's name: one level of a topic, and a name of a user of the broker."""
DEVICE = f"^[A-Za-z0-9_][A-Za-z0-9_./-]{{0,{LONGEST_NAME - 1}}}$"
"""A device's name at its node."""
_SERIAL = "^[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}$"
_RANDOM = "^[0-9a-f]{16}$"
_CHECK_SUM = "^[0-9a-f]{8}$"

_MOST = 2**32 - 1

_FOLDED = {"indicator": "signal"}
"""Orders that are said in another kind's section: a signal's aspect and indicator are one state."""


def _text(pattern: str, description: str) -> dict[str, Any]:
    return {"description": description, "type": "string", "pattern": pattern}


def _some_text(description: str, longest: int) -> dict[str, Any]:
    return {"description": description, "type": "string", "minLength": 1, "maxLength": longest}


def _or_null(schema: Schema) -> dict[str, Any]:
    """Return the schema of something that may be ``null``."""
    return {**schema, "type": [schema["type"], "null"]}


def _whole(least: int, most: int, description: str) -> dict[str, Any]:
    return {"description": description, "type": "integer", "minimum": least, "maximum": most}


def _object(
    description: str, properties: Mapping[str, Any], *, optional: tuple[str, ...] = ()
) -> dict[str, Any]:
    # What is not described is passed over: so the schema can grow without a new version.
    return {
        "description": description,
        "type": "object",
        "properties": dict(properties),
        "required": [name for name in properties if name not in optional],
    }


def _by_name(description: str, values: Schema) -> dict[str, Any]:
    return {
        "description": description,
        "type": "object",
        "propertyNames": {"pattern": DEVICE},
        "additionalProperties": dict(values),
    }


def _word(description: str, words: tuple[str, ...], *, more: bool, null: bool) -> dict[str, Any]:
    """Return the schema of one of the words; ``more`` where only the layout knows them all."""
    if more:
        word: dict[str, Any] = {
            "description": description,
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_WORD,
            "examples": list(words),
        }
        return _or_null(word) if null else word
    return {"description": description, "enum": [*words, None] if null else list(words)}


def sections(direction: str) -> tuple[DeviceKind, ...]:
    """Return the kinds that have a section of their own in ``reports``, or in ``orders``."""
    if direction == "reports":
        return tuple(kind for kind in KINDS.values() if kind.reports)
    return tuple(kind for kind in KINDS.values() if kind.orders and kind.name not in _FOLDED)


def _reports() -> dict[str, Any]:
    properties = {
        kind.name: _by_name(
            f"By its name, {kind.sentence}.",
            _word(
                "What it says; null where it is not known.",
                kind.reports,
                more=kind.open_reports,
                null=True,
            ),
        )
        for kind in sections("reports")
    }
    return _object(
        "The state of every device that the node reads. One that is not named is not known.",
        properties,
        optional=tuple(properties),
    )


def _orders() -> dict[str, Any]:
    properties = {
        kind.name: _by_name(f"By its name, {kind.sentence}.", _ordered(kind))
        for kind in sections("orders")
    }
    return _object(
        "The state of every device that the node works. A signal, stop or lock that is not named "
        "is in its most restrictive state, and a turnout that is not named is left as it lies.",
        properties,
        optional=tuple(properties),
    )


def _ordered(kind: DeviceKind) -> dict[str, Any]:
    words = _word("What it is to be.", kind.orders, more=kind.open_orders, null=False)
    folded = [KINDS[name] for name, into in _FOLDED.items() if into == kind.name]
    if not folded:
        return words
    words["description"] = "The aspect to show. Where it is not there, danger."
    properties = {"aspect": words}
    for each in folded:
        described = f"The position to light, or {each.orders[0]}. Where it is not there, the same."
        properties[each.name] = _word(described, each.orders, more=each.open_orders, null=False)
    return _object("What it is to show.", properties, optional=tuple(properties))


_NODE = _text(NODE, "The node's name, as in the topic.")
_BY = _text(
    _RANDOM,
    "Who says it: 64 random bits in hexadecimal, new with each connection to the broker.",
)
_ASKER = _text(NODE, "The asker's name, as in the topic.")
_ID = _text(
    "^[A-Za-z0-9][A-Za-z0-9_.-]{0,31}$",
    "The request's name, of its own within the asker's session.",
)
_SEQ = _whole(
    1, _MOST, "Rises by one with each message of this kind that the publisher says in its session."
)
_HEARD = _or_null(
    _object(
        "The newest message of the other side that the publisher had heard when it said this; "
        "null where there was none. It proves how old this message can be at most.",
        {
            "session": _text(_RANDOM, "The session of that message."),
            "seq": _whole(1, _MOST, "The number of that message."),
        },
    )
)
_SUM = _text(
    _CHECK_SUM,
    "CRC-32 of all bytes of the payload before the comma that comes before this member, "
    "in hexadecimal. It stands last.",
)

_STATUS = _object(
    "Who the node is, and how it fares.",
    {
        "serial": _text(_SERIAL, "Given to this board alone, for good."),
        "start": _text(
            _RANDOM, "64 random bits in hexadecimal, drawn anew whenever the board gets its power."
        ),
        "firmware": _text("^[A-Za-z0-9][A-Za-z0-9_.+-]{0,31}$", "The version of its program."),
        "supply": _or_null(
            _whole(0, 65_535, "Its supply in millivolts; null where it is not measured.")
        ),
        "rejected": _whole(0, _MOST, "Messages that it has turned away since its start."),
        "lost": _whole(0, _MOST, "Messages that were missing since its start."),
        "reconnects": _whole(0, _MOST, "Times since its start that it had to connect again."),
        "orders_lost": {
            "description": "Whether its outputs are in their most restrictive state because "
            "no valid order came in time.",
            "type": "boolean",
        },
        "supply_low": {"description": "Whether its supply is too low.", "type": "boolean"},
        "output_fault": {
            "description": "Whether an output does not do what it is told.",
            "type": "boolean",
        },
    },
)

_BODIES: Mapping[str, Schema] = {
    "report": _object(
        "From a node: who it is, and the state of all that it reads. Said again and again.",
        {
            "node": _NODE,
            "session": _BY,
            "seq": _SEQ,
            "heard": _HEARD,
            "status": _STATUS,
            "reports": _reports(),
            "crc": _SUM,
        },
    ),
    "gone": _object(
        "A node's last will: the session has ended.",
        {"node": _NODE, "session": _BY, "crc": _SUM},
    ),
    "order": _object(
        "To a node: the state of all that it works. Said again and again.",
        {
            "node": _NODE,
            "session": _BY,
            "seq": _SEQ,
            "heard": _HEARD,
            "ttl": _whole(
                100,
                60_000,
                "Milliseconds from the moment when the node said what is named in `heard`, after "
                "which this order no longer holds and the node goes to danger by itself.",
            ),
            "orders": _orders(),
            "crc": _SUM,
        },
    ),
    "identify": _object(
        "To a node: blink, so that a person can find the board. It shows nothing at a signal.",
        {
            "node": _NODE,
            "session": _BY,
            "serial": _or_null(_text(_SERIAL, "The board that is meant; null for any.")),
            "seconds": _whole(1, 3600, "How long it is to blink."),
            "crc": _SUM,
        },
    ),
    "all-danger": _object(
        "To nodes: everything that can stop a train does so. Also the controller's last will.",
        {
            "node": _or_null(_text(NODE, "The node that is meant; null for all.")),
            "session": _BY,
            "crc": _SUM,
        },
    ),
    "request": _object(
        "From an asker: it asks for something. Said once, not again and again.",
        {
            "asker": _ASKER,
            "session": _BY,
            "id": _ID,
            "heard": _object(
                "The newest `listening` message that the asker had heard. It proves how old this "
                "request can be at most.",
                {
                    "session": _text(_RANDOM, "The session of that message."),
                    "seq": _whole(1, _MOST, "The number of that message."),
                },
            ),
            "request": _some_text("What is asked for, such as `hold M2`.", LONGEST_TEXT),
            "crc": _SUM,
        },
    ),
    "outcome": _object(
        "To an asker: what has become of its request so far.",
        {
            "asker": _ASKER,
            "session": _BY,
            "asked_in": _text(_RANDOM, "The asker's session in which it was made."),
            "id": _ID,
            "request": _some_text("What was asked for.", LONGEST_TEXT),
            "outcome": {
                "description": "How it stands.",
                "enum": [stage.value for stage in Stage],
            },
            "reason": {
                "description": "Why, as a sentence; or empty.",
                "type": "string",
                "maxLength": LONGEST_REASON,
            },
            "final": {
                "description": "Whether nothing further will become of it.",
                "type": "boolean",
            },
            "crc": _SUM,
        },
    ),
    "listening": _object(
        "To all askers: requests are heard. Said again and again.",
        {
            "session": _BY,
            "seq": _SEQ,
            "within": _whole(
                1,
                60_000,
                "Milliseconds after which a request that names this number in `heard` is refused.",
            ),
            "crc": _SUM,
        },
    ),
}

SCHEMAS: Mapping[str, Schema] = {
    name: {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": f"{name}, version {VERSION}",
        **body,
    }
    for name, body in _BODIES.items()
}
"""The schema of each kind of message, by its name."""
