"""The schema as files for everybody: JSON Schemas and an AsyncAPI document.

Law of this file: descriptions, made from the schemas, the topics and the
classes; nothing that a message means is written here. Run it to write the
files again::

    python -m transports.mqtt.own.document shared

``shared/mqtt/NAME.schema.json`` describes one kind of message,
``shared/mqtt-plain`` has requests in plain JSON, and
``shared/asyncapi.yaml`` who says which of them where, with examples.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from transports.mqtt.own.addresses import ADDRESSES
from transports.mqtt.own.codec import (
    NAMES,
    AllDanger,
    AskerOutcome,
    AskerRequest,
    Gone,
    Heard,
    Identify,
    Listening,
    Message,
    NodeOrder,
    NodeReport,
    NodeStatus,
    encode,
)
from transports.mqtt.own.schema import LONGEST_PAYLOAD, NODE, SCHEMAS, VERSION, Schema
from transports.mqtt.requests import SCHEMAS as PLAIN

__all__ = ["EXAMPLES", "as_yaml", "asyncapi", "files"]

_DRAFT_07 = "application/schema+json;version=draft-07"
_BINDING = "0.2.0"
"""Version of the MQTT bindings of AsyncAPI."""

_BY_OTHERS = ("report", "gone", "request")
"""What nodes and askers say; the controller says the rest."""

_ASKER_SESSION = "71c4f02b9e5d8a36"
_NODE_SESSION, _CONTROLLER_SESSION = "5d0c1f8e7a63b294", "c2a81e5b9d2f4763"
_START = "9b61d07c42e8f35a"

EXAMPLES: Mapping[str, Message] = {
    "first-report": NodeReport(
        node="shed-1",
        session=_NODE_SESSION,
        seq=1,
        heard=None,
        status=NodeStatus(
            serial="GP-000017", start=_START, firmware="1.4.2", supply=12_080, orders_lost=True
        ),
        reports={"detector": {"d1": "clear", "d2": "occupied"}},
    ),
    "first-order": NodeOrder(
        node="shed-1",
        session=_CONTROLLER_SESSION,
        seq=41,
        heard=Heard(session=_NODE_SESSION, seq=1),
        ttl=1000,
        orders={
            "signal": {"M1": {"aspect": "danger"}, "M2": {"aspect": "danger", "indicator": "dark"}},
            "stop": {"S2": "applied"},
        },
    ),
    "report": NodeReport(
        node="shed-1",
        session=_NODE_SESSION,
        seq=2,
        heard=Heard(session=_CONTROLLER_SESSION, seq=41),
        status=NodeStatus(serial="GP-000017", start=_START, firmware="1.4.2", supply=12_080),
        reports={
            "detector": {"d1": "clear", "d2": "occupied", "d3": None},
            "turnout": {"t1": "reverse"},
            "danger": {"foyer": "free"},
            "override": {"M2/quay": "auto"},
            "lamps": {"M2": "lit"},
            "indicator": {"M2": "dark"},
            "lock": {"t2": "asked"},
        },
    ),
    "order": NodeOrder(
        node="shed-1",
        session=_CONTROLLER_SESSION,
        seq=42,
        heard=Heard(session=_NODE_SESSION, seq=2),
        ttl=1000,
        orders={
            "turnout": {"t1": "reverse"},
            "lock": {"t2": "locked"},
            "signal": {
                "M1": {"aspect": "danger"},
                "M2": {"aspect": "caution", "indicator": "4"},
            },
            "stop": {"S2": "lifted"},
        },
    ),
    "gone": Gone(node="shed-1", session=_NODE_SESSION),
    "identify": Identify(node="shed-1", session=_CONTROLLER_SESSION, serial="GP-000017"),
    "all-danger": AllDanger(session=_CONTROLLER_SESSION),
    "danger-at-one-node": AllDanger(session=_CONTROLLER_SESSION, node="shed-1"),
    "listening": Listening(session=_CONTROLLER_SESSION, seq=7, within=3000),
    "request": AskerRequest(
        asker="panel",
        session=_ASKER_SESSION,
        id="1",
        heard=Heard(session=_CONTROLLER_SESSION, seq=7),
        request="hold M2",
    ),
    "outcome": AskerOutcome(
        asker="panel",
        session=_CONTROLLER_SESSION,
        asked_in=_ASKER_SESSION,
        id="1",
        request="hold M2",
        outcome="taken",
        reason="",
        final=True,
    ),
}
"""Messages as they are sent, by names of their own."""


def files() -> dict[str, str]:
    """Return the JSON Schemas as texts, by the names of their files under ``mqtt/``."""
    return {f"{name}.schema.json": _text(schema) for name, schema in SCHEMAS.items()}


def _text(schema: Schema) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def asyncapi() -> dict[str, Any]:
    """Return the AsyncAPI document, of the controller's side."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Layout signalling over MQTT",
            "version": f"{VERSION}.0.0",
            "description": (
                "What the controller of a model railway's signalling and the nodes that read its "
                "detectors and work its signals, stops and turnouts say to each other. The rules "
                "of the conversation are in docs/mqtt-schema.md. For model railways only."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "broker": _server("mqtt", 1883, "A broker of the user's choice, MQTT 3.1.1 or newer."),
            "guardedBroker": {
                **_server("secure-mqtt", 8883, "The same, with TLS and a password."),
                "security": [{"type": "userPassword"}],
            },
        },
        "channels": {_camel(name): _channel(name) for name in SCHEMAS},
        "operations": {_operation_name(name): _operation(name) for name in SCHEMAS},
        "components": {"messages": {_camel(name): _message(name) for name in SCHEMAS}},
    }


