"""Conflicts: which routes can never be locked at one time, and why.

Law of this file: read off the rows, as the equations of ``guard`` and
``overlaps`` read them; it decides nothing. Its cost is that of the conflicts
that there are, not of all pairs of routes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from itertools import product

from attrs import define

from signalling.layout.notation import Lie
from signalling.layout.single_lines import LineEnd
from signalling.layout.track import contradict
from signalling.table.choices import Choice
from signalling.table.row import Row

__all__ = ["Reasons", "Why", "conflicts_of", "excludes"]


class Why(StrEnum):
    """Why two routes are not locked at one time."""

    SAME_SIGNAL = "same signal"
    TURNOUT = "turnout"
    """Both run over it, and need it to lie differently."""
    TRACK = "track"
    """Blocks of both, entered by each from another side, or with a turnout that lies otherwise."""
    OVERLAP = "overlap"
    """Blocks that are in the overlap of at least one; where a route chooses its overlap, every
    overlap is in the way."""
    FLANK = "flank"
    """A turnout that both need otherwise, and that is beside at least one of them."""
    SINGLE_LINE = "single line"
    """Lines that the two enter from opposite ends."""
    SOME_OVERLAP = "some overlap"
    """Only some of the overlaps that a route chooses from are in the way: with another one both are
    locked at one time."""


Reasons = Mapping[Why, tuple[str, ...]]
"""By each reason, the blocks or turnouts that it is about, in order."""


def excludes(reasons: Reasons) -> bool:
    """Return whether two routes can never be locked at one time."""
    return any(why is not Why.SOME_OVERLAP for why in reasons)


@define
class _Facts:
    """What is looked up of a row again and again."""

    row: Row
    siblings: frozenset[str]
    kept_apart: frozenset[str]
    """Routes of other signals that are in its way."""
    track: dict[str, None]
    kept_clear: dict[str, None]
    track_lies: frozenset[tuple[str, Lie]]
    lies: frozenset[tuple[str, Lie]]


def _facts(row: Row) -> _Facts:
    return _Facts(
        row,
        siblings=frozenset(row.siblings),
        kept_apart=frozenset((*row.first_come, *row.apart)),
        track=dict.fromkeys(row.route.blocks),
        kept_clear=dict.fromkeys(way.block for way in row.route.kept_clear),
        track_lies=frozenset(row.route.all_lies),
        lies=frozenset(row.lies),
    )


def conflicts_of(rows: tuple[Row, ...]) -> Mapping[str, Mapping[str, Reasons]]:
    """Return, by route, the routes that conflict with it and why, in the order of the rows.

    Both halves are there: where one conflicts with another, so does the other with it.
    """
    facts = {row.name: _facts(row) for row in rows}
    place = {row.name: number for number, row in enumerate(rows)}
    beside = _beside(rows)
    entering: dict[tuple[str, LineEnd], list[str]] = {}
    for row in rows:
        for line_end in row.enters:
            entering.setdefault(line_end, []).append(row.name)
    found: dict[str, dict[str, Reasons]] = {row.name: {} for row in rows}
    for row in rows:
        others = {
            *row.siblings,
            *row.first_come,
            *row.apart,
            *row.overlap_foes,
            *beside.get(row.name, ()),
            *(name for line, end in row.enters for name in entering.get((line, end.other), ())),
        }
        for name in sorted(others, key=lambda each: place[each]):
            reasons = _reasons(facts[row.name], facts[name])
            if reasons:
                found[row.name][name] = reasons
    return found


def _beside(rows: tuple[Row, ...]) -> Mapping[str, Mapping[str, None]]:
    """Return, by route, those that need a turnout otherwise, for the flank of one of the two."""
    needs: dict[tuple[str, Lie], dict[str, None]] = {}
    for row in rows:
        if row.guarded:
            tracks = (row.route.all_lies, *(choice.route.all_lies for choice in row.choices))
            for lies in tracks:
                for turnout, lie in lies:
                    needs.setdefault((turnout, lie), {})[row.name] = None
            for flank in row.flank:
                needs.setdefault((flank.turnout, flank.lie), {})[row.name] = None
    found: dict[str, dict[str, None]] = {}
    for row in rows:
        for flank in row.flank:
            for other in needs.get((flank.turnout, flank.lie.other), ()):
                if other != row.name:
                    found.setdefault(row.name, {})[other] = None
                    found.setdefault(other, {})[row.name] = None
    return found


def _reasons(one: _Facts, two: _Facts) -> Reasons:
    reasons: dict[Why, tuple[str, ...]] = {}
    same_signal = two.row.name in one.siblings
    if same_signal:
        reasons[Why.SAME_SIGNAL] = ()
    if same_signal or two.row.name in one.kept_apart:
        turnouts = _against(one.row.route.all_lies, two.track_lies)
        if turnouts:
            reasons[Why.TURNOUT] = turnouts
        track = tuple(block for block in one.track if block in two.track)
        if track:
            reasons[Why.TRACK] = track
        overlaps = tuple(
            block for block in one.kept_clear if block in two.kept_clear and block not in track
        )
        if overlaps:
            reasons[Why.OVERLAP] = overlaps
    if one.row.flank or two.row.flank:
        flank = _flank(one, two)
        if flank:
            reasons[Why.FLANK] = flank
    lines = tuple(line for line, end in one.row.enters if (line, end.other) in two.row.enters)
    if lines:
        reasons[Why.SINGLE_LINE] = lines
    if not reasons and (one.row.choices or two.row.choices):
        return _by_overlap(one.row, two.row)
    return reasons


def _flank(one: _Facts, two: _Facts) -> tuple[str, ...]:
    """Return turnouts that two routes need otherwise, beside at least one of them."""
    against = _against(one.row.lies, two.lies)
    over_one = {turnout for turnout, _ in one.track_lies}
    over_two = {turnout for turnout, _ in two.track_lies}
    return tuple(each for each in against if not (each in over_one and each in over_two))


def _by_overlap(one: Row, two: Row) -> dict[Why, tuple[str, ...]]:
    """Return the reason, where overlaps that are chosen from are the only one."""
    pairs = product(one.choices or (None,), two.choices or (None,))
    can = [_together(one, mine, two, other) for mine, other in pairs]
    if all(can):
        return {}
    theirs = set(_kept_by_choice(two))
    shared = dict.fromkeys(block for block in _kept_by_choice(one) if block in theirs)
    return {Why.SOME_OVERLAP if any(can) else Why.OVERLAP: tuple(shared)}


def _together(one: Row, mine: Choice | None, two: Row, theirs: Choice | None) -> bool:
    """Return whether two routes can be locked at one time, each with one of its overlaps."""
    if mine is not None and theirs is not None and theirs.route.name in mine.other_choices:
        return False
    return not (_keeps_out(mine, two) or _keeps_out(theirs, one))


def _keeps_out(choice: Choice | None, row: Row) -> bool:
    if choice is None:
        return False
    flank = tuple((each.turnout, each.lie) for each in row.flank)
    return row.name in choice.foes or contradict(choice.route.all_lies, flank)


def _kept_by_choice(row: Row) -> Iterable[str]:
    yield from (way.block for way in row.route.kept_clear)
    for choice in row.choices:
        yield from choice.route.blocks


def _against(one: Iterable[tuple[str, Lie]], two: frozenset[tuple[str, Lie]]) -> tuple[str, ...]:
    """Return the turnouts that must lie one way for one and the other way for the other."""
    return tuple(dict.fromkeys(turnout for turnout, lie in one if (turnout, lie.other) in two))
