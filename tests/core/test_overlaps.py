"""Overlaps: full, reduced, swung over, and freed when the train has stopped."""

from __future__ import annotations

import pytest

from signalling.core.words import CancelRoute, Refusal, SetRoute
from signalling.layout.read import examine_text
from tests.rig import Rig

# A platform p whose exit signal E has a turnout beyond: straight on to x, or over to y. Trains
# come to x from z as well, and to y from w.
STATION = """
[layout]
name = "Sallow Junction"
sequence = false
[blocks]
a0 = {}
a1 = {}
p = {}
j = {}
x = {}
y = {}
z = {}
w = {}
x1 = {}
y1 = {}
[turnouts]
t = { block = "j", moved_by = "us" }
tx = { block = "x", moved_by = "us" }
ty = { block = "y", moved_by = "us" }
[lines]
main = "a0 > a1 > p > j[t normal] > x[tx normal] > x1"
branch = "p > j[t reverse] > y[ty normal] > y1"
east = "z > x[tx reverse] > x1"
west = "w > y[ty reverse] > y1"
[signals]
A = { at = "a1 > p", aspects = 3, controlled = true }
E = { at = "p > j", aspects = 3, controlled = true, OVERLAP }
Z = { at = "z > x", aspects = 3, controlled = true }
W = { at = "w > y", aspects = 3, controlled = true }
"""
SWINGING = 'overlap = ["j[t normal] > x", "j[t reverse] > y"]'
REDUCED = 'overlap = "j[t normal] > x", reduced_overlap = "j[t normal]"'


def station(overlap: str) -> Rig:
    rig = Rig(STATION.replace("OVERLAP", overlap)).all_clear()
    return rig.lies("tx", "reverse").lies("ty", "reverse")


def holds(rig: Rig, number: int) -> bool:
    return rig.interlocking.value(f"A/main overlap {number} held") is True


def last_order(rig: Rig, turnout: str) -> str:
    return [o.value for o in rig.orders if str(o.device) == f"turnout {turnout}"][-1]


# -- one of several


def test_the_first_overlap_that_can_be_had_is_taken() -> None:
    rig = station(SWINGING)
    assert rig.ask(SetRoute("A/main")) is None
    assert (holds(rig, 1), holds(rig, 2)) == (True, False)
    assert rig.aspect("A") == "caution"

    rig = station(SWINGING).occupied("x")
    assert rig.ask(SetRoute("A/main")) is None
    assert (holds(rig, 1), holds(rig, 2)) == (False, True)
    assert rig.aspect("A") == "danger", "its turnout has to move first"
    assert last_order(rig, "t") == "reverse"
    rig.lies("t", "reverse").wait(2)
    assert rig.aspect("A") == "caution"


def test_without_any_overlap_a_route_is_refused() -> None:
    rig = station(SWINGING).occupied("x", "y")
    assert rig.refusal("A/main") == (
        "Route A/main cannot be set now: route A/main cannot have the overlap over j, x; "
        "route A/main cannot have the overlap over j, y."
    )


def test_a_signal_is_off_only_while_its_overlap_is_clear() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("A/main"))
    rig.occupied("x")
    assert rig.aspect("A") == "danger"
    rig.clear("x").wait(2)
    assert rig.aspect("A") == "caution"


# -- swinging


def test_an_overlap_swings_for_a_route_that_it_keeps_out() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("A/main"))
    assert rig.ask(SetRoute("Z/east")) is None
    assert (holds(rig, 1), holds(rig, 2)) == (False, True)
    # The turnout protects the one from the side, too.
    assert rig.aspects(["A", "Z"]) == ["danger", "danger"], "while the turnout moves"
    assert last_order(rig, "t") == "reverse"
    rig.lies("t", "reverse").wait(2)
    assert rig.aspects(["A", "Z"]) == ["caution", "caution"]


def test_it_does_not_swing_where_the_other_is_in_the_way_too() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("W/west"))
    rig.ask(SetRoute("A/main"))
    assert "holds its overlap" in rig.refusal("Z/east")
    assert holds(rig, 1)


