from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import RejectedInputError
from transports.can.frames import Frame, decode, encode
from transports.can.schema import dbc_file, load_schema

if TYPE_CHECKING:
    from transports.can.schema import Shape

SCHEMA = load_schema()
DATABASE = cantools.database.load_file(dbc_file(), strict=True)
FOR_ALL = {"AllDanger", "Identify"}


@st.composite
def frames(draw: st.DrawFn) -> dict[str, Any]:
    """Draw what ``encode`` takes."""
    shape = draw(st.sampled_from(list(SCHEMA.named.values())))
    group = draw(st.integers(shape.group.least, shape.group.most))
    return {
        "name": shape.name,
        "node": draw(st.integers(0 if shape.name in FOR_ALL else 1, 127)),
        "group": group,
        "counter": draw(st.integers(0, 65535)),
        "values": {
            field.name: draw(st.integers(field.least, field.most))
            for field in shape.fields.values()
            if field.page in (None, group)
        },
    }


def reason(identifier: int, data: bytes) -> str:
    with pytest.raises(RejectedInputError) as caught:
        decode(identifier, data)
    return caught.value.reason


def example(shape: Shape) -> tuple[int, bytes]:
    values = {name: field.most for name, field in shape.fields.items() if field.page in (None, 0)}
    return encode(shape.name, 85, counter=0xA55A, values=values)


@given(frames())
def test_what_is_encoded_is_decoded(said: dict[str, Any]) -> None:
    frame = decode(*encode(**said))
    assert (frame.shape.name, frame.node) == (said["name"], said["node"])
    assert (frame.group, frame.counter) == (said["group"], said["counter"])
    assert frame.values() == said["values"]


@given(frames())
def test_cantools_reads_the_same(said: dict[str, Any]) -> None:
    identifier, data = encode(**said)
    message = DATABASE.get_message_by_name(said["name"])
    assert message.frame_id == identifier & ~0x7F
    read = dict(message.decode(data, decode_choices=False, allow_excess=False))
    header = {name: read.pop(name) for name in ("Crc", "Counter", "Version")}
    assert read.pop("Page" if message.is_multiplexed() else "Group") == said["group"]
    assert header == {"Crc": data[0], "Counter": said["counter"], "Version": SCHEMA.version}
    assert read == said["values"]


@given(frames())
def test_cantools_writes_the_same(said: dict[str, Any]) -> None:
    _, data = encode(**said)
    message = DATABASE.get_message_by_name(said["name"])
    header = {
        "Crc": data[0],
        "Counter": said["counter"],
        "Version": SCHEMA.version,
        "Page" if message.is_multiplexed() else "Group": said["group"],
    }
    assert message.encode(said["values"] | header) == data


@given(st.integers(0, 0x7FF), st.binary(max_size=64))
def test_whatever_arrives_is_a_frame_or_is_rejected(identifier: int, data: bytes) -> None:
    try:
        frame = decode(identifier, data)
    except RejectedInputError:
        return
    assert (
        encode(
            frame.shape.name,
            frame.node,
            group=frame.group,
            counter=frame.counter,
            values=frame.values(),
        )[0]
        == identifier
    )


@pytest.mark.parametrize("shape", SCHEMA.named.values(), ids=lambda shape: shape.name)
def test_every_flip_of_one_or_two_bits_is_rejected(shape: Shape) -> None:
    identifier, data = example(shape)
    bits = len(data) * 8
    whole = identifier << bits | int.from_bytes(data, "little")
    for count in (1, 2):
        for places in combinations(range(bits + 11), count):
            flipped = whole
            for place in places:
                flipped ^= 1 << place
            found, left = flipped >> bits, flipped & (1 << bits) - 1
            with pytest.raises(RejectedInputError):
                decode(found, left.to_bytes(len(data), "little"))


@pytest.mark.parametrize("shape", SCHEMA.named.values(), ids=lambda shape: shape.name)
def test_every_other_length_is_rejected(shape: Shape) -> None:
    identifier, data = example(shape)
    for length in range(shape.length):
        assert reason(identifier, data[:length]) == "truncated"
    for more in (1, 4, 56):
        assert reason(identifier, data + bytes(more)) == "oversized"


