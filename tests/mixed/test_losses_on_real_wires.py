"""The same losses over a real Mosquitto, and a CAN bus on python-can and a serial adapter."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.conftest import Broker, until
from tests.mixed.hall import Hall
from tests.mixed.losses import APPLIED, CLEAR, LOSSES, STOPS, shown_without
from transports.link import LinkState


@contextlib.asynccontextmanager
async def without(hall: Hall, lost: str) -> AsyncIterator[None]:
    """Lose something; it is back at the end."""
    kind, _, name = lost.partition(" ")
    match kind:
        case "board":
            await hall.boards[name].power_off()
            yield
            hall.boards[name].power_on()
        case "detector":
            board = next(each for each in hall.boards.values() if name in each.board.detectors)
            board.pins.put(board.board.detectors[name], on=None)
            yield
            board.pins.put(board.board.detectors[name], on=True)
        case "node":
            hall.nodes[name].frozen = True
            yield
            hall.nodes[name].frozen = False
        case "broker":
            hall.broker.kill()
            yield
            hall.broker.start()
        case _ if hall.cable.adapter is not None:
            hall.cable.adapter.pull_out()
            yield
            hall.cable.adapter.plug_in()
        case _:
            hall.cable.cut = True
            yield
            hall.cable.cut = False


async def shows(hall: Hall, aspects: dict[str, str], applied: set[str]) -> None:
    await until(
        lambda: (hall.aspects, hall.applied) == (aspects, applied),
        f"{aspects}, {applied}",
        (hall.aspects, hall.applied),
    )


async def all_clear(hall: Hall) -> None:
    await shows(hall, dict(CLEAR), APPLIED)


@pytest.mark.parametrize(
    ("medium", "losses"),
    [
        ("virtual", ("board east", "detector r4", "bus")),
        ("virtual", ("broker", "node points")),
        ("slcan", ("bus", "broker", "board west")),
    ],
)
async def test_what_is_lost_takes_what_depends_on_it_and_nothing_else(
    medium: str, losses: tuple[str, ...], broker: Broker, tmp_path: Path
) -> None:
    async with Hall(broker, tmp_path, medium) as hall:
        await all_clear(hall)
        for lost in losses:
            with hall.changes() as changes:
                async with without(hall, lost):
                    await shows(hall, shown_without(lost), APPLIED | STOPS[lost])
                await all_clear(hall)
            assert {signal for signal, _ in changes} == set(LOSSES[lost])
        for link in hall.controller.status().links:
            assert link.state is LinkState.UP
    assert set(hall.aspects.values()) == {"danger"}


async def test_a_frozen_broker_is_a_lost_one(broker: Broker, tmp_path: Path) -> None:
    async with Hall(broker, tmp_path, "virtual") as hall:
        await all_clear(hall)
        with hall.changes() as changes:
            broker.freeze()
            await shows(hall, shown_without("broker"), APPLIED | STOPS["broker"])
            broker.thaw()
            await all_clear(hall)
        assert {signal for signal, _ in changes} == set(LOSSES["broker"])
