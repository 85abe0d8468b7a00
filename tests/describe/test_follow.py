"""Names step with their trains, wait where it is not certain, and say when they are in doubt.

The rules are those of docs/describer.md.
"""

from __future__ import annotations

import pytest

from signalling.core.words import NameTrain
from signalling.describe.words import Cause
from tests.describe.named import RING, Named


def ring(*trains: tuple[str, str], text: str = RING) -> Named:
    """All clear but the blocks of these trains, which have their names."""
    bench = Named(text).all_clear()
    assert isinstance(bench, Named)
    bench.occupied(*(block for block, _ in trains))
    for block, name in trains:
        assert bench.say(NameTrain(block, name)) is None
    return bench


def test_names_start_empty() -> None:
    bench = Named(RING).all_clear().occupied("a")
    assert isinstance(bench, Named)
    assert bench.berths() == {}
    assert [order.value for order in bench.describer.orders()] == ["empty"] * 7


def test_a_name_steps_when_its_train_is_seen_in_the_next_block() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("b")
    assert bench.berths() == {"b": "1A23"}
    bench.clear("a").wait(2)
    bench.occupied("c")
    assert bench.berths() == {"c": "1A23"}
    assert bench.describer.where("1A23") == "c"
    assert bench.doubts() == []


def test_a_train_over_many_blocks_stands_where_its_head_is() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("b").occupied("c").occupied("d")
    assert bench.berths() == {"d": "1A23"}
    bench.clear("a").wait(2)
    assert bench.berths() == {"d": "1A23"}


def test_several_blocks_entered_in_one_instant() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("c", "b")
    assert bench.berths() == {"c": "1A23"}


def test_a_train_that_follows_closely_steps_when_it_has_left_the_block_behind() -> None:
    bench = ring(("a", "1A23"), ("c", "2B40"))
    bench.occupied("b")
    assert bench.berths() == {"a": "1A23", "c": "2B40"}, "2B40 may have been seen anew"
    bench.clear("a").wait(2)
    assert bench.berths() == {"b": "1A23", "c": "2B40"}
    bench.occupied("d").clear("c").wait(2)
    assert bench.berths() == {"b": "1A23", "d": "2B40"}
    assert bench.doubts() == []


def test_a_train_that_backs_takes_its_name_back() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("b")
    bench.clear("b").wait(2)
    assert bench.berths() == {"a": "1A23"}
    bench.occupied("g").clear("a").wait(2)
    assert bench.berths() == {"g": "1A23"}
    assert bench.doubts() == []


def test_a_contact_that_fails_for_less_than_the_hold_off_changes_nothing() -> None:
    bench = ring(("a", "1A23"))
    before = len(bench.shown)
    bench.clear("a").wait(1).occupied("a").wait(5)
    assert bench.berths() == {"a": "1A23"}
    assert bench.doubts() == []
    assert len(bench.shown) == before


def test_a_train_that_vanishes_keeps_its_name_in_doubt_until_somebody_says_where_it_is() -> None:
    bench = ring(("c", "1A23"))
    bench.clear("c").wait(2)
    assert bench.berths() == {"c": "1A23?"}
    assert bench.doubts() == ["1A23"]
    bench.occupied("c")
    assert bench.berths() == {"c": "1A23?"}, "it may be another that was set down there"
    bench.occupied("d").clear("c").wait(2)
    assert bench.berths() == {"d": "1A23?"}
    assert bench.say(NameTrain("d", "1A23")) is None
    assert bench.berths() == {"d": "1A23"}
    assert bench.doubts() == []


def test_a_vanished_train_is_found_in_the_next_block() -> None:
    bench = ring(("b", "1A23"))
    bench.clear("b").wait(2)
    bench.occupied("c")
    assert bench.berths() == {"c": "1A23?"}


