"""The simulated railway: where trains are, what detectors say, what turnouts and stops do."""

from __future__ import annotations

import pytest

from signalling.errors import ConfigurationError
from signalling.layout.notation import Lie
from signalling.layout.words import Device, Order
from signalling.simulate import TICK, World, WrongSide
from signalling.simulate.train import STAND_SHORT
from tests.rig import table_from

LINE = """
[layout]
name = "Dunlin Strand"
[blocks]
a = { length = 2000 }
b = { length = 500 }
c = { length = 2000 }
d = {}
[lines]
main = "a > b > c > d"
[signals]
S = { at = "a > b", aspects = 2 }
T = { at = "c > d", aspects = 2, hidden = [3, 4] }
[stops]
PS = { signal = "S" }
PT = { signal = "T" }
[trains]
A = { line = "main", start = "a", length = 800, speed = 200, braking = 100 }
"""

FORK = """
[layout]
name = "Dunlin Fork"
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
S = { at = "a > j", aspects = 3, routes = { branch = { indicator = 1, indicator_proved = true } } }
[stops]
PS = { signal = "S" }
[trains]
A = { line = "main", start = "a", length = 300 }
"""


def world(text: str, **options: float) -> World:
    return World(table_from(text), **options)  # type: ignore[arg-type]


def order(railway: World, device: str, value: str) -> None:
    kind, _, name = device.partition(" ")
    railway.order(Order(Device(kind, name), value))


def lift_all(railway: World) -> None:
    for stop in railway.stops:
        order(railway, f"stop {stop}", "lifted")
    for signal in railway.aspects:
        order(railway, f"signal {signal}", "clear")


def wait(railway: World, seconds: float) -> dict[str, str]:
    """Let time go on; return what was said meanwhile, the latest of each device."""
    reports = railway.advance(railway.now + round(seconds * 1e9))
    return {str(report.device): report.value or "" for report in reports}


def happened(railway: World) -> list[WrongSide]:
    return [event.kind for event in railway.record().wrong_side]


def blocks(railway: World, train: int = 0) -> tuple[str, ...]:
    return railway.trains[train].blocks


# -- where trains are ------------------------------------------------------------------------


def test_a_train_covers_every_block_from_head_to_tail() -> None:
    railway = world(LINE)
    assert blocks(railway) == ("a",)
    lift_all(railway)
    seen = set()
    for _ in range(300):
        wait(railway, 0.1)
        train = railway.trains[0]
        seen.add(blocks(railway))
        covered = sum(
            max(0.0, min(span.end, train.head) - max(span.begin, train.tail))
            for span in train.spans
        )
        assert covered == pytest.approx(800)
        for block, trains in railway.inside.items():
            assert (train.name in trains) is (block in blocks(railway))
    # Longer than block b, it is in three blocks at once.
    assert {("b", "a"), ("c", "b", "a"), ("c", "b"), ("c",), ("d", "c"), ("d",)} <= seen


def test_a_block_without_a_length_is_a_thousand_millimetres() -> None:
    railway = world(LINE)
    assert railway.ground.lengths == {"a": 2000, "b": 500, "c": 2000, "d": 1000}


def test_sections_say_the_truth() -> None:
    railway = world(LINE)
    said = {str(report.device): report.value for report in railway.reports()}
    assert said == {
        "detector a": "occupied",
        "detector b": "clear",
        "detector c": "clear",
        "detector d": "clear",
    }
    lift_all(railway)
    state = dict(said)
    for _ in range(400):
        state |= wait(railway, 0.1)
        for block, trains in railway.inside.items():
            assert state[f"detector {block}"] == ("occupied" if trains else "clear")


def test_a_beam_is_broken_while_a_train_is_over_its_joint() -> None:
    railway = world(
        LINE + '[detectors]\nx = { at = "b > c" }\nb = { block = "b" }\nc = { block = "c" }\n'
    )
    lift_all(railway)
    state: dict[str, str] = {"detector x": "clear"}
    broken = 0
    for _ in range(300):
        state |= wait(railway, 0.1)
        train = railway.trains[0]
        joint = 2000 + 500
        over = train.tail < joint < train.head
        assert (state["detector x"] == "occupied") is over
        broken += over
    # 800 mm at 200 mm/s.
    assert broken == pytest.approx(40, abs=1)


