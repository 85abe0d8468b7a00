from __future__ import annotations

import contextlib
import itertools
from typing import TYPE_CHECKING

import can
import pytest

from tests.transports.can.played import PlayedBus, PlayedFarEnd, PlayedNode, on_node
from transports.can import CanTransport
from transports.conformance import check_lossy_transport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time

CHANNELS = (f"conformance-{number}" for number in itertools.count())


class PoorFarEnd(PlayedFarEnd):
    """A node whose frames a poor bus drops, repeats, delays or reorders."""

    def __init__(self, bus: PlayedBus) -> None:
        super().__init__(PlayedNode(3, self._send))
        self._bus = bus
        self._trouble = ""
        self._held: list[tuple[int, bytes]] = []

    def _send(self, identifier: int, data: bytes) -> None:
        match self._trouble:
            case "drop":
                return
            case "duplicate":
                self._bus.send(identifier, data)
            case "reorder" if not self._held:
                self._held.append((identifier, data))
                return
            case "delay" if len(self._held) < 8:
                self._held.append((identifier, data))
                return
        self._bus.send(identifier, data)
        held, self._held = self._held, []
        for each in held:
            self._bus.send(*each)

    async def trouble(self, kind: str) -> None:
        self._trouble = kind

    async def calm(self) -> None:
        self._trouble = ""


@contextlib.asynccontextmanager
async def make(devices: tuple[BoundDevice, ...]) -> AsyncIterator[tuple[Transport, PoorFarEnd]]:
    channel = next(CHANNELS)
    bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
    far_end = PoorFarEnd(bus)
    bus.join(far_end.node)
    bus.start()
    far_end.node.start()
    options = {"interface": "virtual", "channel": channel, "lost_after": 0.8}
    yield (
        CanTransport(TransportSettings(name="club", options=options, devices=on_node(devices))),
        far_end,
    )
    await far_end.node.stop()
    await bus.stop()


async def test_it_passes_what_every_transport_must_over_a_poor_link() -> None:
    await check_lossy_transport(make)
