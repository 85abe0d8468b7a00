"""What a run came to, as data.

Law of this file: frozen facts of one run, counted from what physically
happened; no judgement besides what is wrong-side by nature.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from attrs import frozen

__all__ = ["Record", "TrainRecord", "WrongSide", "WrongSideEvent"]


class WrongSide(StrEnum):
    """Kinds of what must never happen."""

    COLLISION = "collision"
    """Two trains are in one block."""
    PASSED_AT_DANGER = "passed-at-danger"
    """A train's head passed a signal that was on."""
    OFF_OVER_TRAIN = "off-over-train"
    """A signal is off while a train is in a block that it reads over."""
    OFF_OVER_TURNOUT = "off-over-turnout"
    """A signal is off while a turnout that it reads over moves or lies against it."""
    PROMISED_TOO_MUCH = "promised-too-much"
    """A signal's aspect is one that what the next signal shows may not follow."""
    TURNOUT_UNDER_TRAIN = "turnout-under-train"
    """A turnout moved while a train was in its block."""
    RAN_ONTO_TURNOUT = "ran-onto-turnout"
    """A train ran onto a turnout that was moving or lay against it."""


@frozen(kw_only=True)
class WrongSideEvent:
    """One thing that must never happen, at its onset."""

    kind: WrongSide
    seconds: float
    """Time of the run."""
    thing: str
    other: str
    """What else it concerns: the train or trains, or the block or signal."""

    def __str__(self) -> str:
        return f"{self.seconds:.1f} s: {self.kind}: {self.thing}, {self.other}"


@frozen(kw_only=True)
class TrainRecord:
    """What one train did."""

    name: str
    distance: float
    """mm."""
    laps: int
    """Times that it came back into the block that it started in."""
    signals_passed: int
    times_stopped: int


@frozen(kw_only=True)
class Record:
    """What a run came to."""

    seconds: float
    trains: tuple[TrainRecord, ...]
    aspects_shown: Mapping[str, int]
    """Times that a signal came to show each aspect, most restrictive first."""
    aspects_passed: Mapping[str, int]
    """Times that a train's head passed a signal showing each aspect."""
    stops_applied: int
    """Times that a stop was applied after it had been lifted."""
    times_stopped: int
    """Times that a train was brought to a stand."""
    times_held: int
    """Times that a train waited beyond the described track until its block was clear."""
    turnouts_moved: int
    minimum_separation: int | None
    """Blocks from the head of a train on to the tail of the train ahead of it, at the least: 1 is
    the next block, 0 the same one. ``None`` where no train was ever ahead of another."""
    wrong_side: tuple[WrongSideEvent, ...]