def _server(protocol: str, port: int, description: str) -> dict[str, Any]:
    return {
        "host": "{host}",
        "protocol": protocol,
        "protocolVersion": "3.1.1",
        "description": description,
        "variables": {
            "host": {"description": "Name or address, and port.", "default": f"127.0.0.1:{port}"}
        },
        "bindings": {
            "mqtt": {
                "cleanSession": True,
                "lastWill": {
                    "topic": ADDRESSES["all-danger"],
                    "qos": 1,
                    "retain": False,
                    "message": encode(EXAMPLES["all-danger"]).decode(),
                },
                "keepAlive": 3,
                "bindingVersion": _BINDING,
            }
        },
    }


def _channel(name: str) -> dict[str, Any]:
    address = ADDRESSES[name]
    parameters = {
        "base": {"description": "What topics begin with; the transport's `base`."},
        "node": {"description": f"The node's name, which matches {NODE}."},
        "asker": {"description": f"The asker's name, which matches {NODE}."},
    }
    return {
        "address": address,
        "description": SCHEMAS[name]["description"],
        "parameters": {each: said for each, said in parameters.items() if f"{{{each}}}" in address},
        "messages": {_camel(name): {"$ref": f"#/components/messages/{_camel(name)}"}},
    }


def _operation_name(name: str) -> str:
    whole = _camel(name)
    return f"{_action(name)}{whole[0].upper()}{whole[1:]}"


def _action(name: str) -> str:
    return "receive" if name in _BY_OTHERS else "send"


def _operation(name: str) -> dict[str, Any]:
    channel = f"#/channels/{_camel(name)}"
    return {
        "action": _action(name),
        "channel": {"$ref": channel},
        "messages": [{"$ref": f"{channel}/messages/{_camel(name)}"}],
        "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": _BINDING}},
    }


def _message(name: str) -> dict[str, Any]:
    examples = {each: message for each, message in EXAMPLES.items() if NAMES[type(message)] == name}
    return {
        "name": name,
        "summary": SCHEMAS[name]["description"],
        "description": f"At most {LONGEST_PAYLOAD} bytes. The last member is the check sum.",
        "contentType": "application/json",
        "payload": {
            "schemaFormat": _DRAFT_07,
            "schema": {"$ref": f"./mqtt/{name}.schema.json"},
        },
        "examples": [
            {"name": each, "payload": json.loads(encode(message))}
            for each, message in examples.items()
        ],
    }


def _camel(name: str) -> str:
    first, *rest = name.split("-")
    return first + "".join(word.capitalize() for word in rest)


def as_yaml() -> str:
    """Return the AsyncAPI document as a text."""
    import yaml  # noqa: PLC0415 - needed by those who write the files again, and by nobody else

    text: str = yaml.safe_dump(asyncapi(), sort_keys=False, width=100, allow_unicode=True)
    return f"# Written by `make schema`; do not edit.\n{text}"


def _write(folder: Path) -> None:
    (folder / "mqtt").mkdir(exist_ok=True)
    for name, text in files().items():
        (folder / "mqtt" / name).write_text(text, encoding="utf-8")
    (folder / "mqtt-plain").mkdir(exist_ok=True)
    for name, schema in PLAIN.items():
        (folder / "mqtt-plain" / f"{name}.schema.json").write_text(_text(schema), encoding="utf-8")
    (folder / "asyncapi.yaml").write_text(as_yaml(), encoding="utf-8")


if __name__ == "__main__":
    _write(Path(sys.argv[1]))