def test_a_train_that_vanished_does_not_put_another_in_doubt() -> None:
    bench = ring(("c", "1A23"), ("a", "2B40"))
    bench.clear("c").wait(2)  # lifted off
    bench.occupied("b").clear("a").wait(2)
    bench.occupied("c").clear("b").wait(2)
    assert bench.berths() == {"c": "1A23? 2B40"}
    bench.occupied("d").clear("c").wait(2)
    assert bench.berths() == {"c": "1A23?", "d": "2B40"}


def test_something_that_appears_has_no_name() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("d").clear("d").wait(2)
    bench.occupied("c")
    assert bench.berths() == {"a": "1A23"}


def test_an_unnamed_train_counts_as_one() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("c").wait(2)
    bench.occupied("b")
    assert bench.berths() == {"a": "1A23"}
    bench.clear("c").wait(2)
    assert bench.berths() == {"a": "1A23"}, "either may be in b"
    bench.clear("a").wait(2)
    assert bench.berths() == {"b": "1A23"}


def test_a_train_that_divides_keeps_its_name_on_the_part_that_runs_on() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("b").occupied("c").clear("b").wait(2)
    assert bench.berths() == {"c": "1A23"}
    bench.occupied("d").clear("c").wait(2)
    bench.occupied("b").clear("a").wait(2)  # what was left behind runs on, too
    assert bench.berths() == {"d": "1A23"}
    assert bench.doubts() == []


def test_what_a_train_left_behind_counts_as_a_train_without_a_name() -> None:
    bench = ring(("a", "1A23"))
    bench.occupied("b").occupied("c").clear("b").wait(2)
    bench.occupied("b").clear("c").wait(2)
    assert bench.berths() == {"c": "1A23?"}, "in b may be what was left in a"


def test_a_train_that_runs_up_to_another_shares_its_berth_in_doubt() -> None:
    bench = ring(("b", "1A23"), ("c", "2B40"))
    bench.clear("b").wait(2)
    assert bench.berths() == {"c": "2B40 1A23?"}
    assert bench.say(NameTrain("c", "1A23", also=True)) is None
    assert bench.berths() == {"c": "2B40 1A23"}


def test_a_berth_tells_three_names_and_that_there_are_more() -> None:
    bench = ring(("a", "first"))
    for name in ("second", "third", "fourth"):
        assert bench.say(NameTrain("a", name, also=True)) is None
    assert bench.berth("a") == "first second third +"
    assert len(bench.describer.berths["a"]) == 4


def test_trains_that_ran_together_are_told_apart_when_one_has_left() -> None:
    bench = ring(("a", "1A23"))
    assert bench.say(NameTrain("a", "2B40", also=True)) is None
    bench.occupied("b")
    assert bench.berths() == {"a": "1A23 2B40"}, "either may be the one that runs"
    bench.clear("a").wait(2)
    assert bench.berths() == {"b": "1A23? 2B40?"}, "both, or one was not seen"


def test_while_nothing_is_heard_a_name_is_doubtful() -> None:
    bench = ring(("a", "1A23"))
    bench.unknown("a")
    assert bench.berths() == {"a": "1A23?"}
    assert bench.doubts() == ["1A23"]
    bench.occupied("a")
    assert bench.berths() == {"a": "1A23"}
    assert bench.doubts() == []


def test_names_outlive_a_lost_link() -> None:
    bench = ring(("a", "1A23"), ("c", "2B40"))
    bench.unknown(*"abcdefg").wait(60)
    bench.clear(*"bdefg").occupied("a", "c").wait(2)
    assert bench.berths() == {"a": "1A23", "c": "2B40"}


def test_a_train_that_moved_on_while_nothing_was_heard() -> None:
    bench = ring(("a", "1A23"))
    bench.unknown(*"abcdefg").wait(60)
    bench.occupied("b").clear(*"acdefg").wait(2)
    assert bench.berths() == {"b": "1A23"}


