"""Published stations, derived from our description of their track and compared row by row.

Each layout file beside this one names its source, and what of it is ours. The
labels in the tables here are those of the sources.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import combinations, permutations
from pathlib import Path

import pytest

from signalling.layout.notation import Lie
from signalling.table.conflicts import Why, conflicts_of, excludes
from signalling.table.expression import Reader
from signalling.table.load import load_table
from signalling.table.row import Row
from signalling.table.table import Table
from tests.rig import table_from
from tests.table.pairs import go_together

HERE = Path(__file__).parent
N, R = Lie.NORMAL, Lie.REVERSE

Pair = frozenset[str]


def table_of(name: str) -> Table:
    return load_table(HERE / f"{name}.toml")


def rows_of(table: Table) -> Mapping[str, Row]:
    return {row.name: row for row in table.rows}


def pairs(names: Iterable[str]) -> set[Pair]:
    return {frozenset(pair) for pair in combinations(names, 2)}


def conflicting(table: Table, names: Iterable[str]) -> set[Pair]:
    """Return the pairs of routes that conflict by our table."""
    found = conflicts_of(table.rows)
    return {
        frozenset((one, two))
        for one, two in combinations(names, 2)
        if two in found[one] and excludes(found[one][two])
    }


@pytest.mark.parametrize("name", ["nine_routes", "two_branches", "two_loops"])
def test_the_running_interlocking_refuses_what_the_matrix_says_and_no_more(name: str) -> None:
    table = table_of(name)
    clashes = conflicting(table, rows_of(table))
    for one, two in permutations(table.rows, 2):
        assert go_together(table, one, two) == (frozenset((one.name, two.name)) not in clashes)


# -- the junction of nine routes ------------------------------------------------------------

NINE = {
    "R100": ("S100", "S102", ("TAB",), {}),
    "R102A": ("S102", "S110", ("TAC", "TAD"), {"P100": R, "P110": N}),
    "R102B": ("S102", "S104", ("TAC", "TAD", "TAF"), {"P100": N, "P110": N}),
    "R106": ("S106", "S108", ("TBB",), {}),
    "R108A": ("S108", "S110", ("TAC", "TAD"), {"P100": N, "P110": N}),
    "R108B": ("S108", "S104", ("TAC", "TAD", "TAF"), {"P100": N, "P110": R}),
    "R101-1": ("S101", "S103", ("TAD", "TAC", "TAB"), {"P100": N, "P110": N}),
    "R101-2": ("S101", "S103", ("TAD", "TAC", "TAB"), {"P100": R, "P110": R}),
    "R103": ("S103", "S105", ("TAA",), {}),
}
"""The published table: from, to, tracks in order, points."""

OURS = {
    "R100": "S100/lower",
    "R102A": "S102/upper",
    "R102B": "S102/lower/S104/P100-normal/P110-normal",
    "R106": "S106/upper",
    "R108A": "S108/upper/S110",
    "R108B": "S108/upper/S104",
    "R101-1": "S101/lower/S103/P100-normal/P110-normal",
    "R101-2": "S101/lower/S103/P100-reverse/P110-reverse",
    "R103": "S103/lower",
}
LEVELS = {"X1", "X2"}
"""Blocks that we added, for the two tracks between the crossovers."""


@pytest.fixture(scope="module")
def nine() -> Table:
    return table_of("nine_routes")


def in_published_words(table: Table) -> dict[str, tuple[object, ...]]:
    """Return our rows of the nine routes in the form of the published table."""
    rows = rows_of(table)
    return {
        label: (
            rows[name].signal,
            rows[name].route.exit,
            tuple(block for block in rows[name].route.blocks if block not in LEVELS),
            dict(rows[name].lies),
        )
        for label, name in OURS.items()
    }


def test_each_of_the_nine_rows_is_as_published(nine: Table) -> None:
    assert in_published_words(nine) == NINE


def test_what_we_derive_besides_is_explained(nine: Table) -> None:
    assert set(rows_of(nine)) - set(OURS.values()) == {
        # The source ends at these signals; ours lead on, to the border of the drawing.
        "S104/lower",
        "S110/upper",
        "S105/lower",
        # The track can be run so, over two crossovers or against the upper line; the source has
        # no such route. Ours are all that the track and the signals make.
        "S102/lower/S104/P100-reverse/P110-reverse",
        "S101/upper",
    }


def test_seventeen_pairs_conflict_as_published(nine: Table) -> None:
    shared = {
        frozenset((OURS[one], OURS[two]))
        for one, two in combinations(NINE, 2)
        if set(NINE[one][2]) & set(NINE[two][2])
    }
    assert len(pairs(NINE)) == 36
    assert len(shared) == 17
    # Published: routes that share a track. Ours: the same pairs, though by other rules: one
    # signal, turnouts, opposing trains, trains that come together. One that follows another over
    # the same track would be no conflict with us; no two of these nine do.
    assert conflicting(nine, OURS.values()) == shared


def test_two_routes_conflict_by_track_only(nine: Table) -> None:
    """R102B and R108A need the same lies, and run side by side over the same tracks."""
    why = conflicts_of(nine.rows)[OURS["R102B"]][OURS["R108A"]]
    assert why == {Why.TRACK: ("TAC", "TAD")}


POINT_FREE = {
    ("P100", N): ("TAC", "TAC", 2),
    ("P100", R): ("TAC", "TAC", 4),
    ("P110", N): ("TAD", "TAC", 2),
    ("P110", R): ("TAD", "TAD", 4),
}
"""Published: what must be free before points move so: a track clear, and sub-routes of a track.

