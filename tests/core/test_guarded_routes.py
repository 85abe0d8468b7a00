"""Routes in each other's way, turnouts that are locked, signals passed at danger."""

from __future__ import annotations

import pytest

from signalling.core.words import (
    Acknowledge,
    AskLock,
    HoldSignal,
    MoveTurnout,
    Refusal,
    ReturnLock,
)
from signalling.layout.notation import Lie
from tests.rig import Rig

CROSSING = """
[layout]
name = "Crossing on the level"
hold_off = 0.0
approach_time = 20.0
[blocks]
n0 = {}
n1 = {}
e0 = {}
e1 = {}
x = {}
n2 = {}
e2 = {}
n3 = {}
e3 = {}
[lines]
north = "n0 > n1 > x > n2 > n3"
east = "e0 > e1 > x > e2 > e3"
[signals]
N = { at = "n1 > x", aspects = 3 }
E = { at = "e1 > x", aspects = 3 }
N3 = { at = "n2 > n3", aspects = 2, hidden = [] }
E3 = { at = "e2 > e3", aspects = 2, hidden = [] }
"""

CONVERGING = """
[layout]
name = "Converging without a turnout that decides"
hold_off = 0.0
[blocks]
a = {}
b = {}
x = {}
c = {}
[lines]
upper = "a > x > c"
lower = "b > x > c"
[signals]
A = { at = "a > x", aspects = 2 }
B = { at = "b > x", aspects = 2 }
"""

FORK = """
[layout]
name = "Fork"
hold_off = 0.0
approach_time = 20.0
[blocks]
a = {}
j = {}
m = {}
n = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > m"
branch = "a > j[t reverse] > n"
[signals]
S = { at = "a > j", aspects = 3, routes = { branch = { indicator = 1 } } }
"""

LEVER = FORK.replace('moved_by = "us"', "lock = true, lever = true")


def test_a_crossing_goes_to_the_first_train_that_comes() -> None:
    rig = Rig(CROSSING).all_clear()
    assert rig.aspects(["N", "E"]) == ["danger", "danger"]
    rig.occupied("n1")
    assert rig.aspects(["N", "E"]) == ["clear", "danger"]
    rig.occupied("e1")
    assert rig.aspects(["N", "E"]) == ["clear", "danger"]


def test_the_second_train_goes_when_the_first_has_left_the_crossing() -> None:
    rig = Rig(CROSSING).all_clear().occupied("n1").occupied("e1").wait(3)
    rig.occupied("x").wait(1)
    assert rig.aspects(["N", "E"]) == ["danger", "danger"]
    rig.clear("n1").wait(1).occupied("n2").wait(1)
    assert rig.aspect("E") == "danger"
    rig.clear("x").wait(1)
    # The crossing is freed behind the train, though its route goes on to the next signal.
    assert rig.aspects(["N", "E"]) == ["danger", "clear"]


def test_two_that_come_in_one_step_take_turns() -> None:
    rig = Rig(CROSSING).all_clear()
    first = []
    for _ in range(4):
        rig.occupied("n1", "e1")
        winner, loser = ("n", "e") if rig.aspect("N") == "clear" else ("e", "n")
        assert rig.aspect(loser.upper()) == "danger"
        first.append(winner)
        for name in (winner, loser):
            assert rig.aspect(name.upper()) == "clear"
            rig.wait(1).occupied("x").wait(1).clear(f"{name}1").wait(1).occupied(f"{name}2")
            rig.wait(1).clear("x").wait(1).occupied(f"{name}3").wait(1).clear(f"{name}2").wait(1)
            rig.clear(f"{name}3").wait(1)
    # Who went last in one round yields in the next: the one that came second went last.
    assert first == ["n", "n", "n", "n"]
    assert rig.alarms() == []


