"""Bytes: what is made keeps its schema, what is not certain is turned away."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from signalling.errors import RejectedInputError
from signalling.layout.words import KINDS
from transports.mqtt.own.codec import (
    NAMES,
    AllDanger,
    Gone,
    Heard,
    Identify,
    Message,
    NodeOrder,
    NodeReport,
    NodeStatus,
    check_sum,
    decode,
    encode,
)
from transports.mqtt.own.document import EXAMPLES
from transports.mqtt.own.schema import LONGEST_PAYLOAD, SCHEMAS, sections

VALIDATORS = {name: Draft7Validator(schema) for name, schema in SCHEMAS.items()}

SESSIONS = st.text("0123456789abcdef", min_size=16, max_size=16)
NUMBERS = st.integers(1, 2**32 - 1)
COUNTS = st.integers(0, 2**32 - 1)
NODES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,20}", fullmatch=True)
DEVICES = st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_.\-/]{0,20}", fullmatch=True)
WORDS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)
HEARD = st.none() | st.builds(Heard, session=SESSIONS, seq=NUMBERS)
STATUSES = st.builds(
    NodeStatus,
    serial=NODES,
    start=st.from_regex(r"[0-9a-f]{16}", fullmatch=True),
    firmware=st.sampled_from(["1", "1.4.2", "2.0+dirty"]),
    supply=st.none() | st.integers(0, 65_535),
    rejected=COUNTS,
    lost=COUNTS,
    reconnects=COUNTS,
    orders_lost=st.booleans(),
    supply_low=st.booleans(),
    output_fault=st.booleans(),
)


def by_name(values: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.dictionaries(DEVICES, values, max_size=3)


def words(kind: str, direction: str) -> st.SearchStrategy[str]:
    """Every word of a kind of device, and for those that have further ones any text."""
    row = KINDS[kind]
    known = row.reports if direction == "reports" else row.orders
    more = row.open_reports if direction == "reports" else row.open_orders
    return st.sampled_from(known) | WORDS if more else st.sampled_from(known)


REPORTS = st.fixed_dictionaries(
    {},
    optional={
        kind.name: by_name(st.none() | words(kind.name, "reports")) for kind in sections("reports")
    },
)
HEADS = st.fixed_dictionaries(
    {}, optional={"aspect": words("signal", "orders"), "indicator": words("indicator", "orders")}
)
ORDERS = st.fixed_dictionaries(
    {},
    optional={
        kind.name: by_name(HEADS if kind.name == "signal" else words(kind.name, "orders"))
        for kind in sections("orders")
    },
)
MESSAGES: st.SearchStrategy[Message] = st.one_of(
    st.builds(
        NodeReport,
        node=NODES,
        session=SESSIONS,
        seq=NUMBERS,
        heard=HEARD,
        status=STATUSES,
        reports=REPORTS,
    ),
    st.builds(Gone, node=NODES, session=SESSIONS),
    st.builds(
        NodeOrder,
        node=NODES,
        session=SESSIONS,
        seq=NUMBERS,
        heard=HEARD,
        ttl=st.integers(100, 60_000),
        orders=ORDERS,
    ),
    st.builds(
        Identify,
        node=NODES,
        session=SESSIONS,
        serial=st.none() | NODES,
        seconds=st.integers(1, 3600),
    ),
    st.builds(AllDanger, session=SESSIONS, node=st.none() | NODES),
)


def signed(document: Any) -> bytes:
    """A document as somebody else would write it, with the check sum that belongs to it."""
    text = json.dumps({key: value for key, value in document.items() if key != "crc"})
    data = text.encode()[:-1]
    return data + b',"crc":"' + check_sum(data) + b'"}'


def test_the_check_sum_is_the_published_one() -> None:
    # CRC-32/ISO-HDLC, check value of "123456789": docs.rs crc-catalog.
    assert check_sum(b"123456789") == b"cbf43926"
    assert check_sum(b"") == b"00000000"


@given(MESSAGES)
def test_every_message_that_is_made_keeps_its_schema_and_comes_back_as_it_was(
    message: Message,
) -> None:
    payload = encode(message)
    document = json.loads(payload)
    assert list(VALIDATORS[NAMES[type(message)]].iter_errors(document)) == []
    assert decode(type(message), payload) == message
    assert payload.isascii()


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-2, 2**33)
    | st.floats(allow_nan=False, allow_infinity=False)
    | WORDS,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(WORDS, inner, max_size=2),
    max_leaves=4,
)


@st.composite
def changed(draw: st.DrawFn) -> tuple[Message, Any]:
    """A message, and its document with something in it that may not be what it should."""
    message = draw(MESSAGES)
    document = json.loads(encode(message))
    place = document
    while True:
        key = draw(st.sampled_from(sorted(place)))
        if isinstance(place[key], dict) and place[key] and draw(st.booleans()):
            place = place[key]
            continue
        match draw(st.sampled_from(["other", "gone", "more", "float"])):
            case "other":
                place[key] = draw(JSON)
            case "gone":
                del place[key]
            case "more":
                place[draw(WORDS)] = draw(JSON)
            case "float" if isinstance(place[key], int) and not isinstance(place[key], bool):
                place[key] = float(place[key])
        document.setdefault("crc", "00000000")
        return message, document


@given(changed())
def test_the_codec_takes_what_the_schema_allows_and_nothing_else(
    both: tuple[Message, Any],
) -> None:
    """The codec's validator is a fast one; the plain one of another project judges it."""
    message, document = both
    document["crc"] = "00000000"  # the right one is put in its place
    cls = type(message)
    allowed = VALIDATORS[NAMES[cls]].is_valid(document)
    if allowed:
        decode(cls, signed(document))
    else:
        with pytest.raises(RejectedInputError, match="not-in-schema"):
            decode(cls, signed(document))