P110 normal is as it stands there: with sub-routes of TAC, where TAD must be meant.
"""


def sub_routes(table: Table, turnout: str, lie: Lie) -> set[tuple[str, str, str]]:
    """Return the ways through the turnout's block by which our routes keep it from moving so."""
    block = table.layout.turnouts[turnout].block
    return {
        (way.rear, way.block, way.ahead or "")
        for row in table.rows
        for way in row.route.ways
        if way.block == block and (turnout, lie.other) in way.lies
    }


def ways(table: Table, turnout: str, lie: Lie) -> int:
    """Return in how many directions and ways a turnout can be run over at a lie."""
    block = table.layout.turnouts[turnout].block
    return sum(
        (turnout, lie) in way.lies
        for (at, _), found in table.track.ways.items()
        for way in found
        if at == block
    )


def test_a_misprint_in_the_published_data_is_found_by_comparing(nine: Table) -> None:
    differing = set()
    for (turnout, lie), (clear, of, count) in POINT_FREE.items():
        ours = sub_routes(nine, turnout, lie)
        assert clear == nine.layout.turnouts[turnout].block
        assert ways(nine, turnout, lie.other) == count
        if {block for _, block, _ in ours} != {of}:
            differing.add((turnout, lie))
        # Of the published sub-routes, one that no route of the nine runs over may be besides.
        assert count - len(ours) in (0, 1)
    assert differing == {("P110", N)}


def test_points_are_locked_by_their_own_track_and_the_routes_over_it(nine: Table) -> None:
    for turnout, block in (("P100", "TAC"), ("P110", "TAD")):
        locked = Reader(nine.graph).equation(f"turnout {turnout} locked")
        terms = {part.bracketed for part in locked.parts}
        over = {row.name for row in nine.rows if turnout in dict(row.lies)}
        assert terms == {
            f"out of use turnout {turnout}",  # ours: a person may take it away
            f"block {block} occupied",
            *(f"route {name} holds {block}" for name in over),
        }


def test_a_mistake_in_the_description_is_found_by_comparing() -> None:
    text = (HERE / "nine_routes.toml").read_text("utf-8")
    misplaced = text.replace('S104 = { at = "TAF > RB"', 'S104 = { at = "TAD > TAF"')
    assert misplaced != text
    ours = in_published_words(table_from(misplaced))
    assert {label for label in NINE if ours[label] != NINE[label]} == {"R102B", "R108B"}


# -- two branches ---------------------------------------------------------------------------

FIVE = {
    "S07-S11": ({"Sw01": N}, {"ne14", "ne16"}),
    "S08-S11": ({"Sw01": R}, {"ne15", "ne16"}),
    "S09-S12": ({"Sw02": N}, {"ne18", "ne16"}),
    "S10-S13": ({"Sw03": N}, {"ne20", "ne19"}),
    "S10-S12": ({"Sw03": R, "Sw02": R}, {"ne20", "ne17", "ne16"}),
}
"""The experts' routes: switches, and track with that before the signal."""