def test_a_flicker_of_the_crossing_does_not_give_it_to_another() -> None:
    rig = Rig(CROSSING).all_clear().occupied("n1").occupied("e1").wait(1)
    for _ in range(3):
        rig.occupied("x").clear("x")
        assert rig.aspect("E") == "danger"
    # A driver may have taken the proceed aspect: until the approach is clear or the time has
    # run, nothing else is given the crossing.
    rig.wait(19.9)
    assert rig.aspects(["N", "E"]) == ["danger", "danger"]
    rig.wait(0.2)
    assert sorted(rig.aspects(["N", "E"])) == ["clear", "danger"]


def test_a_train_that_goes_back_gives_the_crossing_up() -> None:
    rig = Rig(CROSSING).all_clear().occupied("n0").occupied("n1").wait(1).clear("n0").wait(1)
    rig.occupied("e1").wait(1)
    assert rig.aspects(["N", "E"]) == ["clear", "danger"]
    rig.occupied("n0").wait(1).clear("n1").wait(1).clear("n0").wait(1)
    assert rig.aspects(["N", "E"]) == ["danger", "clear"]


def test_a_silent_approach_is_no_train_that_came() -> None:
    rig = Rig(CROSSING).all_clear().unknown("n1").wait(5).occupied("e1")
    assert rig.aspects(["N", "E"]) == ["danger", "clear"]


def test_converging_without_a_turnout_excludes_too() -> None:
    rig = Rig(CONVERGING).all_clear().occupied("a")
    assert rig.aspects(["A", "B"]) == ["clear", "danger"]
    rig.occupied("b")
    assert rig.aspects(["A", "B"]) == ["clear", "danger"]


def test_routes_kept_apart_by_a_turnout_need_no_turn() -> None:
    text = CONVERGING.replace("upper = 'a > x", "upper = 'a > x").replace(
        "[lines]", "[turnouts]\nt = { block = 'x' }\n[lines]"
    )
    text = text.replace('"a > x >', '"a > x[t normal] >').replace('"b > x >', '"b > x[t reverse] >')
    rig = Rig(text).all_clear()
    assert rig.aspects(["A", "B"]) == ["clear", "danger"]
    rig.lies("t", "reverse")
    assert rig.aspects(["A", "B"]) == ["danger", "clear"]
    rig.lies("t", "moving")
    assert rig.aspects(["A", "B"]) == ["danger", "danger"]


PARTING = """
[layout]
name = "Parting before two signals whose overlaps meet"
hold_off = 0.0
[blocks]
a = {}
b = {}
j = {}
m = {}
n = {}
x = {}
c = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > b > j[t normal] > m > x > c"
loop = "b > j[t reverse] > n > x"
[signals]
B = { at = "b > j", aspects = 3 }
M = { at = "m > x", aspects = 2 }
N = { at = "n > x", aspects = 2 }
JM = { at = "j > m", aspects = 3 }
JN = { at = "j > n", aspects = 3 }
"""


def test_a_train_claims_only_the_route_that_the_turnouts_lead_it_to() -> None:
    text = PARTING.replace('M = { at = "m > x",', "M = { at = \"m > x\", overlap = 'x',")
    rig = Rig(text.replace('N = { at = "n > x",', "N = { at = \"n > x\", overlap = 'x',"))
    rig.all_clear().lies("t", "reverse").occupied("b").wait(1).occupied("j").wait(1)
    # The overlaps of M and N meet in x; the train in j is led to JN and does not claim JM's route.
    assert rig.aspects(["JM", "JN"]) == ["danger", "caution"]
    rig = Rig(rig.table).all_clear().lies("t", "moving").occupied("b").wait(1).occupied("j").wait(1)
    assert rig.aspects(["JM", "JN"]) == ["danger", "danger"]


