from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import ConfigurationError, RejectedInputError
from transports.mqtt.payload import MISSING, OrderFormat, Pointer, ReportFormat, read_json

# RFC 6901, section 5: the document and every pointer of its table.
RFC_6901 = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_rfc_6901(pointer: str, value: Any) -> None:
    assert Pointer(pointer).find(RFC_6901) == value


@pytest.mark.parametrize(
    "pointer",
    # RFC 6901, section 4: '-' is the element after the last; leading zeros are not allowed;
    # section 7: a primitive has no places within it.
    ["/foo/2", "/foo/-", "/foo/-1", "/foo/00", "/foo/01", "/foo/1.0", "/foo/0/0", "/bar", "/foo/²"],
)
def test_places_that_are_not_there(pointer: str) -> None:
    assert Pointer(pointer).find(RFC_6901) is MISSING


@pytest.mark.parametrize("pointer", ["foo", "/m~n", "/m~", "/~2", "state/on"])
def test_text_that_is_no_pointer(pointer: str) -> None:
    with pytest.raises(ValueError, match="JSON pointer"):
        Pointer(pointer)


# "~01" is "~1", not "/": RFC 6901, section 4.
def test_escapes_are_undone_in_the_right_order() -> None:
    assert Pointer("/~01").find({"~1": "here", "/": "there"}) == "here"


@given(st.lists(st.text(), max_size=4), st.integers())
def test_what_is_written_at_a_place_is_found_there(parts: list[str], value: int) -> None:
    pointer = Pointer("".join("/" + part.replace("~", "~0").replace("/", "~1") for part in parts))
    assert pointer.find(pointer.around(value)) == value


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not-json"),
        (b"{", "not-json"),
        (b'{"state": "ON"} trailing', "not-json"),
        (b"\xff\xfe", "not-json"),
        (b"NaN", "not-json"),
        (b"-Infinity", "not-json"),
        (b"[" * 100_000, "not-json"),
        (b"1" * 10_000, "not-json"),
        (b'{"state": "ON", "state": "OFF"}', "repeated-key"),
    ],
)
def test_json_that_cannot_be_read_for_certain(payload: bytes, reason: str) -> None:
    with pytest.raises(RejectedInputError) as caught:
        read_json(payload)
    assert caught.value.reason == reason


def report(payload: str | bytes, **table: Any) -> str | None:
    form = ReportFormat.make("detector d1", ("clear", "occupied"), table)
    data = payload.encode() if isinstance(payload, str) else payload
    return form.decode(data, lambda: read_json(data))


ON_OFF = {"occupied": "ON", "clear": "OFF"}


@pytest.mark.parametrize(
    ("payload", "table", "word"),
    [
        ("occupied", {}, "occupied"),
        (" clear\n", {}, "clear"),
        ("ON", {"values": ON_OFF}, "occupied"),
        ('{"state": "ON"}', {"pointer": "/state", "values": ON_OFF}, "occupied"),
        ('"ON"', {"pointer": "", "values": ON_OFF}, "occupied"),
        ('{"r": [{"on": false}]}', {"pointer": "/r/0/on", "values": {"clear": False}}, "clear"),
        ("true", {"values": {"occupied": True, "clear": False}}, "occupied"),
        ("1", {"values": {"occupied": 1, "clear": 0}}, "occupied"),
        ("1.0", {"values": {"occupied": 1, "clear": 0}}, "occupied"),
        ("on", {"values": {"occupied": ["on", "ON", 1], "clear": "off"}}, "occupied"),
        ("1", {"values": {"occupied": ["on", "ON", 1], "clear": "off"}}, "occupied"),
        ("", {"values": {"occupied": "", "clear": "x"}}, "occupied"),
    ],
)
def test_what_a_payload_says(payload: str, table: dict[str, Any], word: str) -> None:
    assert report(payload, **table) == word


