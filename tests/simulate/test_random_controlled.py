"""Random railways whose routes are asked for: nothing wrong-side, and everything is given up again.

The railways, trains and bad contacts are those of ``test_random_railways``;
most signals are controlled, and a signaller asks for routes at random, lets
some work automatically, and changes his mind. People take things out of use.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from random import Random

import pytest

from signalling.core.interlocking import Interlocking, Snapshot
from signalling.core.words import (
    CancelRoute,
    GiveBack,
    MoveTurnout,
    Request,
    SetRoute,
    TakeOut,
    WorkRoute,
)
from signalling.layout.out_of_use import Thing
from signalling.simulate.record import WrongSide
from signalling.simulate.run import run
from signalling.simulate.world import World
from signalling.table.table import Table
from tests.rig import table_from
from tests.simulate.test_random_railways import STOPPING, People, railway


def controlled(random: Random) -> str:
    """A random railway of which most signals are controlled."""

    def choose(match: re.Match[str]) -> str:
        return match[0] + ("controlled = true, " if random.random() < 0.7 else "")

    return re.sub(r"^S\d+ = \{ ", choose, railway(random), flags=re.MULTILINE)


class Signaller(People):
    """Asks for routes, too."""

    def __init__(self, random: Random, world: World, table: Table) -> None:
        super().__init__(random, world)
        self.routes = [row.name for row in table.rows if row.controlled]
        self.things = [
            *((Thing.BLOCK, name) for name in table.layout.blocks),
            *((Thing.TURNOUT, name) for name in table.layout.turnouts),
            *((Thing.SIGNAL, name) for name in table.layout.signals),
            *((Thing.ROUTE, name) for name in self.routes),
        ]

    def __call__(self, now: Snapshot, at: int) -> Iterable[Request]:
        for request in super().__call__(now, at):
            if not isinstance(request, MoveTurnout) or self.random.random() < 0.2:
                yield request
        yield from self._work_at_the_track(now)
        if not self.routes:
            return
        for _ in range(3):
            route = self.random.choice(self.routes)
            chance = self.random.random()
            if chance < 0.5:
                yield SetRoute(route, wait=self.random.random() < 0.5)
            elif chance < 0.53:
                yield WorkRoute(route)
            elif chance < 0.55:
                self.put_back.append(self.world.seconds)
                yield CancelRoute(route)

    def _work_at_the_track(self, now: Snapshot) -> Iterable[Request]:
        """Take things out of use now and then, and give them back, each person for itself."""
        if self.random.random() < 0.01:
            self.put_back.append(self.world.seconds)
            person = self.random.choice(["Ann", "Bea"])
            yield TakeOut(*self.random.choice(self.things), person, "looks at it")
        for each in now.out_of_use:
            if self.random.random() < 0.05:
                yield GiveBack(each.kind, each.name, each.person)


@pytest.mark.parametrize("seed", range(16))
def test_nothing_wrong_side_happens(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    table = table_from(controlled(random))
    world = World(table, seed=seed, flicker=random.choice([0.0, 0.0, 0.5]))
    people = Signaller(random, world, table)
    interlocking = Interlocking(table)
    run(interlocking, world, 600, people)
    record = world.record()
    for event in record.wrong_side:
        # A signal put back too late for its train to stop is passed; nothing may come of it.
        assert event.kind is WrongSide.PASSED_AT_DANGER, event
        assert any(0 <= event.seconds - at <= STOPPING for at in people.put_back), event
    assert sum(record.aspects_passed.values()) > 20

    # Nobody asks any more, or is at the track: what no train stands in is given up.
    for each in interlocking.out_of_use:
        interlocking.request(GiveBack(each.kind, each.name, each.person), world.now)
    for row in table.rows:
        if row.controlled:
            interlocking.request(CancelRoute(row.name), world.now)
    run(interlocking, world, 120)
    occupied = interlocking.snapshot().occupied
    for row in table.rows:
        if row.controlled and interlocking.value(f"route {row.name} locked"):
            assert any(occupied[way.block] for way in row.route.kept_clear), row.name
