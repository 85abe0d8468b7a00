"""Trains under the real logic: nothing wrong-side, and everything wrong-side without stops."""

from __future__ import annotations

import pytest

from signalling.core.interlocking import Interlocking
from signalling.simulate import Record, World, WrongSide, run
from tests.rig import table_from


def ring(count: int, aspects: int) -> str:
    """Return a ring of blocks with a signal at each joint and a train in every third."""
    blocks = [f"b{index}" for index in range(count)]
    text = ["[layout]", 'name = "Curlew Ring"', "[blocks]"]
    text += [
        f"{name} = {{ length = {900 + 100 * (index % 3)} }}" for index, name in enumerate(blocks)
    ]
    text += ["[lines]", f'round = "{" > ".join([*blocks, blocks[0]])}"', "[signals]"]
    text += [
        f'S{index} = {{ at = "{name} > {blocks[(index + 1) % count]}", aspects = {aspects} }}'
        for index, name in enumerate(blocks)
    ]
    text += ["[stops]", *(f'P{index} = {{ signal = "S{index}" }}' for index in range(count))]
    text += ["[trains]"]
    text += [
        f'T{index} = {{ line = "round", start = "b{index}", length = {400 + 50 * index}, '
        f"speed = {150 + 40 * index} }}"
        for index in range(0, count - 2, 3)
    ]
    return "\n".join(text)


def ran(text: str, seconds: float, **options: float) -> Record:
    table = table_from(text)
    world = World(table, **options)  # type: ignore[arg-type]
    run(Interlocking(table), world, seconds)
    return world.record()


@pytest.mark.parametrize("aspects", [2, 3, 4])
def test_nothing_wrong_side_happens(aspects: int) -> None:
    record = ran(ring(9, aspects), 600)
    assert record.wrong_side == ()
    assert record.seconds == 600
    assert record.minimum_separation == 1
    assert record.aspects_passed["danger"] == 0
    assert record.stops_applied > 100
    # Fast trains catch up with slow ones and are stopped, and all go round.
    assert record.times_stopped > 10
    assert all(train.laps >= 5 for train in record.trains)


def test_bad_contacts_make_nothing_wrong_side() -> None:
    record = ran(ring(9, 4), 600, flicker=0.3)
    assert record.wrong_side == ()
    assert all(train.laps >= 5 for train in record.trains)


def test_without_stops_the_same_trains_pass_signals_at_danger_and_collide() -> None:
    kinds = {event.kind for event in ran(ring(9, 4), 300, stops_work=False).wrong_side}
    assert kinds >= {WrongSide.PASSED_AT_DANGER, WrongSide.COLLISION}


def test_with_the_wires_of_two_detectors_crossed_it_is_found() -> None:
    text = ring(9, 4) + '\n[detectors]\nb4 = { block = "b5" }\nb5 = { block = "b4" }\n'
    table = table_from(text)
    # The logic believes the description; the railway is wired the other way round.
    railway = World(table_from(ring(9, 4)))
    run(Interlocking(table), railway, 300)
    assert railway.record().wrong_side != ()


def test_the_same_run_twice_is_the_same() -> None:
    assert ran(ring(9, 4), 200, seed=5, flicker=0.3) == ran(ring(9, 4), 200, seed=5, flicker=0.3)
    assert ran(ring(9, 4), 200, seed=5, flicker=0.3) != ran(ring(9, 4), 200, seed=6, flicker=0.3)


def test_whoever_attends_asks_by_requests() -> None:
    from signalling.core.interlocking import Snapshot
    from signalling.core.words import HoldAll, Request

    table = table_from(ring(9, 4))
    railway = World(table)
    looks: list[int] = []

    def attendant(snapshot: Snapshot, now: int) -> list[Request]:
        assert set(snapshot.aspects) == set(railway.aspects)
        looks.append(now)
        return [HoldAll()] if now >= 10_000_000_000 else []

    run(Interlocking(table), railway, 60, attendant)
    assert set(railway.aspects.values()) == {"danger"}
    assert all(train.speed == 0 for train in railway.trains)
    assert looks[:3] == [0, 500_000_000, 1_000_000_000]
