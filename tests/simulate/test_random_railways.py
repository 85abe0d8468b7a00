"""Random railways with trains, people and bad contacts: no train is ever let into another's block.

Every joint that trains run over has a signal with a stop, so what is checked
is the logic and nothing else: what acts on trains is the stops alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from random import Random

import pytest

from signalling.core.interlocking import Interlocking, Snapshot
from signalling.core.words import (
    Acknowledge,
    ConfirmBlock,
    FreeSignal,
    HoldSignal,
    MoveTurnout,
    Request,
    RestoreBlock,
)
from signalling.layout.notation import Lie
from signalling.simulate.record import WrongSide
from signalling.simulate.run import run
from signalling.simulate.world import World
from tests.rig import table_from

STOPPING = 2.0
"""Seconds within which every train here stops: 400 mm/s at 250 mm/s², and a scan."""


def railway(random: Random) -> str:
    """A ring with a loop of two turnouts that we move, crossed on the level by another ring."""
    count = random.randint(7, 10)
    main = [f"r{index}" for index in range(count)]
    across = [f"x{index}" for index in range(random.randint(4, 6))]
    through = [f"{main[0]}[t1 normal]", main[1], f"{main[2]}[t2 normal]", *main[3:]]
    crossing = main[5]
    lines = {
        "main": [*through, through[0]],
        "loop": [main[-1], f"{main[0]}[t1 reverse]", "p", f"{main[2]}[t2 reverse]", main[3]],
        "across": [across[0], across[1], crossing, *across[2:], across[0]],
    }
    signals = {}
    for name, steps in lines.items():
        plain = [step.split("[")[0] for step in steps]
        for rear, ahead in pairwise(plain):
            # A train that stands in a turnout or on the crossing waits there: no signal after it.
            if rear not in {main[0], main[2], crossing} and f"{rear} > {ahead}" not in signals:
                signals[f"{rear} > {ahead}"] = (name, random.choice([2, 3, 4]))
    # Two stops in one turnout's block would each catch the other's trains: none there.
    joint = f"{main[2]} > {main[3]}"
    signals.setdefault(joint, ("main", random.choice([3, 4])))
    text = [
        "[layout]",
        'name = "Random"',
        f"hold_off = {random.choice([0.5, 1.5])}",
        f"approach_time = {random.choice([8.0, 20.0])}",
        f"minimum_on = {random.choice([0.0, 2.0])}",
        "[blocks]",
        *(
            f"{block} = {{ length = {random.randint(1500, 2600)} }}"
            for block in [*main, *across, "p"]
        ),
        "[turnouts]",
        f't1 = {{ block = "{main[0]}", moved_by = "us" }}',
        f't2 = {{ block = "{main[2]}", moved_by = "us" }}',
        "[lines]",
        *(f'{name} = "{" > ".join(steps)}"' for name, steps in lines.items()),
        "[signals]",
        *(
            f'S{number} = {{ at = "{joint}", aspects = {aspects}, '
            + ("overlap = '" + joint.split(" > ")[1] + "', " if random.random() < 0.1 else "")
            + "}"
            for number, (joint, (_, aspects)) in enumerate(signals.items())
        ),
        "[stops]",
        *(f"P{number} = {{ signal = 'S{number}' }}" for number in range(len(signals))),
        "[trains]",
    ]
    starts = [(block, "main") for block in (main[1], main[3], main[6])]
    starts += [(across[1], "across"), (across[3], "across")]
    for number, (block, line) in enumerate(random.sample(starts, random.randint(2, 5))):
        text.append(
            f'T{number} = {{ line = "{line}", start = "{block}", '
            f"length = {random.randint(200, 1300)}, speed = {random.randint(120, 400)}, "
            f"braking = {random.randint(250, 600)} }}"
        )
    return "\n".join(text).replace(", }", " }")


class People:
    """Ask for anything at any time, and now and then mend what went wrong."""

    def __init__(self, random: Random, world: World) -> None:
        self.random, self.world = random, world
        self.signals = list(world.aspects)
        self.held: set[str] = set()
        self.put_back: list[float] = []
        """When a signal may have been put back before a train."""

    def __call__(self, now: Snapshot, _at: int) -> Iterable[Request]:
        for request in self._requests(now):
            if isinstance(request, HoldSignal | MoveTurnout):
                self.put_back.append(self.world.seconds)
            yield request

    def _requests(self, now: Snapshot) -> Iterable[Request]:
        random = self.random
        if random.random() < 0.05:
            yield MoveTurnout(random.choice(["t1", "t2"]), random.choice(list(Lie)))
        if random.random() < 0.02:
            signal = random.choice(self.signals)
            self.held.add(signal)
            yield HoldSignal(signal)
        if self.held and random.random() < 0.1:
            yield FreeSignal(self.held.pop())
        for alarm in now.alarms:
            kind, _, name = alarm.thing.partition(" ")
            if kind == "signal" and random.random() < 0.1:
                yield Acknowledge(name)
            elif kind == "block" and not self.world.inside[name] and random.random() < 0.1:
                yield RestoreBlock(name)
                yield ConfirmBlock(name)


@pytest.mark.parametrize("seed", range(16))
def test_nothing_wrong_side_happens(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    table = table_from(railway(random))
    flicker = random.choice([0.0, 0.0, 0.5])
    world = World(table, seed=seed, flicker=flicker)
    people = People(random, world)
    run(Interlocking(table), world, 600, people)
    record = world.record()
    for event in record.wrong_side:
        # A signal put back too late for its train to stop is passed; nothing may come of it.
        assert event.kind is WrongSide.PASSED_AT_DANGER, event
        assert any(0 <= event.seconds - at <= STOPPING for at in people.put_back), event
    assert sum(record.aspects_passed.values()) > 20


@pytest.mark.parametrize("seed", range(4))
def test_without_stops_it_does(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    table = table_from(railway(random))
    world = World(table, seed=seed, stops_work=False)
    run(Interlocking(table), world, 300)
    assert world.record().wrong_side