TERMINUS = """
[layout]
name = "Terminus"
hold_off = 0.0
approach_time = 20.0
[blocks]
s1 = {}
s2 = {}
tj = {}
t1 = {}
t2 = {}
[turnouts]
pt = { block = "tj" }
[lines]
one = "s1 > s2 > tj[pt normal] > t1"
two = "s2 > tj[pt reverse] > t2"
[signals]
H = { at = "s2 > tj", aspects = 3, routes = { two = { indicator = 1 } } }
T1 = { at = "t1 > tj", aspects = 2, hidden = [] }
T2 = { at = "t2 > tj", aspects = 2, hidden = [] }
[stops]
SH = { signal = "H" }
ST1 = { signal = "T1" }
ST2 = { signal = "T2" }
"""


def arrived() -> Rig:
    return Rig(TERMINUS).all_clear().run("s1", "s2", "tj", "t1", dwell=1.0)


def test_a_terminus_lets_a_train_out_again() -> None:
    rig = arrived()
    assert rig.alarms() == []
    assert rig.aspects(["H", "T1"]) == ["danger", "clear"]
    rig.run("t1", "tj", "s2", "s1", dwell=1.0).clear("s1").wait(30)
    assert rig.alarms() == []
    rig.occupied("s1").wait(1)
    assert rig.aspect("H") == "caution"


def test_the_stop_at_the_buffer_s_end_is_applied_again_when_the_train_has_had_time_to_stop() -> (
    None
):
    rig = Rig(TERMINUS).all_clear().occupied("s1").wait(1).occupied("s2").wait(1).clear("s1")
    rig.wait(1).occupied("tj").wait(1).occupied("t1").wait(1)
    assert not rig.stop("ST1"), "the train runs in, against the starter"
    rig.ask(HoldSignal("T1"))
    rig.clear("s2").wait(1).clear("tj").wait(1)
    assert not rig.stop("ST1"), "it may not have come to a stand"
    rig.wait(20)
    assert rig.stop("ST1")


def test_the_other_platform_is_free_while_a_train_stands_in_the_first() -> None:
    rig = arrived().lies("pt", "reverse").occupied("s2").wait(1)
    # T1 was off: its driver may have started before the points were thrown.
    assert rig.aspects(["H", "T1", "T2"]) == ["danger", "danger", "danger"]
    rig.wait(20)
    assert rig.aspects(["H", "T1", "T2"]) == ["caution", "danger", "danger"]


LOOP = """
[layout]
name = "Passing loop"
hold_off = 0.0
approach_time = 20.0
[blocks]
w = {}
jw = {}
lw = {}
le = {}
je = {}
e = {}
[turnouts]
tw = { block = "jw" }
te = { block = "je" }
[lines]
east = "w > jw[tw normal] > le > je[te normal] > e"
west = "e > je[te reverse] > lw > jw[tw reverse] > w"
[signals]
E1 = { at = "w > jw", aspects = 2 }
E2 = { at = "le > je", aspects = 2, hidden = [] }
W1 = { at = "e > je", aspects = 2 }
W2 = { at = "lw > jw", aspects = 2, hidden = [] }
"""


def test_two_trains_pass_each_other_in_a_loop() -> None:
    rig = Rig(LOOP).all_clear().lies("te", "reverse").occupied("w", "e").wait(1)
    assert rig.aspects(["E1", "W1"]) == ["clear", "clear"]
    rig.occupied("jw", "je").wait(1).clear("w", "e").wait(1)
    rig.occupied("le", "lw").wait(1).clear("jw", "je").wait(1)
    rig.lies("te", "normal").lies("tw", "reverse").wait(1)
    assert rig.aspects(["E2", "W2"]) == ["clear", "clear"]
    assert rig.alarms() == []


# -- a turnout that we move ------------------------------------------------------------------


def last(rig: Rig, what: str) -> str | None:
    values = [order.value for order in rig.orders if str(order.device) == what]
    return values[-1] if values else None


def test_nothing_is_ordered_of_a_turnout_until_somebody_asks() -> None:
    rig = Rig(FORK).all_clear()
    assert last(rig, "turnout t") is None
    assert rig.aspect("S") == "caution"