def test_trains_that_would_start_in_one_block_are_refused() -> None:
    text = LINE + 'B = { line = "main", start = "b", length = 900 }\n'
    with pytest.raises(ConfigurationError, match="A and B would both stand in it"):
        world(text)


def test_a_tail_may_start_beyond_the_track() -> None:
    railway = world(LINE.replace("length = 800", "length = 2900"))
    assert blocks(railway) == ("a",)
    lift_all(railway)
    wait(railway, 8)
    assert blocks(railway) == ("c", "b", "a")


# -- stops -----------------------------------------------------------------------------------


def test_a_stop_lets_a_train_stand_before_the_end_of_its_section() -> None:
    railway = world(LINE.replace('start = "a"', 'start = "b"'))
    wait(railway, 30)
    train = railway.trains[0]
    assert train.speed == 0.0
    assert blocks(railway) == ("c",)
    assert train.head == pytest.approx(500 + 2000 - STAND_SHORT, abs=0.01)
    assert railway.record().times_stopped == 1
    order(railway, "stop PT", "lifted")
    wait(railway, 5)
    assert blocks(railway) == ("d", "c")


def test_a_stop_that_comes_late_takes_the_braking_distance() -> None:
    railway = world(LINE.replace('start = "a"', 'start = "b"'))
    lift_all(railway)
    wait(railway, 5)
    train = railway.trains[0]
    assert train.speed == 200
    # 100 mm before the end, where v²/2a is 200 mm: it cannot stand in time.
    while train.head < 500 + 2000 - 100:
        wait(railway, 0.1)
    at = train.head
    order(railway, "stop PT", "applied")
    order(railway, "signal T", "danger")
    wait(railway, 0.5)
    # 0.5 s at 100 mm/s² from 200 mm/s.
    assert train.speed == pytest.approx(150)
    assert train.head - at == pytest.approx(87.5)
    wait(railway, 2)
    # Past the end of the section the stop acts no more; but the train has run past its signal.
    assert train.speed > 150
    assert WrongSide.PASSED_AT_DANGER in happened(railway)


def test_a_stop_acts_on_the_section_that_the_file_names() -> None:
    railway = world(LINE.replace('PT = { signal = "T" }', 'PT = { signal = "T", section = "b" }'))
    order(railway, "stop PS", "lifted")
    wait(railway, 30)
    assert blocks(railway) == ("b", "a")
    assert railway.trains[0].head == pytest.approx(2500 - STAND_SHORT, abs=0.01)


def test_stops_that_do_not_work_act_on_nothing() -> None:
    railway = world(LINE, stops_work=False)
    wait(railway, 10)
    assert blocks(railway) == ("c",)


def test_a_stop_is_counted_when_it_is_applied_again() -> None:
    railway = world(LINE)
    for value in ("applied", "lifted", "lifted", "applied"):
        order(railway, "stop PS", value)
    assert railway.record().stops_applied == 1


# -- turnouts --------------------------------------------------------------------------------


@pytest.mark.parametrize(("lie", "end"), [("normal", "m"), ("reverse", "n")])
def test_a_train_follows_the_lie_and_not_its_line(lie: str, end: str) -> None:
    railway = world(FORK)
    order(railway, "turnout t", lie)
    wait(railway, 2)
    lift_all(railway)
    wait(railway, 30)
    assert blocks(railway) == (end,)
    # Both lines end at buffer stops.
    assert railway.trains[0].speed == 0.0
    assert WrongSide.RAN_ONTO_TURNOUT not in happened(railway)


def test_a_turnout_takes_its_time_and_says_so() -> None:
    railway = world(FORK)
    railway.reports()
    order(railway, "turnout t", "reverse")
    assert wait(railway, 0.1) == {"turnout t": "moving"}
    assert railway.lying["t"] is None
    assert wait(railway, 0.8) == {}
    assert wait(railway, 0.1) == {"turnout t": "reverse"}
    assert railway.lying["t"] is Lie.REVERSE
    order(railway, "turnout t", "reverse")
    assert wait(railway, 2) == {}
    assert railway.record().turnouts_moved == 1


