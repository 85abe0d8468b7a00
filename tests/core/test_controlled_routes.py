"""Controlled signals: routes asked for, set, refused, waited for, and given up."""

from __future__ import annotations

import pytest

from signalling.core.words import (
    CancelRoute,
    FreeSignal,
    HoldSignal,
    MoveTurnout,
    Refusal,
    SetRoute,
    WorkRoute,
)
from signalling.layout.notation import Lie
from tests.rig import Rig

# Two tracks with a crossover between them. `a` comes from the left, `b` from the right.
CROSSOVER = """
[layout]
name = "Tolland Sidings"
[blocks]
a0 = {}
a1 = {}
a2 = {}
a3 = {}
b0 = {}
b1 = {}
b2 = {}
b3 = {}
[supplies]
motors = { at_once = 2 }
[turnouts]
ta = { block = "a2", moved_by = "us", supply = "motors" }
tb = { block = "b2", moved_by = "us", supply = "motors" }
[lines]
up = "a0 > a1 > a2[ta normal] > a3"
down = "b0 > b1 > b2[tb normal] > b3"
over = "a1 > a2[ta reverse] > b2[tb reverse] > b3"
[signals]
A = { at = "a1 > a2", controlled = true }
B = { at = "b1 > b2", controlled = true }
"""
# Three tracks cross in one block.
THREE_WAYS = """
[layout]
name = "Three Ways"
[blocks]
x = {}
a0 = {}
a1 = {}
a2 = {}
b0 = {}
b1 = {}
b2 = {}
c0 = {}
c1 = {}
c2 = {}
[lines]
a = "a0 > a1 > x > a2"
b = "b0 > b1 > x > b2"
c = "c0 > c1 > x > c2"
[signals]
A = { at = "a1 > x", controlled = true }
B = { at = "b1 > x", controlled = true }
C = { at = "c1 > x", controlled = true }
"""

# Two tracks with crossovers both ways; J is automatic, and reads over ta2.
SCISSORS = """
[layout]
name = "Shearwater Cut"
[blocks]
a0 = {}
a1 = {}
a2 = {}
a3 = {}
b0 = {}
b1 = {}
b2 = {}
b3 = {}
[turnouts]
ta1 = { block = "a1", moved_by = "us" }
ta2 = { block = "a2", moved_by = "us" }
tb1 = { block = "b1", moved_by = "us" }
tb2 = { block = "b2", moved_by = "us" }
[lines]
up = "a0 > a1[ta1 normal] > a2[ta2 normal] > a3"
down = "b0 > b1[tb1 normal] > b2[tb2 normal] > b3"
aside = "a0 > a1[ta1 reverse] > b2[tb2 reverse] > b3"
back = "b0 > b1[tb1 reverse] > a2[ta2 reverse] > a3"
[signals]
A = { at = "a0 > a1", controlled = true }
J = { at = "a1 > a2" }
"""


@pytest.fixture
def rig() -> Rig:
    return Rig(CROSSOVER).all_clear()


def ordered(rig: Rig) -> dict[str, str]:
    """What the turnouts were ordered last."""
    return {o.device.name: o.value for o in rig.orders if o.device.kind == "turnout"}


def throw(rig: Rig, **lies: str) -> None:
    """Let motors run to where they are ordered."""
    for turnout in lies:
        rig.lies(turnout, "moving")
    rig.wait(1.5)
    for turnout, lie in lies.items():
        rig.lies(turnout, lie)
    rig.wait(1.5)


# -- asking


def test_a_controlled_signal_waits_to_be_asked(rig: Rig) -> None:
    assert rig.aspects() == ["danger", "danger"]
    assert rig.ask(SetRoute("A/up")) is None
    assert rig.aspects() == ["caution", "danger"]


def test_what_is_no_controlled_route_is_refused() -> None:
    rig = Rig(CROSSOVER.replace('"b1 > b2", controlled = true', '"b1 > b2"')).all_clear()
    told = rig.refusal("A/nowhere")
    assert told == "There is no route 'A/nowhere'. Signal A has A/up, A/over."
    told = rig.refusal("a/up")
    assert told == "There is no route 'a/up': no signal that has routes is called 'a'."
    assert "works automatically" in rig.refusal("B/down")
    for request in (WorkRoute("B/down"), CancelRoute("B/down"), SetRoute("B/down", wait=True)):
        assert isinstance(rig.ask(request), Refusal)