@pytest.mark.parametrize(
    ("payload", "table", "reason"),
    [
        ("ON", {}, "unknown-value"),
        ("3", {}, "unknown-value"),
        ("clear", {"values": ON_OFF}, "unknown-value"),
        (b"\xff", {}, "not-text"),
        ('{"state": "on"}', {"pointer": "/state", "values": ON_OFF}, "unknown-value"),
        ('{"state": ["ON"]}', {"pointer": "/state", "values": ON_OFF}, "unknown-value"),
        ('{"state": null}', {"pointer": "/state", "values": ON_OFF}, "unknown-value"),
        ('{"State": "ON"}', {"pointer": "/state", "values": ON_OFF}, "no-such-place"),
        ("ON", {"pointer": "/state", "values": ON_OFF}, "not-json"),
        # true, 1 and "1" are three values.
        ("1", {"values": {"occupied": True, "clear": False}}, "unknown-value"),
        ("true", {"values": {"occupied": 1, "clear": 0}}, "unknown-value"),
        ('{"s": "1"}', {"pointer": "/s", "values": {"occupied": 1}}, "unknown-value"),
        ('{"s": 1}', {"pointer": "/s", "values": {"occupied": "1"}}, "unknown-value"),
    ],
)
def test_what_is_turned_away(payload: str | bytes, table: dict[str, Any], reason: str) -> None:
    with pytest.raises(RejectedInputError) as caught:
        report(payload, **table)
    assert caught.value.reason == reason


@given(st.binary(max_size=200))
def test_no_payload_does_anything_but_say_a_word_or_be_turned_away(payload: bytes) -> None:
    for table in ({}, {"pointer": "/state", "values": ON_OFF}, {"values": {"clear": 0}}):
        try:
            assert report(payload, **table) in {"clear", "occupied"}
        except RejectedInputError:
            continue


def test_a_place_that_may_be_absent_says_nothing() -> None:
    form = ReportFormat.make(
        "detector d1", ("clear", "occupied"), {"pointer": "/d1"}, optional=True
    )
    assert form.decode(b"", lambda: {"d2": "clear"}) is None


def order(**table: Any) -> dict[str, str]:
    form = OrderFormat.make("signal M1", ("danger", "clear"), table)
    return {word: payload.decode() for word, payload in form.payloads.items()}


@pytest.mark.parametrize(
    ("table", "clear"),
    [
        ({}, "clear"),
        ({"values": {"clear": "G"}}, "G"),
        ({"values": {"clear": 1}}, "1"),
        ({"values": {"clear": True}}, "true"),
        ({"pointer": "/aspect"}, '{"aspect":"clear"}'),
        ({"pointer": "/heads/M1/aspect", "values": {"clear": 3}}, '{"heads":{"M1":{"aspect":3}}}'),
        ({"pointer": ""}, '"clear"'),
        ({"template": "SET {value}!"}, "SET clear!"),
        ({"template": '{"a": "{value}", "b": 2}'}, '{"a": "clear", "b": 2}'),
        ({"template": '{"a": {value}}', "values": {"clear": 7}}, '{"a": 7}'),
        ({"template": '{"a": "{value}"}', "values": {"clear": 'say "go"'}}, None),
    ],
)
def test_how_an_order_is_written(table: dict[str, Any], clear: str | None) -> None:
    payload = order(**table)["clear"]
    if clear is None:
        assert json.loads(payload) == {"a": 'say "go"'}
    else:
        assert payload == clear


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"values": "ON"}, "values is 'ON'"),
        ({"values": {"green": "ON"}}, "values has green"),
        ({"values": {"clear": None}}, "value for clear is None"),
        ({"pointer": "aspect"}, "pointer 'aspect' cannot be used"),
        ({"pointer": 3}, "pointer 3 cannot be used"),
        ({"template": "SET"}, "no place for the value"),
        ({"template": 4}, "no place for the value"),
        ({"template": "{value}", "pointer": "/a"}, "both a pointer and a template"),
        ({"values": {"clear": "danger"}}, "clear would be sent just as danger"),
        ({"values": {"clear": 1, "danger": "1"}}, "clear would be sent just as danger"),
    ],
)
def test_orders_that_cannot_be_written_are_refused(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        order(**table)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"values": {"occupied": "ON", "clear": "ON"}}, "stands for both 'occupied' and 'clear'"),
        ({"values": {"occupied": 1, "clear": 1.0}}, "stands for both"),
        ({"values": {"busy": "ON"}}, "values has busy"),
        ({"values": {"clear": {}}}, "value for clear is"),
        ({"pointer": "state"}, "cannot be used"),
    ],
)
def test_reports_that_cannot_be_read_are_refused(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        report("x", **table)
