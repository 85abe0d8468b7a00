"""How long the cable of a CAN bus may be.

Law of this file: published figures, and which of them holds at a bit rate.

The figures are those of CiA 301 (the table is also on CAN in Automation's page
on CANopen's lower layers, and in CAN System Engineering, tables 4.1 and 4.2).
Each end of the bus needs its resistor (ISO 11898-2), and nothing else has one.
"""

from __future__ import annotations

from attrs import frozen

__all__ = ["CABLES", "FASTEST", "SLOWEST", "TERMINATOR", "Cable", "cable_for"]

TERMINATOR = 120
"""Ohms across the pair at each of the two ends, so that a meter reads half of it (ISO 11898-2)."""


@frozen(kw_only=True)
class Cable:
    """The longest cable at a bit rate, all in metres."""

    bitrate: int
    """Bit/s."""
    bus: float
    """From end to end."""
    stub: float
    """From the bus to one node."""
    stubs: float
    """All stubs together."""


CABLES = tuple(
    Cable(bitrate=bitrate, bus=bus, stub=stub, stubs=stubs)
    for bitrate, bus, stub, stubs in (
        (1_000_000, 25, 1.5, 7.5),
        (800_000, 50, 2.5, 12.5),
        (500_000, 100, 5.5, 27.5),
        (250_000, 250, 11, 55),
        (125_000, 500, 22, 110),
        (50_000, 1000, 55, 275),
        (20_000, 2500, 137.5, 687.5),
        (10_000, 5000, 275, 1375),
    )
)
"""From the fastest to the slowest bit rate that the table has."""

FASTEST, SLOWEST = CABLES[0].bitrate, CABLES[-1].bitrate


def cable_for(bitrate: int) -> Cable:
    """Return the cable for a bit rate, in bit/s.

    Between two rows, what holds for the faster one: signals go no further in
    the same time. Raises ``ValueError`` for rates outside the table.
    """
    if not SLOWEST <= bitrate <= FASTEST:
        raise ValueError(f"from {SLOWEST} to {FASTEST} bit/s, not {bitrate}")
    return next(each for each in reversed(CABLES) if each.bitrate >= bitrate)
