"""Train stops: applied while the signal is on, and where trains run both ways."""

from __future__ import annotations

import pytest

from signalling.core.words import HoldSignal
from tests.rig import Rig

# A loop on a single line: x joins both sides; trains run both ways through m.
BOTH_WAYS = """
[layout]
name = "Both ways"
hold_off = 0.0
approach_time = 20.0
[blocks]
w = {}
m = {}
n = {}
e = {}
[lines]
main = "w > m > n > e"
[signals]
E = { at = "m > n", aspects = 2, hidden = [] }
W = { at = "n > m", aspects = 2, hidden = [] }
[stops]
PE = { signal = "E" }
PW = { signal = "W" }
far = { signal = "E", section = "w" }
"""


def test_a_stop_is_lifted_with_its_signal() -> None:
    rig = Rig(BOTH_WAYS).all_clear()
    assert not rig.stop("PE")
    rig.occupied("m")
    assert rig.aspects(["E", "W"]) == ["clear", "danger"]
    assert not rig.stop("PE")
    assert not rig.stop("far")
    assert rig.stop("PW")
    rig.ask(HoldSignal("E"))
    assert rig.stop("PE")
    assert rig.stop("far")


def test_a_train_against_the_signal_lifts_the_stops_that_lie_in_its_route() -> None:
    rig = Rig(BOTH_WAYS).all_clear().occupied("n").wait(1)
    assert rig.aspects(["E", "W"]) == ["danger", "clear"]
    assert rig.stop("PE"), "the train may as well have gone past E the other way"
    rig.occupied("m").wait(1)
    assert rig.aspects(["E", "W"]) == ["danger", "danger"]
    assert rig.stop("PW")
    assert not rig.stop("PE")
    assert not rig.stop("far")
    rig.clear("n").wait(1).occupied("w").wait(1).clear("m").wait(1)
    assert not rig.stop("far"), "the train is in w"
    rig.ask(HoldSignal("E"))
    rig.clear("w").wait(1)
    assert rig.stop("PE")
    assert rig.stop("far")


def test_a_train_that_comes_to_the_signal_behind_another_is_stopped() -> None:
    rig = Rig(BOTH_WAYS).all_clear().run("w", "m", "n")
    assert rig.aspect("E") == "danger"
    rig.occupied("w").wait(1).occupied("m").wait(1)
    assert rig.stop("PE")
    assert rig.stop("far")


def test_a_train_that_passes_its_signal_at_danger_lifts_nothing() -> None:
    rig = Rig(BOTH_WAYS).all_clear().occupied("n").wait(1)
    rig.ask(HoldSignal("W"))
    rig.occupied("m").wait(1)
    assert rig.alarms() == [("passed-at-danger", "signal W")]
    assert rig.stop("PE")


@pytest.mark.parametrize("detector", ["m", "w"])
def test_no_stop_is_lifted_while_its_track_is_unknown(detector: str) -> None:
    rig = Rig(BOTH_WAYS).all_clear().unknown(detector).occupied("n").wait(1).occupied("m").wait(1)
    assert rig.stop("PE")
    assert rig.stop("PW")