def test_a_train_that_ran_through_a_block_while_nothing_was_heard() -> None:
    bench = ring(("a", "1A23"))
    bench.unknown(*"abcdefg").wait(60)
    bench.occupied("c").clear(*"abdefg").wait(2)
    assert bench.berths() == {"c": "1A23"}


def test_a_tail_in_a_block_that_is_not_heard_holds_no_name_back() -> None:
    bench = ring(("a", "1A23"), ("d", "2B40"))
    bench.occupied("b").unknown("a")
    bench.occupied("c").clear("b").wait(2)
    assert bench.berths() == {"c": "1A23", "d": "2B40"}


def test_a_train_that_ran_further_than_can_be_told_while_nothing_was_heard() -> None:
    bench = ring(("a", "1A23"))
    bench.unknown(*"abcdefg").wait(60)
    bench.occupied("d").clear(*"abcefg").wait(2)
    assert bench.berths() == {"a": "1A23?"}


SINGLE = """
[layout]
name = "Skerry Head"
describer = true
sequence = false
[blocks]
w = {}
a = {}
b = {}
c = {}
e = {}
[lines]
east = "w > a > b > c > e"
west = "e > c > b > a > w"
[signals]
EA = { at = "a > b", aspects = 2 }
WC = { at = "c > b", aspects = 2 }
"""


def test_trains_that_face_each_other_are_told_apart_by_their_signals() -> None:
    bench = ring(("a", "1A23"), ("c", "2B40"), text=SINGLE)
    assert bench.aspects() == ["danger", "danger"], "first come, first served"
    bench.occupied("b").clear("a").wait(2)
    assert bench.berths() == {"b": "1A23?", "c": "2B40"}, "both ran past danger, if they ran"


JUNCTION = """
[layout]
name = "Gannet Point"
describer = true
sequence = false
[blocks]
a = {}
j = {}
m = {}
q = {}
[turnouts]
t = { block = "j" }
[lines]
main = "a > j[t normal] > m > a"
quay = "a > j[t reverse] > q"
[signals]
S = { at = "a > j", aspects = 2, routes = { quay = { indicator = 1 } } }
Q = { at = "q > j", aspects = 2 }
M = { at = "m > a", aspects = 2 }
"""


def test_turnouts_say_which_way_a_train_ran() -> None:
    bench = ring(("a", "1A23"), ("q", "2B40"), text=JUNCTION)
    bench.lies("t", "normal").wait(2)
    bench.occupied("j")
    assert bench.berths() == {"j": "1A23", "q": "2B40"}
    bench.clear("a").wait(2).occupied("m").clear("j").wait(2)
    assert bench.berths() == {"m": "1A23", "q": "2B40"}
    bench.lies("t", "reverse").wait(2)
    bench.occupied("j").clear("q").wait(2)
    assert bench.berths() == {"m": "1A23", "j": "2B40"}


def test_while_a_turnout_lies_no_way_either_may_come() -> None:
    bench = ring(("a", "1A23"), ("q", "2B40"), text=JUNCTION)
    bench.lies("t", None).wait(2)
    bench.occupied("j")
    assert bench.berths() == {"a": "1A23", "q": "2B40"}
    bench.clear("a").wait(2)
    assert bench.berths() == {"j": "1A23?", "q": "2B40"}


CROSSING = """
[layout]
name = "Curlew Flats"
describer = true
sequence = false
[blocks]
n = {}
s = {}
w = {}
e = {}
x = {}
[lines]
north = "n > x > s"
west = "w > x > e"
[signals]
N = { at = "n > x", aspects = 2 }
W = { at = "w > x", aspects = 2 }
"""


