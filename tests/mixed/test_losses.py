"""One layout on CAN and MQTT: what is lost takes with it what depends on it, and nothing else.

On wires in memory, with the real transports, nodes and controller; the same over
a real broker and a serial adapter is in ``test_losses_on_real_wires.py``.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import pytest

from tests.faults.can_faults import Befalls, on_wire
from tests.faults.railway import Railway
from tests.mixed.losses import APPLIED, CLEAR, LOSSES, STOPS, shown_without

LONG_ENOUGH = 4.0
"""Seconds after which whatever is to happen has happened."""
BACK = 20.0
"""Seconds within which all is as before."""


@contextlib.asynccontextmanager
async def without(railway: Railway, lost: str) -> AsyncIterator[None]:
    """Lose something; it is back at the end."""
    kind, _, name = lost.partition(" ")
    match kind:
        case "board":
            railway.boards[name].power_off()
            yield
            railway.boards[name].power_on()
        case "detector":
            board = next(each for each in railway.boards.values() if name in each.detects)
            board.detect(name, None)
            yield
            board.detect(name, True)  # noqa: FBT003 - a level
        case "node":
            railway.nodes[name].frozen = True
            yield
            railway.nodes[name].frozen = False
        case "foreign":
            railway.foreign = False
            yield
            railway.foreign = True
        case "broker":
            railway.post.kill()
            yield
            railway.post.start()
        case _:
            with on_wire(railway, Befalls(lambda _: True, lambda _: ())):
                yield


async def all_clear(railway: Railway) -> bool:
    until = railway.now + BACK
    while railway.now < until:
        await asyncio.sleep(0.1)
        if railway.judge.shown.aspects == CLEAR and not railway.ailing():
            return True
    return False


@pytest.mark.parametrize("lost", LOSSES)
@pytest.mark.parametrize("seed", [1, 2])
async def test_what_is_lost_takes_what_depends_on_it_and_nothing_else(lost: str, seed: int) -> None:
    async with Railway(seed, busy=False) as railway:
        assert await all_clear(railway), railway.ailing()
        before = len(railway.changes)
        async with without(railway, lost):
            await asyncio.sleep(LONG_ENOUGH)
            changed = {change.signal for change in railway.changes[before:]}
            assert railway.judge.shown.aspects == shown_without(lost)
            assert changed == set(LOSSES[lost])
            applied = {stop for stop, lifted in railway.judge.shown.lifted.items() if not lifted}
            assert applied == APPLIED | STOPS[lost]
            assert still_changing(railway) == []
        assert await all_clear(railway), railway.ailing()
        assert {change.signal for change in railway.changes[before:]} == set(LOSSES[lost])
        assert railway.restored == 0
    assert railway.judge.wrong == []
    assert railway.judge.broken_promises == []


def still_changing(railway: Railway) -> list[str]:
    """Return the signals that have changed in the last moments: none, when all is settled."""
    return [each.signal for each in railway.changes if each.at > railway.now - 1.0]
