"""What stands in a payload of JSON, by pointers that a binding could have."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transports.mqtt.payload import Pointer
from transports.mqtt.places import places

# RFC 6901, section 5: its document and what its pointers give, where that is one value.
DOCUMENT = {
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
POINTERS = {
    "/foo/0": "bar",
    "/foo/1": "baz",
    "/": 0,
    "/a~1b": 1,
    "/c%d": 2,
    "/e^f": 3,
    "/g|h": 4,
    "/i\\j": 5,
    '/k"l': 6,
    "/ ": 7,
    "/m~0n": 8,
}


def test_pointers_are_those_of_the_standard() -> None:
    assert places(json.dumps(DOCUMENT).encode(), 1000) == POINTERS


@pytest.mark.parametrize(
    "payload", [b"", b"ON", b"7", b'"text"', b"{", b"{}", b"[]", b'{"a": 1, "a": 2}', b"{\xff}"]
)
def test_what_has_no_places_has_none(payload: bytes) -> None:
    assert places(payload, 1000) == {}


def test_what_is_long_wide_or_deep_is_bounded() -> None:
    assert places(json.dumps({"a": "x" * 1000}).encode(), 1000) == {}
    assert len(places(json.dumps(list(range(10_000))).encode(), 100_000)) == 100
    assert places(b"[1, " + b"[" * 5000 + b"]" * 5000 + b"]", 100_000) in ({}, {"/0": 1})


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
        ),
        max_leaves=10,
    )
)
def test_a_pointer_finds_what_is_told_of_it(document: Any) -> None:
    for pointer, value in places(json.dumps(document).encode(), 10_000).items():
        assert Pointer(pointer).find(document) == value