def test_a_train_leaves_a_crossing_the_way_it_came() -> None:
    bench = ring(("n", "1A23"), ("w", "2B40"), text=CROSSING)
    bench.wait(60)
    assert bench.aspects() == ["clear", "danger"], "first come, first served"
    bench.occupied("x")
    assert bench.berths() == {"n": "1A23", "w": "2B40"}, "2B40 could have passed its signal"
    bench.clear("n").wait(2)
    assert bench.berths() == {"x": "1A23", "w": "2B40"}, "it had its signal"
    bench.occupied("s").clear("x").wait(2)
    assert bench.berths() == {"s": "1A23", "w": "2B40"}


def test_a_train_on_a_crossing_cannot_turn_into_the_other_line() -> None:
    bench = ring(("n", "1A23"), text=CROSSING)
    bench.occupied("x").clear("n").wait(2)
    bench.occupied("e")
    assert bench.berths() == {"x": "1A23"}
    bench.occupied("s").clear("x").wait(2)
    assert bench.berths() == {"s": "1A23"}


EDGE = """
[layout]
name = "Merrow Bay"
describer = true
[blocks]
m1 = {}
m2 = {}
m3 = {}
[lines]
down = "m1 > m2 > m3"
[signals]
U1 = { at = "m1 > m2" }
U2 = { at = "m2 > m3", hidden = [] }
"""


def test_a_train_that_leaves_the_track_takes_its_name_with_it() -> None:
    bench = ring(("m2", "1A23"), text=EDGE)
    bench.occupied("m3").clear("m2").wait(2).clear("m3").wait(2)
    assert bench.berths() == {}
    step = bench.describer.steps()[-1]
    assert (step.cause, step.rear, step.ahead) == (Cause.LEFT, "m3", None)
    assert bench.describer.where("1A23") is None


def test_a_train_that_comes_in_from_the_edge_has_no_name() -> None:
    bench = ring(("m2", "1A23"), text=EDGE)
    bench.occupied("m1").wait(5)
    assert bench.berths() == {"m2": "1A23"}
    bench.occupied("m3").clear("m2").wait(2)
    bench.occupied("m2").clear("m1").wait(2)
    assert bench.berths() == {"m3": "1A23"}


def test_a_buffer_stop_lets_nobody_in() -> None:
    bench = ring(("a", "1A23"), text=JUNCTION)
    bench.lies("t", "reverse").wait(2)
    bench.occupied("j").clear("a").wait(2)
    bench.occupied("q")
    assert bench.berths() == {"q": "1A23"}
    bench.clear("j").wait(2).clear("q").wait(2)
    assert bench.berths() == {"q": "1A23?"}, "it cannot have left there"


BEAMS = """
[layout]
name = "Puffin Ness"
describer = true
sequence = false
[blocks]
a = {}
b = {}
c = {}
d = {}
[lines]
ring = "a > b > c > d > a"
[signals]
A = { at = "a > b" }
C = { at = "c > d" }
[detectors]
in = { at = "b > c" }
out = { at = "c > d" }
b = { block = "b" }
d = { block = "d" }
"""


def test_names_step_through_blocks_that_have_beams_only() -> None:
    bench = ring(("a", "1A23"), text=BEAMS)
    bench.occupied("b").clear("a").wait(2)
    bench.occupied("in")
    assert bench.berths() == {"c": "1A23"}
    bench.clear("in", "b").wait(2)
    assert bench.berths() == {"c": "1A23"}
    bench.occupied("out", "d")
    assert bench.berths() == {"d": "1A23"}
    bench.clear("out").wait(2)
    assert bench.berths() == {"d": "1A23"}
    assert bench.doubts() == []


@pytest.mark.parametrize("turn", range(2))
def test_the_same_calls_give_the_same_steps(turn: int) -> None:
    benches = [ring(("a", "1A23"), ("c", "2B40")) for _ in range(2)]
    for bench in benches:
        bench.occupied("b").clear("a").wait(2).occupied("d").clear("c", "b").wait(2 + turn)
    one, two = ([*bench.describer.steps()] for bench in benches)
    assert one == two
    assert all(step.at <= benches[0].nanoseconds for step in one)