TEN = (*FIVE, "S11-ne18", "S11-ne20", "S12-ne14", "S12-ne15", "S14-ne20")


def by_ends(table: Table) -> Mapping[str, Row]:
    """Return our rows by where they begin and end, as the source names its routes."""
    return {f"{row.signal}-{row.route.exit or row.route.blocks[-1]}": row for row in table.rows}


def elements(row: Row) -> set[str]:
    """Return what the source's rule looks at: track, that before the signal too, and switches."""
    track = {block for block in row.route.blocks if block[0] not in "wv" or block == "west"}
    return {row.route.entry.rear, *track, *(turnout for turnout, _ in row.route.lies)}


def published_rule(rows: Iterable[Row]) -> set[Pair]:
    """Return the pairs that share an element of track or a switch."""
    return {
        frozenset((one.name, two.name))
        for one, two in combinations(rows, 2)
        if elements(one) & elements(two)
    }


def check_differences(table: Table, rows: Mapping[str, Row], expected: int) -> None:
    """Check that we differ from the source in one thing alone, and in how many pairs.

    The source counts the track before the signal, where the train of a route
    stands, to the route. So routes conflict there that run one after the other,
    and those that leave a track by its two ends. With us that track is kept by
    the route that led there; two trains do not get in each other's way by it.
    """
    ours = conflicting(table, [row.name for row in rows.values()])
    theirs = published_rule(rows.values())
    assert ours < theirs
    by_name = rows_of(table)
    for pair in theirs - ours:
        one, two = (by_name[name] for name in pair)
        starts = {one.route.entry.rear, two.route.entry.rear}
        assert elements(one) & elements(two) <= starts, pair
    assert len(theirs - ours) == expected


@pytest.fixture(scope="module")
def branches() -> Table:
    return table_of("two_branches")


def test_each_of_the_five_rows_is_as_published(branches: Table) -> None:
    rows = by_ends(branches)
    for label, (switches, track) in FIVE.items():
        row = rows[label]
        assert dict(row.route.lies) == switches
        assert elements(row) == track | set(switches)


def test_seven_of_the_ten_pairs_conflict_as_published(branches: Table) -> None:
    rows = by_ends(branches)
    names = {rows[label].name: label for label in FIVE}
    free = {
        frozenset(names[name] for name in pair)
        for pair in pairs(names) - conflicting(branches, names)
    }
    # "Only S10-S13 is free of the first three."
    assert free == {frozenset(("S10-S13", label)) for label in ("S07-S11", "S08-S11", "S09-S12")}
    assert published_rule(rows[label] for label in FIVE) == conflicting(branches, names)


def test_ten_routes_are_generated_with_as_many_conflicts_as_published(branches: Table) -> None:
    rows = by_ends(branches)
    # S13 ends what the source describes; ours leads on from it.
    assert set(rows) - set(TEN) == {"S13-west"}
    ten = {label: rows[label] for label in TEN}
    assert (len(ten), len(pairs(ten))) == (10, 45)
    assert len(published_rule(ten.values())) == 33
    check_differences(branches, ten, 12)


def test_flank_is_ours(branches: Table) -> None:
    """The source's tables have no flank protection; ours lays the switch beside a route."""
    rows = by_ends(branches)
    beside = {
        label: {(each.turnout, each.lie) for each in row.flank}
        for label, row in rows.items()
        if row.flank
    }
    assert beside == {
        "S09-S12": {("Sw03", N)},
        "S11-ne18": {("Sw03", N)},
        "S10-S13": {("Sw02", N)},
        "S14-ne20": {("Sw02", N)},
    }


# -- two loops ------------------------------------------------------------------------------


def test_two_loops_have_the_routes_and_conflicts_that_are_published() -> None:
    table = table_of("two_loops")
    rows = rows_of(table)
    assert (len(rows), len(pairs(rows))) == (16, 120)
    assert len(published_rule(rows.values())) == 40
    check_differences(table, rows, 12)


def test_no_route_of_one_loop_conflicts_with_the_other() -> None:
    table = table_of("two_loops")
    rows = rows_of(table)
    for pair in conflicting(table, rows) | published_rule(rows.values()):
        assert len({name[0] for name in pair}) == 1
