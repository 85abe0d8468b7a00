"""Names on simulated railways, where it is known which train is where.

What is promised (docs/describer.md): while detection is right, each name stands
in a block that its train is in, or has left for no longer than the hold-off, and
is not in doubt. While one contact fails, a name that is not in doubt does so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from random import Random

import pytest
from attrs import frozen
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from signalling.core.interlocking import Interlocking
from signalling.core.words import NameTrain
from signalling.describe.describer import Describer
from signalling.layout.words import Device, Report
from signalling.simulate.world import TICK, World
from tests.rig import table_from
from tests.simulate.test_random_railways import People, railway

SECONDS = 120


@frozen
class Fault:
    """The contact of one section that fails, in s of the run."""

    block: float
    """Which of the blocks, as a share of all."""
    begins: float
    lasts: float
    says: str | None
    """What it says while a train is there: ``clear``, or nothing."""


class Detectors:
    """What arrives of what detectors say."""

    def __init__(self, blocks: list[str], fault: Fault | None) -> None:
        self._fault = fault
        self._device = Device("detector", blocks[int(fault.block * len(blocks))] if fault else "")
        self._said: str | None = None
        self._failing = False
        self._heads: dict[str, str] = {}

    def ran_through(self, world: World) -> bool:
        """Return whether a train has run on out of the block that reads clear under it.

        Nothing can be promised then: no neighbour was seen to be where it came from.
        """
        heads = {train.name: train.blocks[0] for train in world.trains if train.blocks}
        before, self._heads = self._heads, heads
        block = self._device.name
        return (
            self._failing
            and self._fault is not None
            and self._fault.says == "clear"
            and any(before.get(name) == block != head for name, head in heads.items())
        )

    def arriving(self, reports: Iterable[Report], seconds: float) -> tuple[Report, ...]:
        arriving = []
        for report in reports:
            if report.device == self._device:
                self._said = report.value
            if report.device != self._device or not self._failing:
                arriving.append(report)
        fault = self._fault
        failing = fault is not None and fault.begins <= seconds < fault.begins + fault.lasts
        if failing is not self._failing and fault is not None:
            self._failing = failing
            arriving.append(Report(self._device, fault.says if failing else self._said))
        return tuple(arriving)


def run(seed: int, fault: Fault | None = None) -> tuple[int, int]:
    """Run named trains; return how often names were looked at, and how often one was in doubt."""
    random = Random(seed)  # noqa: S311 - chance in a test
    table = table_from(railway(random))
    world = World(table, seed=seed)
    interlocking = Interlocking(table)
    describer = Describer(interlocking)
    people = People(random, world)
    detectors = Detectors(list(table.layout.blocks), fault)
    late = table.layout.settings.hold_off + 3 * TICK / 1e9
    was_in: dict[str, deque[tuple[float, tuple[str, ...]]]] = {
        train.name: deque() for train in world.trains
    }
    looked = in_doubt = 0
    reports = world.reports()
    while world.seconds < SECONDS and not detectors.ran_through(world):
        arriving = detectors.arriving(reports, world.seconds)
        for order in interlocking.observe(arriving, world.now):
            world.order(order)
        describer.observe(arriving, world.now)
        if world.now == 0:
            for train in world.trains:
                answer = describer.request(NameTrain(train.blocks[0], train.name), world.now)
                assert isinstance(answer, tuple)
        if world.now % (5 * TICK) == 0:
            for request in people(interlocking.snapshot(), world.now):
                orders = interlocking.request(request, world.now)
                if isinstance(orders, tuple):
                    for order in orders:
                        world.order(order)
                describer.observe((), world.now)
        berths = {
            name.train: (block, name.doubtful)
            for block, names in describer.berths.items()
            for name in names
        }
        assert berths.keys() == was_in.keys(), "no name is lost, and none is there twice"
        for train in world.trains:
            been = was_in[train.name]
            been.append((world.seconds, train.blocks))
            while been[0][0] < world.seconds - late:
                been.popleft()
            berth, doubtful = berths[train.name]
            looked += 1
            in_doubt += doubtful
            if not doubtful:
                assert any(berth in blocks for _, blocks in been), (
                    f"{world.seconds} s: {train.name} stands in {berth} and is in {train.blocks}"
                )
        reports = world.advance(world.now + TICK)
    return looked, in_doubt


@pytest.mark.parametrize("seed", range(12))
def test_names_follow_their_trains(seed: int) -> None:
    _, in_doubt = run(seed)
    assert in_doubt == 0


FAULTS = st.builds(
    Fault,
    block=st.floats(0, 1, exclude_max=True),
    begins=st.floats(5, 60),
    lasts=st.sampled_from([0.3, 2.0, 5.0, 15.0, 40.0]),
    says=st.sampled_from(["clear", None]),
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@example(8205, Fault(0.5153922053540086, 48.79189345587664, 15.0, None))
@given(seed=st.integers(0, 10_000), fault=FAULTS)
def test_a_contact_that_fails_puts_no_name_where_its_train_is_not(seed: int, fault: Fault) -> None:
    run(seed, fault)


def test_faults_put_names_in_doubt() -> None:
    doubts = [run(seed, Fault(0.5, 20, 5, "clear"))[1] for seed in range(8)]
    assert any(doubts), "or the tests above would show nothing"