def test_a_turnout_that_is_called_back_on_its_way_moves_back() -> None:
    railway = world(FORK)
    order(railway, "turnout t", "reverse")
    wait(railway, 0.5)
    order(railway, "turnout t", "normal")
    assert wait(railway, 0.9) == {}
    assert wait(railway, 0.1) == {"turnout t": "normal"}


def test_an_indicator_that_is_proved_says_what_it_was_told() -> None:
    railway = world(FORK)
    railway.reports()
    order(railway, "indicator S", "1")
    assert wait(railway, 0.1) == {"indicator S": "1"}


# -- beyond the described track --------------------------------------------------------------

LOOP = """
[layout]
name = "Dunlin Tunnel"
[blocks]
a = { length = 1000 }
b = { length = 1000 }
c = { length = 1000 }
[lines]
main = "a > b > c"
[signals]
S = { at = "a > b", aspects = 2 }
T = { at = "b > c", aspects = 2, hidden = [4, 6] }
[stops]
PS = { signal = "S" }
PT = { signal = "T" }
[trains]
A = { line = "main", start = "c", length = 500, speed = 200, braking = 400 }
B = { line = "main", start = "b", length = 500, speed = 200, braking = 400 }
"""


def test_a_train_is_away_for_the_hidden_seconds_and_comes_back_where_its_line_begins() -> None:
    railway = world(LOOP.partition("B =")[0])
    lift_all(railway)
    train = railway.trains[0]
    while "c" in blocks(railway) and train.spans[0].block is not None:
        wait(railway, 0.1)
    gone = railway.seconds
    assert [name for _, name in railway.away()] == ["c"]
    wait(railway, 9.9)
    assert blocks(railway) == ()
    wait(railway, 0.1)
    assert blocks(railway) == ("a",)
    assert railway.seconds - gone == pytest.approx(10)
    assert train.speed == 200
    assert list(railway.away()) == []
    wait(railway, 11)
    assert train.laps == 1


def test_trains_come_back_in_their_order_and_only_into_a_clear_block() -> None:
    railway = world(LOOP)
    wait(railway, 6)
    order(railway, "stop PT", "lifted")
    wait(railway, 34)
    # The first stands at the signal; the second waits beyond the track.
    assert blocks(railway, 0) == ("a",)
    assert railway.trains[0].speed == 0
    assert blocks(railway, 1) == ()
    assert railway.record().times_held == 1
    order(railway, "stop PS", "lifted")
    wait(railway, 4)
    order(railway, "stop PS", "applied")
    wait(railway, 6)
    assert blocks(railway, 1) == ("a",)
    assert WrongSide.COLLISION not in happened(railway)


def test_a_train_may_come_back_on_each_line_that_ends_where_it_went() -> None:
    text = LOOP.partition("B =")[0].replace(
        "[lines]", "x = { length = 1000 }\n[turnouts]\nt = { block = 'b' }\n[lines]"
    )
    text = text.replace('"a > b > c"', '"a > b[t normal] > c"\nother = "x > b[t reverse] > c"')
    ends = set()
    for seed in range(20):
        railway = World(table_from(text), seed=seed)
        lift_all(railway)
        wait(railway, 13)
        ends.add(blocks(railway))
    assert ends == {("a",), ("x",)}


# -- time and chance -------------------------------------------------------------------------


def test_time_goes_in_whole_ticks_however_it_is_asked_for() -> None:
    one, two = world(LINE), world(LINE)
    lift_all(one)
    lift_all(two)
    one.advance(20_000_000_000)
    for now in range(0, 20_000_000_001, 70_000_000):
        two.advance(now)
    assert two.now == 20_000_000_000 - 20_000_000_000 % TICK - TICK
    two.advance(20_000_000_000)
    assert one.trains[0].head == two.trains[0].head


def test_bad_contacts_are_bad_for_less_than_the_hold_off() -> None:
    railway = world(LINE, flicker=0.5)
    railway.reports()
    clear_for = longest = bad = 0
    said = "occupied"
    for _ in range(5000):
        said = wait(railway, 0.1).get("detector a", said)
        clear_for = clear_for + 1 if said == "clear" else 0
        bad += clear_for == 1
        longest = max(longest, clear_for)
    assert bad > 20
    assert 0.1 < longest * 0.1 < 1.5
