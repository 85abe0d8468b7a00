"""The files in shared/ are what the codec does, and are what they say they are."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft7Validator

from signalling.layout.words import KINDS
from transports.mqtt.own.codec import NAMES, decode
from transports.mqtt.own.document import EXAMPLES, as_yaml, asyncapi, files

ROOT = Path(__file__).parents[4]
SHARED = ROOT / "shared"
PUBLISHED = ROOT / "build/asyncapi/node_modules/@asyncapi/specs/schemas" / "3.0.0-without-$id.json"
CLASSES = {name: cls for cls, name in NAMES.items()}


def document() -> dict[str, Any]:
    read: dict[str, Any] = yaml.safe_load((SHARED / "asyncapi.yaml").read_text("utf-8"))
    return read


@pytest.fixture(scope="module")
def published() -> Draft7Validator:
    """The schema of AsyncAPI documents that the AsyncAPI Initiative publishes."""
    if not PUBLISHED.is_file():
        pytest.fail(
            f"{PUBLISHED.relative_to(ROOT)} is missing, which these tests need. Run: "
            ".ci/prepare asyncapi",
            pytrace=False,
        )
    schema = json.loads(PUBLISHED.read_text("utf-8"))
    Draft7Validator.check_schema(schema)
    return Draft7Validator(schema)


def test_the_files_are_as_the_classes_make_them() -> None:
    written = {path.name: path.read_text("utf-8") for path in (SHARED / "mqtt").iterdir()}
    assert written == files(), "write them again with: make schema"
    assert (SHARED / "asyncapi.yaml").read_text("utf-8") == as_yaml(), "make schema"


def test_the_document_keeps_the_published_schema(published: Draft7Validator) -> None:
    assert [error.message for error in published.iter_errors(document())] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("asyncapi",), "2.6.0"),
        (("channels", "report", "adress"), "x"),
        (("operations", "receiveReport", "action"), "publish"),
        (("operations", "sendOrder", "bindings", "mqtt", "qos"), 3),
        (("servers", "broker", "protocol"), None),
        (("components", "messages", "order", "payload", "schemaFormat"), 7),
    ],
)
def test_a_wrong_document_does_not(
    published: Draft7Validator, path: tuple[str, ...], value: object
) -> None:
    wrong = document()
    inner = wrong
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    assert list(published.iter_errors(wrong))


def references(value: Any) -> list[str]:
    if isinstance(value, dict):
        here = [value["$ref"]] if "$ref" in value else []
        return here + [each for inner in value.values() for each in references(inner)]
    if isinstance(value, list):
        return [each for inner in value for each in references(inner)]
    return []


def test_every_reference_leads_somewhere() -> None:
    read = document()
    found = references(read)
    assert found
    for reference in found:
        if not reference.startswith("#/"):
            assert (SHARED / reference).is_file(), reference
            continue
        inner: Any = read
        for part in reference[2:].split("/"):
            inner = inner[part]


def test_there_is_a_channel_a_message_and_an_operation_of_each_class() -> None:
    read = document()
    addresses = {channel["address"] for channel in read["channels"].values()}
    assert {address.rpartition("/")[2] for address in addresses} == set(CLASSES)
    assert all(address.startswith("{base}/v1/") for address in addresses)
    assert len(read["operations"]) == len(read["components"]["messages"]) == len(CLASSES)
    said_by_others = {
        operation["channel"]["$ref"].rpartition("/")[2]
        for operation in read["operations"].values()
        if operation["action"] == "receive"
    }
    assert said_by_others == {"report", "gone", "request"}


MESSAGES = [
    (message["name"], example["name"], example["payload"])
    for message in asyncapi()["components"]["messages"].values()
    for example in message["examples"]
]


@pytest.mark.parametrize(("kind", "name", "payload"), MESSAGES)
def test_each_example_keeps_its_schema_and_is_read_as_it_was_meant(
    kind: str, name: str, payload: dict[str, Any]
) -> None:
    schema = json.loads((SHARED / "mqtt" / f"{kind}.schema.json").read_text("utf-8"))
    assert list(Draft7Validator(schema).iter_errors(payload)) == []
    data = json.dumps(payload, separators=(",", ":")).encode()
    assert decode(CLASSES[kind], data) == EXAMPLES[name]


def test_there_is_an_example_of_each_class() -> None:
    assert {kind for kind, _, _ in MESSAGES} == set(CLASSES)
    assert len(MESSAGES) == len(EXAMPLES)


def test_the_schemas_are_draft_07_and_say_what_everything_is() -> None:
    for text in files().values():
        schema = json.loads(text)
        assert schema["$schema"] == "http://json-schema.org/draft-07/schema#"
        Draft7Validator.check_schema(schema)
        for name, member in schema["properties"].items():
            assert member["description"], name


def test_each_kind_of_device_has_its_place() -> None:
    read = {name: json.loads(text) for name, text in files().items()}
    reports = read["report.schema.json"]["properties"]["reports"]["properties"]
    orders = read["order.schema.json"]["properties"]["orders"]["properties"]
    assert set(reports) == {name for name, kind in KINDS.items() if kind.reports}
    # A signal's aspect and indicator are one state.
    members = orders["signal"]["additionalProperties"]["properties"]
    assert set(members) == {"aspect", "indicator"}
    assert {*orders, "indicator"} == {name for name, kind in KINDS.items() if kind.orders}
