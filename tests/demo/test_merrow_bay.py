"""Merrow Bay: its description, and what its trains come to over real links."""

from __future__ import annotations

import asyncio
from importlib import resources

import pytest

from signalling.controller.clock import paced
from signalling.core.interlocking import Interlocking, Snapshot
from signalling.core.words import MoveTurnout, Request
from signalling.demo.run import Demo, Outcome, load_merrow_bay
from signalling.demo.shunter import Shunter
from signalling.demo.signaller import Signaller
from signalling.layout.notation import parse_joint, parse_path
from signalling.simulate import World, WrongSide, run
from signalling.table.check import check_file
from signalling.table.table import Table

FILE = resources.files("signalling.demo") / "layout.toml"


@pytest.fixture(scope="module")
def table() -> Table:
    return load_merrow_bay()


def outcome_of(table: Table, seed: int, seconds: float) -> Outcome:
    with asyncio.Runner(loop_factory=paced(None)) as runner:
        return runner.run(Demo(table, seed).run(seconds))


# -- the description -------------------------------------------------------------------------


def test_it_checks_clean() -> None:
    findings = [(str(each.severity), each.thing) for each in check_file(str(FILE))]
    # The viaduct is detected by beams on purpose.
    assert findings == [("note", "block b1")]


def test_it_has_what_a_demonstration_needs(table: Table) -> None:
    layout = table.layout
    assert len(layout.signals) >= 16
    assert {signal.aspects for signal in layout.signals.values()} == {2, 3, 4}
    assert len(layout.trains) >= 5
    up = [step.block for step in parse_path(layout.lines["up"])]
    assert up[0] == up[-1], "the up main is a ring"
    assert any(signal.hidden for signal in layout.signals.values())
    assert {turnout.moved_by for turnout in layout.turnouts.values()} == {"us", "others"}
    assert any(row.indicator is not None for row in table.rows)
    assert any(row.first_come for row in table.rows), "the branch crosses on the level"


def test_every_signal_has_a_stop(table: Table) -> None:
    assert {stop.signal for stop in table.layout.stops.values()} == set(table.layout.signals)


def test_a_green_of_two_aspects_has_no_signal_beyond_it(table: Table) -> None:
    # Its green says nothing of the next signal, so green could be followed by red.
    for row in table.rows:
        if row.head == "two":
            assert row.route.exit is None


def test_every_train_can_stand_within_the_block_before_any_signal(table: Table) -> None:
    layout = table.layout
    blocks = {parse_joint(signal.at).rear for signal in layout.signals.values()}
    shortest = min(layout.blocks[block].length or 0 for block in blocks)
    for train in layout.trains.values():
        assert train.length < shortest - 100
        assert train.speed**2 / (2 * train.braking) < shortest / 4
        # From a full block away it stands before the approach time has run.
        longest = max(layout.blocks[block].length or 0 for block in blocks)
        time = longest / train.speed + train.speed / train.braking
        assert time < layout.settings.approach_time


# -- trains over real links ------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_trains_run_and_nothing_wrong_side_happens(table: Table, seed: int) -> None:
    outcome = outcome_of(table, seed, 600)
    record = outcome.record
    assert record.wrong_side == ()
    assert outcome.alarms == ()
    assert record.seconds == 600
    assert record.minimum_separation == 1
    assert list(record.aspects_shown) == ["danger", "caution", "preliminary-caution", "clear"]
    assert min(record.aspects_shown.values()) > 20
    passed = dict(record.aspects_passed)
    assert passed.pop("danger") == 0
    assert min(passed.values()) > 10
    assert record.stops_applied > 100
    assert record.times_stopped > 20
    assert record.turnouts_moved > 20
    assert len(record.trains) == len(table.layout.trains)
    assert min(train.signals_passed for train in record.trains) > 15


def test_the_same_seed_gives_the_same_run(table: Table) -> None:
    assert outcome_of(table, 3, 200) == outcome_of(table, 3, 200)
    assert outcome_of(table, 3, 200).record != outcome_of(table, 4, 200).record


