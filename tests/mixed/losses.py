"""What each loss at Tern Junction must do to its signals, and what it must leave alone.

Law of this file: worked out by hand from the plan in ``tern.toml`` and the rules
of four-aspect signals: a signal is at danger that stands on what was lost, or
whose route needs a report of it, or the proof of lamps that stand on it; those
before it step down one by one. Every other signal keeps its aspect without a
blink.
"""

from __future__ import annotations

from collections.abc import Mapping

CLEAR: Mapping[str, str] = {
    "R1": "clear",
    "R2": "clear",
    "P1": "clear",
    "P2": "danger",  # turnout te lies for the other platform
    "R3": "clear",
    "R4": "clear",
    "R5": "clear",
    "H1": "clear",
}
"""What is shown while the track is empty and the turnouts lie for platform 1."""
APPLIED = {"SP2"}
"""The stops that are applied then."""

D, C, PC = "danger", "caution", "preliminary-caution"

LOSSES: Mapping[str, Mapping[str, str]] = {
    # Detectors r1, r2, jw; signals R1, R5; the proof of R1, which R5 needs too.
    "board west": {"R1": D, "R2": D, "R5": D, "R4": C, "R3": PC},
    # Detectors p1, p2, je.
    "board station": {"R2": D, "P1": D, "R1": C, "R5": PC},
    # Detectors r3, r4; signals R3, R4; the proof of R3, which P1 needs.
    "board east": {"P1": D, "R3": D, "R4": D, "R2": C, "R1": PC},
    "detector r4": {"R3": D, "P1": C, "R2": PC},
    # No route needs platform 2 while the turnouts lie for platform 1.
    "detector p2": {},
    # Turnouts tw, te.
    "node points": {"R2": D, "P1": D, "R1": C, "R5": PC},
    # Signals R2, P1, P2; the proof of R2, which R1 needs.
    "node box": {"R1": D, "R2": D, "P1": D, "R5": C, "R4": PC},
    "node harbour": {"H1": D},
    # Detector r5 and the danger switch that holds R4.
    "foreign devices": {"R4": D, "R3": C, "P1": PC},
    # All MQTT: the nodes and the foreign devices together.
    "broker": {"R1": D, "R2": D, "P1": D, "R4": D, "H1": D, "R3": C, "R5": C},
    # All CAN. The harbour has nothing on it.
    "bus": {"R1": D, "R2": D, "P1": D, "R3": D, "R4": D, "R5": D},
}
"""The aspects that differ from ``CLEAR`` while something is lost."""

STOPS: Mapping[str, set[str]] = {
    "board west": {"SR1", "SR2", "SR5"},
    "board station": {"SR2", "SP1"},
    "board east": {"SP1", "SR3", "SR4"},
    "detector r4": {"SR3"},
    "detector p2": set(),
    "node points": {"SR2", "SP1"},
    "node box": {"SR1", "SR2", "SP1"},
    "node harbour": set(),
    "foreign devices": {"SR4"},
    "broker": {"SR1", "SR2", "SP1", "SR4"},
    "bus": {"SR1", "SR2", "SP1", "SR3", "SR4", "SR5"},
}
"""The stops that are applied besides: those of signals at danger, and those on what was lost."""


def shown_without(lost: str) -> dict[str, str]:
    return {**CLEAR, **LOSSES[lost]}
