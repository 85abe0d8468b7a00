"""What signals must show, written from the published rules alone.

Law of this file: nothing of the package is imported, and no equation of it is
repeated. Two ways are used, each as it is published:

* lines of one kind of signal: by counting the clear sections ahead. Four
  aspects: green, the next three sections are clear; double yellow, two; single
  yellow, one; red, none. Three aspects: green, two; yellow, one; red, none.
  (Network Rail, safety jargon buster, "four-aspect signal"; read.)
* mixed lines: by what the next signal shows, walked backwards from a signal
  whose aspect is certain. Four aspects: next red, single yellow; next single
  yellow, double yellow; else green (the same source; read). Three aspects: next
  red, yellow; else green (the same; the sequence G, Y, R). Two aspects: green
  when its own section is clear (from memory).
* lines up to a junction with a fast diverging route: by what the next signal
  shows, where a junction signal held at yellow for that route counts as something
  of its own. Signals that can flash: next so held, flashing yellow; four aspects,
  next at flashing yellow, two flashing yellows. (railforums.co.uk threads 2776 and
  213800; read.)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

RED = "danger"
YELLOW = "caution"
DOUBLE_YELLOW = "preliminary-caution"
GREEN = "clear"

BY_CLEAR_SECTIONS = {
    3: (RED, YELLOW, GREEN),
    4: (RED, YELLOW, DOUBLE_YELLOW, GREEN),
}
"""Aspects of a line of one kind of signal, by how many sections ahead are clear."""

BY_NEXT_SIGNAL = {
    2: {RED: GREEN, YELLOW: GREEN, DOUBLE_YELLOW: GREEN, GREEN: GREEN},
    3: {RED: YELLOW, YELLOW: GREEN, DOUBLE_YELLOW: GREEN, GREEN: GREEN},
    4: {RED: YELLOW, YELLOW: DOUBLE_YELLOW, DOUBLE_YELLOW: GREEN, GREEN: GREEN},
}
"""Aspect of a signal whose own section is clear, by what the next signal shows."""


HELD = "held at yellow for a fast diverging route"
FLASHING_YELLOW = "flashing-caution"
FLASHING_DOUBLE_YELLOW = "flashing-preliminary-caution"

TO_A_JUNCTION = {
    "three": {RED: YELLOW, HELD: YELLOW},
    "four": {
        RED: YELLOW,
        HELD: YELLOW,
        YELLOW: DOUBLE_YELLOW,
        FLASHING_YELLOW: DOUBLE_YELLOW,
    },
    "three-flashing": {RED: YELLOW, HELD: FLASHING_YELLOW},
    "four-flashing": {
        RED: YELLOW,
        HELD: FLASHING_YELLOW,
        YELLOW: DOUBLE_YELLOW,
        FLASHING_YELLOW: FLASHING_DOUBLE_YELLOW,
    },
}
"""Aspect of a signal before a junction whose own section is clear, by what the next one shows or
is; green, where nothing is said."""

MAY_FOLLOW = {
    YELLOW: {RED, YELLOW, FLASHING_YELLOW, DOUBLE_YELLOW, FLASHING_DOUBLE_YELLOW, GREEN},
    FLASHING_YELLOW: {YELLOW, FLASHING_YELLOW, DOUBLE_YELLOW, FLASHING_DOUBLE_YELLOW, GREEN},
    DOUBLE_YELLOW: {YELLOW, FLASHING_YELLOW, DOUBLE_YELLOW, FLASHING_DOUBLE_YELLOW, GREEN},
    FLASHING_DOUBLE_YELLOW: {FLASHING_YELLOW, DOUBLE_YELLOW, FLASHING_DOUBLE_YELLOW, GREEN},
}
"""What a driver may find after each aspect: what it announces, or a signal that has stepped up."""


def to_a_junction(kinds: Sequence[str], trains: Sequence[bool], junction: str) -> list[str]:
    """Return what the signals before a junction signal show.

    ``trains`` says whether the section behind each holds a train; ``junction`` is what the
    junction signal shows, or ``HELD``.
    """
    shown: list[str] = []
    beyond = junction
    for kind, train in zip(reversed(kinds), reversed(trains), strict=True):
        beyond = RED if train else TO_A_JUNCTION[kind].get(beyond, GREEN)
        shown.insert(0, beyond)
    return shown


def can_announce(kinds: Sequence[str], trains: Sequence[bool]) -> bool:
    """Return whether a train is where flashing aspects may be shown for it.

    ``trains`` are those of the sections before each signal, and last the one before the junction
    signal: between the first flashing signal's approach and the junction signal. (GK/RT0045
    section 5.2.3.6, as quoted at irse.signalpost.org tid=857: the train detected at a place that
    fits the reading time.)
    """
    flashing = 0
    if kinds[-1].endswith("flashing"):
        flashing = 1
        if len(kinds) > 1 and kinds[-2] == "four-flashing":
            flashing = 2
    return flashing > 0 and any(trains[len(kinds) - flashing :])


def ring(aspects: Sequence[int], occupied: Sequence[bool]) -> list[str]:
    """Return what each signal of a ring shows.

    ``aspects`` has 2, 3 or 4 for each signal; ``occupied`` says whether the section
    behind it, up to the next signal, holds a train. Signal ``i`` is followed by
    ``i + 1``, the last by the first.
    """
    _check(aspects, occupied)
    kind = _one_kind(aspects)
    if kind is not None:
        sections = list(occupied) * (1 + kind)  # far enough round from any signal
        return [_by_counting(kind, sections[place:]) for place in range(len(aspects))]
    return _ring_by_walking(aspects, occupied)


def chain(
    aspects: Sequence[int],
    occupied: Sequence[bool],
    end: Literal["buffer", "open"] = "buffer",
) -> list[str]:
    """Return what each signal of a line with an end shows, in the direction of running.

    Arguments are as for ``ring``. At a ``buffer`` the last section ends at a stop,
    which counts as a red signal; at an ``open`` end nothing restricts the last signal.
    """
    _check(aspects, occupied)
    kind = _one_kind(aspects)
    if kind is not None:
        sections = list(occupied) + [end == "buffer"] * kind
        return [_by_counting(kind, sections[place:]) for place in range(len(aspects))]
    return _chain_by_walking(aspects, occupied, RED if end == "buffer" else GREEN)


def _one_kind(aspects: Sequence[int]) -> int | None:
    kinds = set(aspects)
    return kinds.pop() if len(kinds) == 1 and kinds <= BY_CLEAR_SECTIONS.keys() else None


def _by_counting(kind: int, ahead: Sequence[bool]) -> str:
    clear = 0
    while clear < kind - 1 and not ahead[clear]:
        clear += 1
    return BY_CLEAR_SECTIONS[kind][clear]


def _chain_by_walking(aspects: Sequence[int], occupied: Sequence[bool], beyond: str) -> list[str]:
    shown: list[str] = []
    for kind, train in zip(reversed(aspects), reversed(occupied), strict=True):
        beyond = RED if train else BY_NEXT_SIGNAL[kind][beyond]
        shown.insert(0, beyond)
    return shown


def _ring_by_walking(aspects: Sequence[int], occupied: Sequence[bool]) -> list[str]:
    if not any(occupied):
        return [GREEN] * len(aspects)  # nothing anywhere restricts anything
    # A signal with a train behind it is red whatever follows: cut the ring after it.
    cut = list(occupied).index(True) + 1
    shown = _chain_by_walking(
        [*aspects[cut:], *aspects[:cut]], [*occupied[cut:], *occupied[:cut]], GREEN
    )
    return shown[-cut:] + shown[:-cut]


def _check(aspects: Sequence[int], occupied: Sequence[bool]) -> None:
    if not aspects or len(aspects) != len(occupied):
        raise ValueError("give as many sections as signals, and at least one")
    if not BY_NEXT_SIGNAL.keys() >= set(aspects):
        raise ValueError("signals have 2, 3 or 4 aspects")
