"""Physical truth: each thing that must never happen is found when it happens, and not before."""

from __future__ import annotations

from signalling.layout.words import Device, Order
from signalling.simulate import World
from signalling.simulate.truth import REACTION
from tests.rig import table_from

RING = """
[layout]
name = "Whimbrel Ness"
[blocks]
a = {}
b = {}
c = {}
d = {}
[lines]
round = "a > b > c > d > a"
[signals]
A = { at = "a > b", aspects = 3 }
B = { at = "b > c", aspects = 3 }
C = { at = "c > d", aspects = 3 }
D = { at = "d > a", aspects = 3 }
[stops]
PA = { signal = "A" }
PB = { signal = "B" }
PC = { signal = "C" }
PD = { signal = "D" }
[trains]
fast = { line = "round", start = "a", length = 300, speed = 250, braking = 500 }
"""
SECOND_TRAIN = 'slow = { line = "round", start = "c", length = 300, speed = 100 }\n'

FORK = """
[layout]
name = "Whimbrel Fork"
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
back = "n > j[t reverse] > a"
[signals]
S = { at = "a > j", aspects = 3 }
N = { at = "n > j", aspects = 3 }
[stops]
PS = { signal = "S" }
PN = { signal = "N" }
[trains]
A = { line = "LINE", start = "START", length = 300 }
"""


class Ordered:
    """A simulated railway, ordered by hand."""

    def __init__(self, text: str) -> None:
        self.railway = World(table_from(text))
        self.told = 0

    def orders(self, **values: str) -> Ordered:
        for name, value in values.items():
            kind = "turnout" if name == "t" else "stop" if name.startswith("P") else "signal"
            self.railway.order(Order(Device(kind, name), value))
        return self

    def wait(self, seconds: float) -> Ordered:
        self.railway.advance(self.railway.now + round(seconds * 1e9))
        return self

    def found(self) -> list[str]:
        """Return what was found since last asked, with the time taken off."""
        events = self.railway.record().wrong_side[self.told :]
        self.told += len(events)
        return [f"{event.kind} {event.thing}, {event.other}" for event in events]


def test_a_train_that_keeps_to_its_signals_is_never_wrong() -> None:
    ring = Ordered(RING).orders(A="caution", PA="lifted")
    ring.wait(1.5)
    assert ring.railway.trains[0].blocks == ("b", "a")
    ring.orders(A="danger", PA="applied").wait(60)
    assert ring.railway.trains[0].blocks == ("b",)
    assert ring.found() == []
    record = ring.railway.record()
    assert record.aspects_passed == {
        "danger": 0,
        "caution": 1,
        "preliminary-caution": 0,
        "clear": 0,
    }
    assert record.trains[0].signals_passed == 1


def test_a_signal_passed_at_danger() -> None:
    ring = Ordered(RING).orders(PA="lifted").wait(3)
    assert ring.found() == ["passed-at-danger signal A, fast"]


def test_two_trains_in_one_block_are_a_collision_told_once() -> None:
    ring = Ordered(RING + SECOND_TRAIN).orders(A="caution", PA="lifted", PB="lifted").wait(30)
    assert "collision block c, fast and slow" in ring.found()
    assert ring.railway.record().minimum_separation == 0
    ring.wait(30)
    assert ring.found() == []


def test_a_signal_may_stay_off_for_the_train_that_just_passed_it_and_no_longer() -> None:
    ring = Ordered(RING).orders(A="caution", PA="lifted")
    while ring.railway.trains[0].blocks == ("a",):
        ring.wait(0.1)
    ring.wait(REACTION - 0.1)
    assert ring.found() == []
    ring.wait(0.3)
    assert ring.found() == ["off-over-train signal A, fast"]
    ring.wait(1)
    assert ring.found() == [], "told once, at its onset"
    ring.orders(A="danger").wait(1).orders(A="caution").wait(0.1)
    assert ring.found() == ["off-over-train signal A, fast"], "told again when it is so again"


def test_no_other_train_is_left_out() -> None:
    ring = Ordered(RING + SECOND_TRAIN).orders(B="caution").wait(0.1)
    assert ring.found() == ["off-over-train signal B, slow"]


def test_an_aspect_that_promises_more_than_the_next_signal_shows() -> None:
    ring = Ordered(RING.replace('start = "a"', 'start = "d"'))
    ring.orders(A="clear", B="clear", C="caution").wait(0.1)
    assert ring.found() == ["off-over-train signal C, fast"]
    ring.orders(C="danger").wait(0.1)
    assert ring.found() == ["promised-too-much signal B, C"]
    ring.orders(B="caution").wait(0.1)
    assert ring.found() == []


def test_a_turnout_that_moves_under_a_signal_that_is_off() -> None:
    fork = Ordered(FORK.replace("LINE", "main").replace("START", "a")).orders(S="caution")
    fork.wait(0.1)
    assert fork.found() == []
    fork.orders(t="reverse").wait(0.1)
    assert fork.found() == ["off-over-turnout signal S, j"]


def test_a_signal_that_is_off_over_a_turnout_that_lies_against_it() -> None:
    fork = Ordered(FORK.replace("LINE", "main").replace("START", "a")).orders(N="caution")
    fork.wait(0.1)
    # The route from N ends beyond block a, where the train stands.
    assert fork.found() == ["off-over-turnout signal N, j", "off-over-train signal N, A"]


def test_a_turnout_that_moves_under_a_train() -> None:
    fork = Ordered(FORK.replace("LINE", "main").replace("START", "a"))
    fork.orders(S="caution", PS="lifted").wait(2).orders(S="danger").found()
    assert "j" in fork.railway.trains[0].blocks
    fork.orders(t="reverse")
    assert fork.found() == ["turnout-under-train turnout t, A"]
    fork.wait(20)
    # It went where it was led when it came: the lie decided then.
    assert fork.railway.trains[0].blocks == ("m",)


def test_a_train_that_runs_onto_a_turnout_that_is_moving() -> None:
    fork = Ordered(FORK.replace("LINE", "main").replace("START", "a")).orders(S="caution")
    fork.orders(PS="lifted").wait(0.3).orders(S="danger", t="reverse").wait(1)
    assert fork.found() == ["passed-at-danger signal S, A", "ran-onto-turnout block j, A"]


def test_a_train_that_runs_through_a_turnout_that_lies_against_it() -> None:
    fork = Ordered(FORK.replace("LINE", "back").replace("START", "n"))
    fork.orders(PN="lifted").wait(2)
    assert fork.found() == ["passed-at-danger signal N, A", "ran-onto-turnout block j, A"]
    fork.wait(20)
    assert fork.railway.trains[0].blocks == ("a",)


def test_the_separation_is_counted_in_blocks_to_the_train_ahead() -> None:
    ring = Ordered(RING + SECOND_TRAIN)
    assert ring.railway.record().minimum_separation is None
    ring.wait(0.1)
    assert ring.railway.record().minimum_separation == 2
    ring.orders(A="caution", PA="lifted").wait(5)
    assert ring.railway.record().minimum_separation == 1


def test_a_train_alone_has_nothing_ahead() -> None:
    ring = Ordered(RING).orders(PA="lifted", PB="lifted", PC="lifted", PD="lifted").wait(60)
    assert ring.railway.trains[0].laps > 2
    assert ring.railway.record().minimum_separation is None