def test_the_turnouts_are_moved_locked_and_proved_before_the_signal_clears(rig: Rig) -> None:
    assert rig.ask(SetRoute("A/over")) is None
    assert ordered(rig) == {"ta": "reverse", "tb": "reverse"}
    assert rig.aspect("A") == "danger"
    rig.lies("ta", "reverse").wait(2)
    assert rig.aspect("A") == "danger", "the other has not moved yet"
    rig.lies("tb", "reverse").wait(2)
    assert rig.aspect("A") == "caution"
    rig.ask(MoveTurnout("ta", Lie.NORMAL))
    rig.wait(10)
    assert ordered(rig)["ta"] == "reverse", "it is locked"
    assert rig.aspect("A") == "caution"


def test_conflicting_routes_are_refused_with_the_reason(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    assert rig.refusal("A/over") == (
        "Route A/over cannot be set now: block a2 is held for route A/up."
    )
    assert rig.ask(SetRoute("B/down")) is None, "the two do not meet"
    rig.occupied("a3")
    rig.ask(CancelRoute("A/up"))
    assert "block a3 is occupied" in rig.refusal("A/up")


def test_a_route_that_is_set_may_be_asked_for_again(rig: Rig) -> None:
    assert rig.ask(SetRoute("A/up")) is None
    assert rig.ask(SetRoute("A/up")) is None


# -- passing, and giving up


def test_a_train_uses_a_route_up(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.run("a0", "a1", "a2", "a3")
    assert rig.aspect("A") == "danger"
    rig.clear("a3").wait(5)
    assert not rig.locked("A/up")
    assert rig.aspect("A") == "danger", "a new ask is needed"
    assert rig.ask(SetRoute("A/up")) is None
    assert rig.aspect("A") == "caution"


def test_blocks_are_freed_in_order_behind_the_train(rig: Rig) -> None:
    rig.ask(SetRoute("A/over"))
    throw(rig, ta="reverse", tb="reverse")
    rig.occupied("a1").wait(2)
    rig.occupied("a2").wait(2)
    rig.clear("a1").wait(2)
    assert "block a2 is held for route A/over" in rig.refusal("A/up")
    rig.occupied("b2").wait(2)
    rig.clear("a2").wait(2)
    assert rig.refusal("A/up") == (
        "Route A/up cannot be set now: turnout tb cannot be moved normal; "
        "block b2 is held for route A/over."
    ), "tb is beside it, and held for the train"
    rig.occupied("b3").wait(2).clear("b2").wait(2)
    assert rig.ask(SetRoute("A/up")) is None, "behind the train, before it is through"
    assert ordered(rig) == {"ta": "normal", "tb": "normal"}


def test_a_route_under_an_approaching_train_is_not_given_up_at_once(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.occupied("a1")
    rig.ask(CancelRoute("A/up"))
    assert rig.aspect("A") == "danger"
    rig.wait(29)
    assert rig.locked("A/up")
    assert "held for route A/up" in rig.refusal("A/over")
    rig.wait(2)
    assert not rig.locked("A/up")
    assert rig.ask(SetRoute("A/over")) is None


def test_with_nothing_coming_a_cancelled_route_is_given_up_at_once(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(CancelRoute("A/up"))
    assert not rig.locked("A/up")


def test_a_route_whose_signal_was_never_off_is_given_up_at_once(rig: Rig) -> None:
    rig.occupied("a1")
    rig.ask(SetRoute("A/over"))
    rig.lies("ta", "moving")
    rig.ask(CancelRoute("A/over"))
    assert not rig.locked("A/over")


def test_a_bad_contact_does_not_release_a_route(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.occupied("a1")
    for _ in range(3):
        rig.occupied("a2").wait(0.1).clear("a2").wait(3)
    assert rig.aspect("A") == "danger"
    assert rig.locked("A/up")
    assert "held for route A/up" in rig.refusal("A/over")


def test_a_held_signal_needs_a_new_ask(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(HoldSignal("A"))
    assert rig.aspect("A") == "danger"
    assert "signal A is held" in rig.refusal("A/up")
    rig.ask(FreeSignal("A"))
    rig.wait(60)
    assert rig.aspect("A") == "danger"
    assert rig.ask(SetRoute("A/up")) is None


def test_a_turnout_moved_by_hand_puts_the_signal_on_in_the_same_step(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.orders.clear()
    rig.lies("ta", "moving")
    assert [(o.device.name, o.value) for o in rig.orders if o.device.kind == "signal"] == [
        ("A", "danger")
    ]
    assert rig.alarms() == [("turnout-failed", "turnout ta")]


# -- waiting, in turn


def test_an_ask_that_waits_is_served_when_it_can_be(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    assert rig.ask(SetRoute("A/over", wait=True)) is None
    rig.run("a0", "a1", "a2", "a3").clear("a3").wait(5)
    throw(rig, ta="reverse", tb="reverse")
    assert rig.aspect("A") == "caution"
    rig.run("a1", "a2", "b2", "b3").clear("b3").wait(5)
    assert not rig.locked("A/over"), "for one train"
    assert rig.aspect("A") == "danger"


def test_an_ask_that_waits_can_be_taken_back(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(SetRoute("A/over", wait=True))
    rig.ask(CancelRoute("A/over"))
    rig.ask(CancelRoute("A/up"))
    rig.wait(60)
    assert not rig.locked("A/over")
    assert not rig.locked("A/up")


def test_those_that_wait_are_served_in_turn(rig: Rig) -> None:
    """``A/over`` stands before ``B/down`` in the table, and works for every train."""
    rig.ask(WorkRoute("A/over"))
    throw(rig, ta="reverse", tb="reverse")
    rig.ask(SetRoute("B/down", wait=True))
    rig.occupied("b1")
    rig.run("a0", "a1", "a2", "b2", "b3").clear("b3").wait(5)
    assert rig.locked("B/down")
    throw(rig, ta="normal", tb="normal")
    assert rig.aspects() == ["danger", "caution"]
    rig.run("b1", "b2", "b3").clear("b3").wait(5)
    assert rig.locked("A/over"), "and then again"


def test_a_route_that_works_automatically_is_set_behind_each_train(rig: Rig) -> None:
    rig.ask(WorkRoute("A/up"))
    for _ in range(3):
        assert rig.aspect("A") == "caution"
        rig.run("a0", "a1", "a2", "a3")
        assert rig.aspect("A") == "danger"
        rig.clear("a3").wait(5)
    rig.ask(CancelRoute("A/up"))
    rig.wait(60)
    assert rig.aspect("A") == "danger"


def test_two_that_work_for_every_train_leave_a_turn_to_one_that_waits() -> None:
    """Both stand before it in the table, and one of them can always be had."""
    rig = Rig(THREE_WAYS).all_clear()
    for route in ("A/a", "B/b"):
        rig.ask(WorkRoute(route))
    rig.ask(SetRoute("C/c", wait=True))
    served = []
    for _ in range(3):
        (line,) = (name for name in "abc" if rig.locked(f"{name.upper()}/{name}"))
        served.append(line)
        rig.run(f"{line}0", f"{line}1", "x", f"{line}2").clear(f"{line}2").wait(5)
    assert served == ["a", "b", "c"]


def test_one_that_track_keeps_out_for_long_leaves_the_others_their_turns() -> None:
    rig = Rig(THREE_WAYS).all_clear().occupied("c2")
    rig.ask(WorkRoute("A/a"))
    rig.ask(SetRoute("C/c", wait=True))
    rig.wait(130)
    rig.ask(SetRoute("B/b", wait=True))
    rig.run("a0", "a1", "x", "a2").clear("a2").wait(5)
    assert rig.locked("B/b")


# -- flank


def test_an_automatic_route_gives_way_to_one_that_needs_its_turnout_beside_it() -> None:
    rig = Rig(SCISSORS).all_clear()
    assert rig.ask(SetRoute("A/aside", wait=True)) is None
    rig.wait(1)
    assert rig.locked("A/aside")
    assert ordered(rig)["ta2"] == "reverse"
    assert rig.aspect("J") == "danger"


def test_turnouts_beside_a_route_are_laid_locked_and_proved(rig: Rig) -> None:
    rig.ask(SetRoute("A/over"))
    throw(rig, ta="reverse", tb="reverse")
    rig.ask(CancelRoute("A/over"))
    assert rig.ask(SetRoute("A/up")) is None
    assert ordered(rig) == {"ta": "normal", "tb": "normal"}
    rig.lies("ta", "normal").wait(2)
    assert rig.aspect("A") == "danger", "tb still leads into it"
    rig.lies("tb", "normal").wait(2)
    assert rig.aspect("A") == "caution"
    rig.ask(MoveTurnout("tb", Lie.REVERSE))
    rig.wait(10)
    assert ordered(rig)["tb"] == "normal"
    rig.lies("tb", "moving")
    assert rig.aspect("A") == "danger"


# -- moving turnouts


def test_a_supply_moves_as_many_as_it_can_feed() -> None:
    rig = Rig(CROSSOVER.replace("at_once = 2", "at_once = 1")).all_clear()
    rig.ask(SetRoute("A/over"))
    assert ordered(rig) == {"ta": "reverse"}
    rig.lies("ta", "moving").wait(1)
    assert ordered(rig) == {"ta": "reverse"}
    rig.lies("ta", "reverse")
    assert ordered(rig) == {"ta": "reverse", "tb": "reverse"}


def test_a_motor_that_fails_does_not_hold_the_others_up() -> None:
    rig = Rig(CROSSOVER.replace("at_once = 2", "at_once = 1")).all_clear()
    rig.ask(SetRoute("A/over"))
    rig.wait(4.9)
    assert ordered(rig) == {"ta": "reverse"}
    assert rig.alarms() == []
    rig.wait(0.2)
    assert ordered(rig) == {"ta": "reverse", "tb": "reverse"}
    assert rig.alarms() == [("turnout-failed", "turnout ta")]
    assert rig.aspect("A") == "danger"


def test_a_motor_that_is_sent_back_has_its_whole_time_again() -> None:
    rig = Rig(CROSSOVER.replace("at_once = 2", "at_once = 1")).all_clear()
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    rig.lies("ta", "moving").wait(4.9)
    rig.ask(MoveTurnout("ta", Lie.NORMAL))
    rig.ask(MoveTurnout("tb", Lie.REVERSE))
    rig.wait(4.9)
    assert ordered(rig) == {"ta": "normal"}, "the supply still feeds it"
    assert rig.alarms() == []
    rig.wait(0.2)
    assert ordered(rig) == {"ta": "normal", "tb": "reverse"}


def test_no_turnout_moves_under_a_train(rig: Rig) -> None:
    rig.occupied("a2")
    rig.ask(SetRoute("A/over", wait=True))
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    rig.wait(60)
    assert ordered(rig) == {}
    rig.occupied("a3").wait(2).clear("a2").wait(5)
    assert ordered(rig)["ta"] == "reverse"


def test_no_turnout_moves_where_a_train_vanishes(rig: Rig) -> None:
    """Nor is a route given, not even for the moment before the loss is remembered."""
    rig.run("a0", "a1", "a2").wait(3)
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    rig.ask(SetRoute("A/up", wait=True))
    rig.clear("a2").wait(5)
    assert ("train-lost", "block a2") in rig.alarms()
    assert ordered(rig) == {}
    assert rig.interlocking.value("route A/up called"), "it waits until the block is restored"


def test_a_wish_that_was_granted_is_no_wish_any_more(rig: Rig) -> None:
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    throw(rig, ta="reverse")
    assert rig.ask(SetRoute("A/up")) is None
    throw(rig, ta="normal", tb="normal")
    rig.ask(CancelRoute("A/up"))
    rig.wait(60)
    assert ordered(rig)["ta"] == "normal"
