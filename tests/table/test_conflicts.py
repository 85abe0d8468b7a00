"""Conflicts: the printed ones are those that the running equations have."""

from __future__ import annotations

import re
from itertools import permutations
from random import Random

import pytest

from signalling.core.interlocking import Interlocking
from signalling.simulate.run import run
from signalling.simulate.world import World
from signalling.table.conflicts import Reasons, Why, conflicts_of, excludes
from signalling.table.present import control_table
from signalling.table.table import Table
from tests.core.test_controlled_routes import CROSSOVER
from tests.core.test_overlaps import REDUCED, STATION, SWINGING
from tests.core.test_subsidiary_moves import PLATFORM
from tests.rig import chain_text, ring_text, table_from
from tests.simulate.test_random_controlled import Signaller, controlled
from tests.simulate.test_random_railways import railway
from tests.table.pairs import go_together

CROSSING = """
[layout]
name = "Crossing"
[blocks]
w = {}
e = {}
n = {}
s = {}
x = {}
[lines]
across = "w > x > e"
down = "n > x > s"
[signals]
W = { at = "w > x", aspects = 3 }
N = { at = "n > x", aspects = 3 }
"""


def reasons(table: Table, one: str, two: str) -> Reasons:
    return conflicts_of(table.rows)[one].get(two, {})


def test_two_routes_of_a_signal() -> None:
    table = table_from(CROSSOVER)
    assert reasons(table, "A/up", "A/over") == {
        Why.SAME_SIGNAL: (),
        Why.TURNOUT: ("ta",),
        Why.TRACK: ("a2",),
        Why.FLANK: ("tb",),
    }


def test_two_routes_over_a_turnout() -> None:
    table = table_from(CROSSOVER)
    assert reasons(table, "A/over", "B/down") == {
        Why.TURNOUT: ("tb",),
        Why.TRACK: ("b2", "b3"),
        Why.FLANK: ("ta",),
    }
    assert reasons(table, "A/up", "B/down") == {}


def test_two_routes_that_no_turnout_keeps_apart() -> None:
    assert reasons(table_from(CROSSING), "W/across", "N/down") == {Why.TRACK: ("x",)}


def test_a_train_that_follows_another_is_no_conflict() -> None:
    for text in (ring_text([3, 3, 3]), chain_text([3, 4])):
        assert not any(conflicts_of(table_from(text).rows).values())


def test_an_overlap_in_the_way() -> None:
    full = STATION.replace("OVERLAP", 'overlap = "j[t normal] > x[tx normal]"')
    assert reasons(table_from(full), "A/main", "Z/east") == {
        Why.TURNOUT: ("tx",),
        Why.OVERLAP: ("x",),
        Why.FLANK: ("t",),
    }


def test_an_overlap_of_which_there_is_another() -> None:
    table = table_from(STATION.replace("OVERLAP", SWINGING))
    why = reasons(table, "A/main", "Z/east")
    assert why == {Why.SOME_OVERLAP: ("x",)}
    assert not excludes(why)
    cells = {row["route"]: row["conflicts"] for row in control_table(table).rows}
    assert "Z/east" not in cells["A/main"]  # type: ignore[operator]


def test_moves_of_one_signal_exclude_each_other() -> None:
    table = table_from(PLATFORM)
    assert Why.SAME_SIGNAL in reasons(table, "A/in", "A/in/call-on")
    assert Why.SAME_SIGNAL in reasons(table, "A/in/shunt", "A/in/call-on")


def check_pairs(table: Table) -> int:
    """Check every pair of controlled routes, in both orders; return how many can be together."""
    found = conflicts_of(table.rows)
    rows = [row for row in table.rows if row.controlled]
    together = 0
    for one, two in permutations(rows, 2):
        can = go_together(table, one, two)
        why = found[one.name].get(two.name, {})
        assert can == (not excludes(why)), (one.name, two.name, why)
        together += can
    return together


@pytest.mark.parametrize(
    "text",
    [
        CROSSOVER,
        PLATFORM,
        STATION.replace("OVERLAP", SWINGING),
        STATION.replace("OVERLAP", REDUCED),
        STATION.replace("OVERLAP", 'overlap = "j[t normal] > x[tx normal]"'),
        STATION.replace("OVERLAP", 'overlap = "j[t normal] > x"').replace(
            'at = "w > y"', 'overlap = "y[ty reverse]", at = "w > y"'
        ),
    ],
)
def test_two_routes_are_locked_at_one_time_where_there_is_no_conflict_and_nowhere_else(
    text: str,
) -> None:
    assert check_pairs(table_from(text)) > 0


@pytest.mark.parametrize("seed", range(6))
def test_so_it_is_on_random_railways(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    text = re.sub(r"^S\d+ = \{ ", r"\g<0>controlled = true, ", railway(random), flags=re.MULTILINE)
    assert check_pairs(table_from(text)) > 0


@pytest.mark.parametrize("seed", range(100, 104))
def test_no_conflicting_routes_are_ever_locked_with_trains_about(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    table = table_from(controlled(random))
    conflicts = {
        name: {other for other, why in others.items() if excludes(why)}
        for name, others in conflicts_of(table.rows).items()
    }
    guarded = [row.name for row in table.rows if row.guarded]
    world = World(table, seed=seed)
    interlocking = Interlocking(table)
    people = Signaller(random, world, table)
    most = 0
    for _ in range(300):
        run(interlocking, world, 1, people)
        # One that is being released gives its blocks back one by one, behind its train.
        locked = {
            name
            for name in guarded
            if interlocking.value(f"route {name} locked")
            and not interlocking.value(f"route {name} being released")
        }
        most = max(most, len(locked))
        for name in locked:
            assert not locked & conflicts[name], name
    assert most > 1


def test_both_halves_agree() -> None:
    for text in (CROSSOVER, PLATFORM, STATION.replace("OVERLAP", SWINGING), CROSSING):
        found = conflicts_of(table_from(text).rows)
        for one, others in found.items():
            for two, why in others.items():
                back = found[two][one]
                assert {key: set(things) for key, things in why.items()} == {
                    key: set(things) for key, things in back.items()
                }