@pytest.mark.parametrize("number", sorted(set(range(16)) - set(SCHEMA.shapes)))
def test_a_class_that_there_is_not(number: int) -> None:
    assert reason(number << 7 | 3, bytes(8)) == "unknown-class"


def resealed(identifier: int, data: bytes) -> bytes:
    from transports.can.protect import check_sum

    return bytes([check_sum(identifier, data)]) + data[1:]


@pytest.mark.parametrize("version", sorted(set(range(16)) - {1}))
def test_another_version_is_rejected(version: int) -> None:
    identifier, data = encode("DetectorReport", 3, counter=1, values={"Port0": 1})
    other = data[:3] + bytes([version << 4]) + data[4:]
    assert reason(identifier, resealed(identifier, other)) == "version"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("StopOrder", "02000000"),
        ("StopOrder", "000000C0"),
        ("LockOrder", "08000000"),
        ("DetectorReport", "03000000"),
        ("TurnoutOrder", "00C00000"),
        ("StopProof", "0000000C"),
        ("SignalProof", "03000000"),
        ("SignalProof", "24000000"),
        ("NodeStatus", "00000000"),
    ],
)
def test_a_value_that_is_never_sent_is_rejected(name: str, content: str) -> None:
    identifier = SCHEMA.named[name].identifier(3)
    data = bytes.fromhex("00010010" + content)
    assert reason(identifier, resealed(identifier, data)) == "out-of-range"


def test_a_page_that_there_is_not_is_rejected() -> None:
    data = bytes.fromhex("0001001400000000")
    assert reason(0x503, resealed(0x503, data)) == "out-of-range"


@pytest.mark.parametrize("name", sorted(set(SCHEMA.named) - FOR_ALL))
def test_only_two_classes_are_for_every_node(name: str) -> None:
    identifier = SCHEMA.named[name].identifier(0)
    data = bytes.fromhex("0001001001000000")[: SCHEMA.named[name].length]
    assert reason(identifier, resealed(identifier, data)) == "wrong-node"
    with pytest.raises(ValueError, match="nodes 1 to 127, not 0"):
        encode(name, 0, counter=1, values={"Serial": 1} if name == "NodeStatus" else {})


def test_spare_bits_are_ignored() -> None:
    identifier, data = encode("SignalProof", 3, counter=1, values={"Lamps0": 2})
    spare = resealed(identifier, data[:4] + bytes([data[4] | 0xC0]) + data[5:])
    assert decode(identifier, spare)["Lamps0"] == 2


@pytest.mark.parametrize(
    ("given_", "said"),
    [
        ({"node": 128}, "nodes 1 to 127, not 128"),
        ({"group": 16}, "Group is 16"),
        ({"counter": 65536}, "Counter is 65536"),
        ({"counter": -1}, "Counter is -1"),
        ({"values": {"Port0": 2}}, "Port0 is 2, not 0 to 1"),
        ({"values": {"Port0": -1}}, "Port0 is -1"),
    ],
)
def test_what_may_not_be_sent(given_: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        encode(**{"name": "StopOrder", "node": 3, "counter": 1} | given_)


def test_a_value_of_another_page_may_not_be_sent() -> None:
    with pytest.raises(ValueError, match="FirmwareMajor is not on page 2"):
        encode("NodeStatus", 3, group=2, counter=1, values={"FirmwareMajor": 1})
    with pytest.raises(KeyError):
        encode("StopOrder", 3, counter=1, values={"Port16": 1})


def test_a_frame_gives_its_content_without_its_header() -> None:
    frames = [
        decode(*encode("StopOrder", 3, counter=counter, values={"Port2": 1})) for counter in (1, 2)
    ]
    assert isinstance(frames[0], Frame)
    assert frames[0] != frames[1]
    assert frames[0].content == frames[1].content == 0x10