SHORT = encode(Gone(node="a", session="5d0c1f8e7a63b294"))


def test_every_one_or_two_wrong_bits_are_found() -> None:
    number, bits = int.from_bytes(SHORT), len(SHORT) * 8
    wrong = [1 << one | 1 << other for one in range(bits) for other in range(one + 1)]
    assert len(wrong) == bits * (bits + 1) // 2
    for mask in wrong:
        data = (number ^ mask).to_bytes(len(SHORT))
        with pytest.raises(RejectedInputError, match="check-sum"):
            decode(Gone, data)


LONG = encode(EXAMPLES["report"])


@given(st.sets(st.integers(0, len(LONG) * 8 - 1), min_size=1, max_size=3))
def test_up_to_three_wrong_bits_are_found_in_a_long_message(wrong: set[int]) -> None:
    mask = sum(1 << bit for bit in wrong)
    data = (int.from_bytes(LONG) ^ mask).to_bytes(len(LONG))
    with pytest.raises(RejectedInputError, match="check-sum"):
        decode(NodeReport, data)


@given(st.integers(0, len(LONG) - 1), st.binary(max_size=3))
def test_what_is_cut_off_or_has_more_behind_it_is_found(length: int, more: bytes) -> None:
    for data in (LONG[:length], LONG + b" " + more, LONG[:length] + LONG):
        if data != LONG:
            with pytest.raises(RejectedInputError, match="check-sum"):
                decode(NodeReport, data)


@given(st.binary(max_size=200))
def test_rubbish_is_turned_away(data: bytes) -> None:
    with pytest.raises(RejectedInputError, match="check-sum"):
        decode(NodeOrder, data)


def test_the_reasons() -> None:
    document = json.loads(encode(EXAMPLES["gone"]))
    cases = {
        "oversized": b"x" * (LONGEST_PAYLOAD + 1),
        "check-sum": encode(EXAMPLES["gone"]).replace(b"shed-1", b"shed-2"),
        "not-json": b'{"node":' + (end := b',"crc":"') + check_sum(b'{"node":') + b'"}',
        "repeated-key": (twice := b'{"node":"a","node":"b"') + end + check_sum(twice) + b'"}',
        "not-in-schema": signed(document | {"session": "x"}),
    }
    for reason, payload in cases.items():
        with pytest.raises(RejectedInputError) as caught:
            decode(Gone, payload)
        assert caught.value.reason == reason


def test_a_message_of_one_class_is_not_taken_for_another() -> None:
    for message in EXAMPLES.values():
        for cls in NAMES:
            # Those two only restrict, and have nothing that others do not have too.
            if cls not in (type(message), Gone, AllDanger):
                with pytest.raises(RejectedInputError, match="not-in-schema"):
                    decode(cls, encode(message))


def test_members_of_a_later_edition_are_passed_over() -> None:
    document = json.loads(encode(EXAMPLES["report"]))
    document["later"] = {"x": 1}
    document["status"]["later"] = 2
    document["reports"]["later"] = {"x": "y"}
    read = decode(NodeReport, signed(document))
    assert read.status == EXAMPLES["report"].status  # type: ignore[union-attr]
    assert read.reports["detector"] == {"d1": "clear", "d2": "occupied", "d3": None}
