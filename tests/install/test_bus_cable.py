from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.install.bus_cable import CABLES, TERMINATOR, Cable, cable_for


@pytest.mark.parametrize(
    ("bitrate", "bus", "stub", "stubs"),
    [
        # CiA 301; can-cia.org, CANopen, lower layers; CAN System Engineering, tables 4.1 and 4.2.
        (1_000_000, 25, 1.5, 7.5),
        (800_000, 50, 2.5, 12.5),
        (500_000, 100, 5.5, 27.5),
        (250_000, 250, 11, 55),
        (125_000, 500, 22, 110),
        (50_000, 1000, 55, 275),
        (20_000, 2500, 137.5, 687.5),
        (10_000, 5000, 275, 1375),
    ],
)
def test_lengths_are_as_published(bitrate: int, bus: float, stub: float, stubs: float) -> None:
    assert cable_for(bitrate) == Cable(bitrate=bitrate, bus=bus, stub=stub, stubs=stubs)


def test_the_resistors_at_both_ends_are_as_published() -> None:
    # ISO 11898-2: 120 ohms at both ends; two in parallel are measured as 60.
    assert TERMINATOR == 120


def test_between_two_bit_rates_the_shorter_cable_holds() -> None:
    assert cable_for(83_333).bus == 500
    assert cable_for(125_001).bus == 250


@given(st.integers(10_000, 1_000_000), st.integers(10_000, 1_000_000))
def test_a_faster_bus_is_never_longer(one: int, other: int) -> None:
    slow, fast = sorted((one, other))
    assert cable_for(fast).bus <= cable_for(slow).bus
    assert cable_for(fast).stub <= cable_for(slow).stub
    assert cable_for(fast).stubs <= cable_for(slow).stubs


@pytest.mark.parametrize("bitrate", [0, 9_999, 1_000_001])
def test_bit_rates_outside_the_table_are_refused(bitrate: int) -> None:
    with pytest.raises(ValueError, match="from 10000 to 1000000 bit/s"):
        cable_for(bitrate)


def test_the_table_goes_from_fast_to_slow() -> None:
    rates = [each.bitrate for each in CABLES]
    assert rates == sorted(rates, reverse=True)
