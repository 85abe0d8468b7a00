"""Aspects of rings, chains and mixed lines against the oracle of published rules.

The oracle (``tests/oracle.py``) is written from Network Rail, safety jargon
buster, "four-aspect signal": green, the next three sections clear (four
aspects) or two (three aspects); double yellow, two; single yellow, one; red,
none. Two aspects from memory.
"""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import oracle
from tests.rig import FREE, Rig, chain_text, ring_text


def gray(count: int) -> list[tuple[bool, ...]]:
    """Every pattern of ``count`` bits, each one bit away from the one before."""
    codes = [number ^ (number >> 1) for number in range(2**count)]
    return [tuple(bool(code >> bit & 1) for bit in range(count)) for code in codes]


def put(rig: Rig, pattern: tuple[bool, ...]) -> None:
    """Occupy just the blocks of a pattern."""
    rig.occupied(*(f"b{index}" for index, train in enumerate(pattern) if train))
    rig.clear(*(f"b{index}" for index, train in enumerate(pattern) if not train))


@pytest.mark.parametrize("count", range(3, 13))
@pytest.mark.parametrize("aspects", [2, 3, 4])
def test_ring_in_every_occupancy_pattern(aspects: int, count: int) -> None:
    kinds = [aspects] * count
    rig = Rig(ring_text(kinds, settings=FREE))
    for pattern in gray(count):
        put(rig, pattern)
        shown = rig.aspects()
        assert shown == oracle.ring(kinds, pattern), pattern
        assert [rig.stop(f"T{index}") for index in range(count)] == [
            aspect == oracle.RED for aspect in shown
        ]


@pytest.mark.parametrize("kinds", list(product((2, 3, 4), repeat=4)))
def test_mixed_ring_of_four(kinds: tuple[int, ...]) -> None:
    rig = Rig(ring_text(kinds, settings=FREE))
    for pattern in gray(4):
        put(rig, pattern)
        assert rig.aspects() == oracle.ring(kinds, pattern), pattern


@given(st.lists(st.sampled_from([2, 3, 4]), min_size=3, max_size=12), st.data())
def test_mixed_ring_of_any_size(kinds: list[int], data: st.DataObject) -> None:
    rig = Rig(ring_text(kinds, settings=FREE))
    for _ in range(3):
        pattern = tuple(data.draw(st.booleans()) for _ in kinds)
        put(rig, pattern)
        assert rig.aspects() == oracle.ring(kinds, pattern)


@pytest.mark.parametrize("end", ["buffer", "open"])
@pytest.mark.parametrize("kinds", list(product((2, 3, 4), repeat=4)))
def test_mixed_chain_to_an_end(kinds: tuple[int, ...], end: str) -> None:
    rig = Rig(chain_text(kinds, end=end, settings=FREE))
    rig.clear("a")
    for pattern in gray(4):
        put(rig, pattern)
        assert rig.aspects() == oracle.chain(kinds, pattern, end), pattern  # type: ignore[arg-type]


def test_a_driver_in_four_aspect_territory_sees_green_double_yellow_yellow_red() -> None:
    # Network Rail, safety jargon buster, "four-aspect signal": G, YY, Y, R.
    rig = Rig(chain_text([4] * 5, end="open", settings=FREE)).clear("a")
    put(rig, (False, False, False, False, True))
    assert rig.aspects() == ["clear", "clear", "preliminary-caution", "caution", "danger"]


def test_house_practice_shows_the_same_aspects_with_other_lamps() -> None:
    rig = Rig(chain_text([4] * 5, end="open", practice="house", settings=FREE)).clear("a")
    put(rig, (False, False, False, False, True))
    assert rig.aspects() == ["clear", "clear", "preliminary-caution", "caution", "danger"]
    row = rig.table.rows[2]
    shown = rig.table.practice.heads[row.head].shows["preliminary-caution"]
    assert shown.flash
    assert len(shown.lamps) == 1


def test_a_fresh_interlocking_is_all_danger_with_stops_applied_and_blocks_occupied() -> None:
    rig = Rig(ring_text([4] * 5))
    now = rig.interlocking.snapshot()
    assert set(now.aspects.values()) == {"danger"}
    assert all(now.stops.values())
    assert all(now.occupied.values())


def test_danger_goes_out_before_anything_else_and_stops_first() -> None:
    rig = Rig(ring_text([4] * 5, settings=FREE)).clear(*(f"b{index}" for index in range(5)))
    rig.orders.clear()
    rig.occupied("b3")
    told = [(str(order.device), order.value) for order in rig.orders]
    assert told == [
        ("stop T3", "applied"),
        ("signal S3", "danger"),
        ("signal S2", "caution"),
        ("signal S1", "preliminary-caution"),
    ]
    rig.orders.clear()
    rig.clear("b3")
    assert str(rig.orders[-1].device) == "stop T3"
