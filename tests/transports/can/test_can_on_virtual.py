from __future__ import annotations

import contextlib
import itertools
from typing import TYPE_CHECKING

import can
import pytest

from tests.transports.can.played import PlayedBus, PoorFarEnd, on_node
from transports.can import CanTransport
from transports.conformance import check_lossy_transport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time

CHANNELS = (f"conformance-{number}" for number in itertools.count())


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