def test_a_turnout_moves_on_request_and_the_signal_waits_for_its_feedback() -> None:
    rig = Rig(FORK).all_clear()
    assert rig.ask(MoveTurnout("t", Lie.REVERSE)) is None
    assert last(rig, "turnout t") == "reverse"
    assert rig.aspect("S") == "danger"
    rig.lies("t", "moving").wait(1)
    assert rig.aspect("S") == "danger"
    rig.lies("t", "reverse")
    assert (rig.aspect("S"), rig.indicator("S")) == ("caution", "1")
    rig.lies("t", "normal")
    assert rig.aspect("S") == "danger", "it does not lie as ordered"


def test_feedback_from_before_a_motor_began_to_move_proves_nothing() -> None:
    rig = Rig(FORK).all_clear()
    assert rig.ask(MoveTurnout("t", Lie.REVERSE)) is None
    # Called back at once: the motor may be moving, and "normal" was said before it began.
    assert rig.ask(MoveTurnout("t", Lie.NORMAL)) is None
    assert last(rig, "turnout t") == "normal"
    assert rig.aspect("S") == "danger"
    rig.lies("t", "moving").wait(2)
    assert rig.aspect("S") == "danger"
    rig.lies("t", "normal")
    assert rig.aspect("S") == "caution"


def test_a_motor_that_was_called_back_before_it_began_to_move_is_trusted_after_a_time() -> None:
    rig = Rig(FORK).all_clear()
    rig.ask(MoveTurnout("t", Lie.REVERSE))
    rig.ask(MoveTurnout("t", Lie.NORMAL))
    rig.wait(0.9)
    assert rig.aspect("S") == "danger"
    rig.wait(0.2)
    assert rig.aspect("S") == "caution"


def test_a_turnout_does_not_move_under_a_train() -> None:
    rig = Rig(FORK).all_clear().occupied("j")
    rig.ask(MoveTurnout("t", Lie.REVERSE))
    rig.wait(120)
    assert last(rig, "turnout t") is None
    rig.occupied("m").wait(120)
    assert last(rig, "turnout t") is None, "the train is over the joint, and still on the turnout"
    rig.clear("j").wait(1)
    assert last(rig, "turnout t") == "reverse", "the turnout is freed behind the train"


def test_a_turnout_does_not_move_before_an_approaching_train_has_had_time_to_stop() -> None:
    rig = Rig(FORK).all_clear().occupied("a").wait(1)
    assert rig.aspect("S") == "caution"
    rig.ask(MoveTurnout("t", Lie.REVERSE))
    assert rig.aspect("S") == "danger"
    rig.wait(19.9)
    assert last(rig, "turnout t") is None
    rig.wait(0.2)
    assert last(rig, "turnout t") == "reverse"


def test_a_flickering_detector_does_not_free_a_turnout() -> None:
    rig = Rig(FORK).all_clear().occupied("a").wait(1)
    rig.ask(MoveTurnout("t", Lie.REVERSE))
    for _ in range(5):
        rig.occupied("j").wait(0.1).clear("j").wait(0.1)
    assert last(rig, "turnout t") is None


def test_asking_for_a_turnout_that_others_move_is_refused() -> None:
    rig = Rig(LEVER).all_clear()
    refusal = rig.ask(MoveTurnout("t", Lie.REVERSE))
    assert isinstance(refusal, Refusal)
    assert "others" in refusal.reason
    assert isinstance(Rig(FORK).ask(AskLock("t")), Refusal)


# -- a turnout that others move under our lock --------------------------------------------------


def test_the_lock_is_given_on_being_asked_for_and_taken_back() -> None:
    rig = Rig(LEVER).all_clear().report("lock", "t", "idle").wait(2)
    assert rig.aspect("S") == "caution"
    rig.report("lock", "t", "asked")
    assert rig.aspect("S") == "danger"
    assert last(rig, "lock t") == "free"
    rig.lies("t", "moving").lies("t", "reverse").wait(5)
    assert rig.aspect("S") == "danger", "others may still move it"
    rig.report("lock", "t", "idle")
    assert last(rig, "lock t") == "locked"
    assert rig.aspect("S") == "danger"
    rig.wait(1)
    assert (rig.aspect("S"), rig.indicator("S")) == ("caution", "1")


