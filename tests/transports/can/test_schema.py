"""The DBC itself: strict, whole, integers only, in the order of urgency."""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING

import cantools
import pytest
from hatchling.builders.wheel import WheelBuilder

from transports.can.schema import FILE, dbc_file, load_schema

if TYPE_CHECKING:
    from pathlib import Path

ROOT = dbc_file().parents[1]
DATABASE = cantools.database.load_file(dbc_file(), strict=True)
SCHEMA = load_schema()


def test_most_urgent_first() -> None:
    names = [SCHEMA.shapes[number].name for number in sorted(SCHEMA.shapes)]
    assert names[:3] == ["AllDanger", "StopOrder", "SignalOrder"]
    assert names.index("DetectorReport") < names.index("TurnoutReport")
    assert names.index("TurnoutOrder") < names.index("NodeStatus")
    # Bosch, CAN Specification 2.0, part A, 3.1.1: an identifier does not begin with seven
    # recessive bits (from memory).
    assert max(SCHEMA.shapes) < 15


@pytest.mark.parametrize("message", DATABASE.messages, ids=lambda message: message.name)
def test_integers_only_and_lowest_bit_first(message: cantools.database.can.Message) -> None:
    assert message.frame_id % 128 == 0
    assert not message.is_extended_frame
    assert message.comment
    for signal in message.signals:
        assert signal.byte_order == "little_endian"
        assert not signal.is_signed
        assert not signal.is_float
        assert (signal.scale, signal.offset) == (1, 0)
        assert signal.minimum is not None
        assert signal.maximum is not None
        assert signal.maximum < 1 << signal.length


@pytest.mark.parametrize("shape", SCHEMA.named.values(), ids=lambda shape: shape.name)
def test_zero_is_the_most_restrictive_value(shape: object) -> None:
    restrictive = {"applied", "danger", "dark", "locked", "unknown", "leave", "steady", "no"}
    for field in shape.fields.values():  # type: ignore[attr-defined]
        zero = {name for name, number in field.numbers.items() if number == 0}
        assert zero <= restrictive
        assert len(zero) == (1 if field.numbers else 0)


def test_nodes_keep_a_gap_between_their_frames() -> None:
    # docs/can-bus.md, "Times".
    gaps = {shape.by_controller: shape.gap for shape in SCHEMA.named.values()}
    assert gaps == {True: 0.0, False: 0.01}
    assert all(shape.gap == gaps[shape.by_controller] for shape in SCHEMA.named.values())


def test_the_wheel_brings_it_along(tmp_path: Path) -> None:
    wheel = next(WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"]))
    with zipfile.ZipFile(wheel) as archive:
        assert archive.read(f"transports/can/{FILE}") == dbc_file().read_bytes()
