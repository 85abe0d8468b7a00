"""Motion of one train, against v²/2a and the other laws of constant acceleration."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.simulate.motion import braking_distance, move

speeds = st.floats(20.0, 600.0)
rates = st.floats(50.0, 600.0)
ticks = st.sampled_from([0.02, 0.1, 0.25, 1.0])


def run_until_it_stands(
    speed: float, top: float, braking: float, room: float, tick: float
) -> float:
    """Return how far a train runs that is made to stand in ``room``."""
    run = 0.0
    for _ in range(1_000_000):
        speed, distance = move(speed, top, braking, tick, room - run)
        assert distance >= 0.0
        run += distance
        if speed == 0.0:
            return run
    raise AssertionError("it never stood")


def test_the_braking_distance_is_v_squared_over_2a() -> None:
    # 300 mm/s at 250 mm/s²: 90000 / 500.
    assert braking_distance(300.0, 250.0) == pytest.approx(180.0)


@given(speeds, rates, ticks, st.floats(1.0, 20.0))
def test_a_train_stands_exactly_where_it_is_to(
    speed: float, braking: float, tick: float, share: float
) -> None:
    room = braking_distance(speed, braking) * share
    assert run_until_it_stands(speed, speed, braking, room, tick) == pytest.approx(room, abs=0.01)


@given(speeds, rates, ticks, st.floats(0.0, 0.99))
def test_a_train_that_is_told_too_late_runs_past_by_what_is_missing(
    speed: float, braking: float, tick: float, share: float
) -> None:
    need = braking_distance(speed, braking)
    run = run_until_it_stands(speed, speed, braking, need * share, tick)
    assert run == pytest.approx(need, rel=2e-3)


@given(speeds, rates, ticks, st.floats(0.0, 1.0), st.floats(10.0, 5000.0))
def test_a_train_that_speeds_up_towards_a_stop_keeps_within_its_room(
    top: float, braking: float, tick: float, share: float, spare: float
) -> None:
    speed = max(top * share, 1.0)
    room = braking_distance(speed, braking) + spare
    assert run_until_it_stands(speed, top, braking, room, tick) == pytest.approx(room, abs=0.01)


@given(speeds, rates, ticks)
def test_a_train_speeds_up_to_its_own_speed_and_no_further(
    top: float, rate: float, tick: float
) -> None:
    speed, run, time = 0.0, 0.0, 0.0
    while speed < top:
        speed, distance = move(speed, top, rate, tick)
        run, time = run + distance, time + tick
    assert speed == top
    # v²/2a to reach it, and then its own speed for what is left of the time.
    assert run == pytest.approx(braking_distance(top, rate) + top * (time - top / rate))
    assert move(speed, top, rate, tick) == (top, pytest.approx(top * tick))


def test_a_train_that_stands_is_not_moved_by_a_stop() -> None:
    assert move(0.0, 300.0, 250.0, 0.1, room=1000.0) == (0.0, 0.0)
    assert move(0.0, 300.0, 250.0, 0.1)[0] == pytest.approx(25.0)