def test_the_lock_is_not_given_to_an_approaching_train_s_cost() -> None:
    rig = Rig(LEVER).all_clear().report("lock", "t", "idle").wait(2).occupied("a").wait(1)
    rig.report("lock", "t", "asked").wait(19.9)
    assert last(rig, "lock t") is None
    rig.wait(0.2)
    assert last(rig, "lock t") == "free"


def test_a_silent_lever_gives_no_lock_and_holds_the_signal() -> None:
    rig = Rig(LEVER).all_clear().wait(60)
    assert rig.aspect("S") == "danger"
    assert last(rig, "lock t") is None


def test_the_lock_can_be_asked_for_by_request() -> None:
    rig = Rig(LEVER.replace(", lever = true", "")).all_clear()
    assert rig.aspect("S") == "caution"
    rig.ask(AskLock("t"))
    assert (rig.aspect("S"), last(rig, "lock t")) == ("danger", "free")
    rig.ask(ReturnLock("t"))
    rig.wait(1)
    assert (rig.aspect("S"), last(rig, "lock t")) == ("caution", "locked")


# -- signals passed at danger --------------------------------------------------------------------


def test_a_train_that_passes_a_signal_at_danger_is_reported_and_holds_what_it_fouls() -> None:
    rig = Rig(CROSSING).all_clear().occupied("n1").occupied("e1").wait(1)
    assert rig.aspects(["N", "E"]) == ["clear", "danger"]
    rig.ask(HoldSignal("N"))
    rig.wait(1).occupied("x")
    kinds = dict.fromkeys(kind for kind, _ in rig.alarms())
    assert list(kinds) == ["passed-at-danger"]
    rig.occupied("e2").clear("e1").wait(1).clear("x").wait(1).occupied("e3").clear("e2").wait(60)
    assert set(rig.aspects(["N", "E"])) == {"danger"}
    alarmed = {thing.split()[-1] for _, thing in rig.alarms()}
    for signal in ("N", "E"):
        refusal = rig.ask(Acknowledge(signal))
        assert (refusal is None) is (signal in alarmed)
    assert rig.alarms() == []
    refusal = rig.ask(Acknowledge("N"))
    assert refusal == Refusal("Signal N has no alarm to be acknowledged.")


LINE = """
[layout]
name = "Line"
hold_off = 0.0
[blocks]
a = {}
b = {}
c = {}
d = {}
[lines]
main = "a > b > c > d"
[signals]
S = { at = "a > b", aspects = 3 }
T = { at = "c > d", aspects = 3, hidden = [] }
"""


def test_passing_in_order_is_no_alarm() -> None:
    rig = Rig(LINE).all_clear().run("a", "b", "c", "d")
    assert rig.alarms() == []


def test_passing_at_danger_behind_another_train_is_an_alarm() -> None:
    rig = Rig(LINE).all_clear().run("a", "b", "c").wait(1).occupied("a").wait(5)
    assert rig.aspect("S") == "danger"
    rig.occupied("b")
    assert rig.alarms() == [("passed-at-danger", "signal S")]
    rig.clear("b").wait(1).ask(Acknowledge("S"))
    assert ("passed-at-danger", "signal S") not in rig.alarms()


@pytest.mark.parametrize("gap", [0.1, 5.0])
def test_a_gap_in_a_long_train_is_no_alarm(gap: float) -> None:
    rig = Rig(LINE).all_clear().occupied("a").wait(1).occupied("b").wait(1).clear("b").wait(gap)
    rig.occupied("b").wait(1)
    assert rig.alarms() == []