def test_it_does_not_swing_in_the_face_of_a_driver() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("A/main"))
    rig.occupied("a1")
    assert "holds its overlap" in rig.refusal("Z/east")
    assert rig.aspect("A") == "caution"
    rig.occupied("p")
    assert rig.ask(SetRoute("Z/east")) is None, "the train is in the route: nobody sees the signal"
    assert holds(rig, 2)


def test_it_does_not_swing_for_what_cannot_be_set_anyway() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("A/main"))
    rig.occupied("x").clear("x").wait(2)
    rig.occupied("x")
    assert isinstance(rig.ask(SetRoute("Z/east")), Refusal)
    assert holds(rig, 1)


# -- given up


@pytest.mark.parametrize("overlap", [SWINGING, REDUCED])
def test_an_overlap_is_freed_when_the_train_has_had_time_to_stop(overlap: str) -> None:
    rig = station(overlap)
    rig.ask(SetRoute("A/main"))
    rig.run("a0", "a1", "p")
    assert rig.locked("A/main")
    rig.wait(27)
    assert holds(rig, 1)
    rig.wait(5)
    assert not holds(rig, 1)
    assert rig.ask(SetRoute("Z/east")) is None


def test_an_overlap_goes_with_its_route() -> None:
    rig = station(SWINGING)
    rig.ask(SetRoute("A/main"))
    rig.ask(CancelRoute("A/main"))
    assert not holds(rig, 1)
    assert rig.ask(SetRoute("Z/east")) is None


# -- reduced


def test_a_reduced_overlap_holds_the_signal_until_the_train_is_close() -> None:
    rig = station(REDUCED).occupied("x")
    assert rig.ask(SetRoute("A/main")) is None
    assert holds(rig, 2)
    rig.occupied("a0").wait(1)
    assert rig.aspect("A") == "danger"
    rig.occupied("a1")
    assert rig.aspect("A") == "caution"


def test_with_the_full_overlap_it_does_not() -> None:
    rig = station(REDUCED)
    rig.ask(SetRoute("A/main"))
    assert rig.aspect("A") == "caution"


# -- automatic signals


def test_an_automatic_signal_is_kept_out_by_an_overlap_that_was_chosen() -> None:
    """Its turnout is not ours, and its own route is kept apart from all others by it."""
    text = STATION.replace("OVERLAP", SWINGING)
    text = text.replace('tx = { block = "x", moved_by = "us" }', 'tx = { block = "x" }')
    text = text.replace(
        'Z = { at = "z > x", aspects = 3, controlled = true }', 'Z = { at = "z > x" }'
    )
    rig = Rig(text).all_clear().lies("tx", "reverse").lies("ty", "reverse")
    rig.occupied("y")
    rig.ask(SetRoute("A/main"))
    assert holds(rig, 1)
    assert rig.aspect("A") == "caution"
    rig.occupied("z").wait(3)
    assert rig.aspect("Z") == "danger"
    rig.ask(CancelRoute("A/main"))
    assert rig.aspect("Z") == "caution"
    assert isinstance(rig.ask(SetRoute("A/main")), Refusal)


# -- its end


def test_what_lies_beyond_the_end_of_an_overlap_is_not_beside_it() -> None:
    rig = station('overlap = "j[t normal]"')
    flank = {row.name: [each.turnout for each in row.flank] for row in rig.table.rows}
    assert flank["A/main"] == ["ty"], "tracks join from y and not from x, where the overlap leads"


# -- mistakes in the file


@pytest.mark.parametrize(
    ("overlap", "says"),
    [
        ('overlap = ["j[t normal] > x", "x"]', "The overlap begins in block x"),
        ('overlap = "j[t normal]", reduced_overlap = "y"', "The overlap begins in block y"),
    ],
)
def test_each_overlap_is_checked(overlap: str, says: str) -> None:
    reading = examine_text(STATION.replace("OVERLAP", overlap), "layout.toml", ".")
    assert any(says in str(finding) for finding in reading.findings.sorted())