def test_stopping_it_ends_it_with_what_it_came_to(table: Table) -> None:
    demo = Demo(table)

    def watch() -> None:
        if demo.world.seconds >= 12:
            demo.stop()

    with asyncio.Runner(loop_factory=paced(None)) as runner:
        outcome = runner.run(demo.run(None, watch))
    assert outcome.record.seconds == 12
    assert set(demo.world.aspects.values()) == {"danger"}, "left with everything at danger"
    assert set(demo.world.stops.values()) == {"applied"}


# -- for hours, without wires ----------------------------------------------------------------


class Attendants:
    """The signaller and the shunter, who watch that no train is left standing."""

    def __init__(self, world: World, seed: int) -> None:
        self.world = world
        self.signaller = Signaller(seed)
        self.shunter = Shunter(world, seed)
        self.longest = 0.0
        self.shunted = 0
        self.alarms: set[str] = set()
        self._moved = {train.name: (train.head, 0) for train in world.trains}

    def __call__(self, snapshot: Snapshot, now: int) -> list[Request]:
        self.shunted += self.shunter.act() is not None
        self.alarms.update(alarm.sentence for alarm in snapshot.alarms)
        for train in self.world.trains:
            head, since = self._moved[train.name]
            if train.head != head:
                self._moved[train.name] = (train.head, now)
            else:
                self.longest = max(self.longest, (now - since) / 1e9)
        return self.signaller(snapshot, now)


def attended(table: Table, seed: int, seconds: float, **options: float) -> tuple[World, Attendants]:
    world = World(table, seed=seed, **options)  # type: ignore[arg-type]
    attendants = Attendants(world, seed)
    run(Interlocking(table), world, seconds, attendants)
    return world, attendants


@pytest.mark.parametrize(("seed", "flicker"), [(0, 0.0), (2, 0.0), (7, 0.2)])
def test_trains_run_for_hours_without_standing_off(table: Table, seed: int, flicker: float) -> None:
    world, attendants = attended(table, seed, 3 * 3600, flicker=flicker)
    record = world.record()
    assert record.wrong_side == ()
    assert attendants.alarms == set()
    assert attendants.longest < 300
    assert min(train.laps for train in record.trains) >= 5
    assert min(train.signals_passed for train in record.trains) > 400
    assert attendants.shunted > 50


@pytest.mark.parametrize("seed", range(3))
def test_without_stops_the_check_of_physical_truth_finds_it(table: Table, seed: int) -> None:
    world, _ = attended(table, seed, 300, stops_work=False)
    kinds = {event.kind for event in world.record().wrong_side}
    assert kinds >= {WrongSide.PASSED_AT_DANGER, WrongSide.COLLISION}


# -- the people ------------------------------------------------------------------------------


def test_the_signaller_never_asks_in_the_face_of_a_train(table: Table) -> None:
    world = World(table, seed=1)
    signaller = Signaller(1)
    turned: list[tuple[str, tuple[str, ...]]] = []

    def attendant(snapshot: Snapshot, now: int) -> list[Request]:
        requests = signaller(snapshot, now)
        for request in requests:
            if not isinstance(request, MoveTurnout) or now < 4_000_000_000:
                continue
            for row in table.rows:
                lies = dict(row.route.lies)
                if (
                    lies.get(request.turnout) is request.lie.other
                    and snapshot.aspects[row.signal] != "danger"
                    and all(snapshot.lies[name] is lie for name, lie in lies.items())
                    and snapshot.occupied[row.approach[0]]
                ):
                    turned.append((row.name, row.approach))
        return requests

    run(Interlocking(table), world, 3600, attendant)
    assert turned == []
    assert world.record().turnouts_moved > 300


def test_the_shunter_moves_nothing_without_the_lock(table: Table) -> None:
    world = World(table)
    shunter = Shunter(world, 0)
    for trains in world.inside.values():
        trains.clear()  # nobody in the platform
    done = []
    for second in range(1, 400):
        world.advance(second * 1_000_000_000)
        done.append(shunter.act())
    assert sum(said is not None for said in done) == 1, "asked, and still waiting"
    assert world.record().turnouts_moved == 0
