"""Listening on a bus: everything is heard, beside whoever works it, and nothing is ever sent."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Any

import can
import pytest

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import Device, Order, Report
from tests.conftest import until
from tests.transports.can.adapter import Adapter
from tests.transports.can.played import PlayedBus, PlayedNode
from transports.can import CanTransport
from transports.link import LinkState
from transports.listen import Arrival, CanListen
from transports.supervise import Supervisor
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time

CHANNELS = (f"listening-{number}" for number in itertools.count())
D1, M1, S1 = Device("detector", "d1"), Device("signal", "M1"), Device("stop", "S1")
DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report={"node": 3, "port": 0}),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order={"node": 3, "port": 0}),
    BoundDevice(device=S1, orders=("applied", "lifted"), order={"node": 3, "port": 0}),
)


def transport(channel: str, **options: Any) -> CanTransport:
    table = {"interface": "virtual", "channel": channel, "lost_after": 0.8, **options}
    return CanTransport(TransportSettings(name="bus", options=table, devices=DEVICES))


class Ear:
    """A listener that is kept by a supervisor, and what it has told."""

    def __init__(self, of: CanTransport) -> None:
        self.arrivals: list[Arrival] = []
        self.known: dict[Device, str | None] = {}
        self.listener: Transport = of.listener(self.arrivals.append, ())
        self.supervisor = Supervisor(self.listener, DEVICES, deliver=self._take, timing=of.timing)

    def _take(self, report: Report) -> None:
        self.known[report.device] = report.value

    async def hears(self, text: str) -> None:
        await until(
            lambda: any(text in (each.place, each.message) for each in self.arrivals),
            text,
            self.arrivals,
        )


@contextlib.asynccontextmanager
async def kept(supervisor: Supervisor) -> AsyncIterator[None]:
    task = asyncio.create_task(supervisor.run(), name="supervisor")
    await until(lambda: supervisor.state is LinkState.UP, "up", supervisor)
    yield
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def test_not_a_frame_is_sent_whatever_is_asked_of_it() -> None:
    channel = next(CHANNELS)
    bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
    bus.start()
    ear = Ear(transport(channel))
    async with kept(ear.supervisor):
        # Orders, their refreshing, a poll, a farewell: all that ever makes a link say something.
        ear.supervisor.post([Order(M1, "clear"), Order(S1, "lifted")])
        await ear.listener.send([Order(M1, "clear")])
        ear.supervisor.restrict()
        bus.send(0x7A0, b"\x01")
        await ear.hears("7A0")
        await asyncio.sleep(1.2)  # longer than an order, or a sign of life, is waited with
    assert bus.heard == []
    await bus.stop()


async def test_a_quiet_bus_is_no_lost_link() -> None:
    ear = Ear(transport(next(CHANNELS)))
    async with kept(ear.supervisor):
        await asyncio.sleep(1)
        assert ear.supervisor.state is LinkState.UP
        assert ear.listener.counters.lost == 0


async def test_it_runs_beside_who_works_the_bus() -> None:
    channel = next(CHANNELS)
    bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
    node = PlayedNode(3, bus.send, serial=17)
    bus.join(node)
    bus.start()
    node.put("DetectorReport", "Port0", 2)
    node.start()
    working = transport(channel)
    works = Supervisor(working, DEVICES, deliver=lambda _: None, timing=working.timing)
    ear = Ear(transport(channel))
    async with kept(ear.supervisor), kept(works):
        works.post([Order(M1, "clear"), Order(S1, "lifted")])
        await until(lambda: node.outputs.get(("SignalOrder", "Aspect0")) == 2, "clear", node)
        await until(lambda: ear.known.get(D1) == "occupied", "occupied", ear.known)
        told = [
            meaning
            for arrival in ear.arrivals
            for meaning in arrival.meanings
            if meaning.device == M1
        ]
        assert told
        assert all(meaning.order for meaning in told)
        # Who works the bus sees no second controller.
        assert working.counters.rejected["another-controller"] == 0
        assert ear.listener.counters.rejected["another-controller"] == 0
        assert ear.listener.counters is not working.counters
        node.frozen = True
        await until(lambda: ear.known.get(D1, "") is None, "not known any more", ear.known)
    await node.stop()
    await bus.stop()


async def test_a_bus_that_cannot_be_opened_is_a_mistake_at_first() -> None:
    settings = TransportSettings(
        name="bus", options={"interface": "udp_multicast", "channel": "no address"}, devices=()
    )
    listener = CanTransport(settings).listener(print)
    with pytest.raises((ConfigurationError, LinkError)):
        await listener.open(print)
    await listener.close()


async def test_a_serial_adapter_that_works_the_layout_is_not_taken_from_it(tmp_path: Path) -> None:
    adapter = Adapter(tmp_path / "adapter")
    node = PlayedNode(3, adapter.send)
    adapter.join(node)
    adapter.plug_in()
    node.start()
    working = transport(str(adapter.port), interface="slcan", bitrate=125_000)
    await working.open(print)
    commands = list(adapter.commands)
    listener = transport(str(adapter.port), interface="slcan", bitrate=125_000).listener(print)
    with pytest.raises(LinkError, match="a serial adapter serves only one"):
        await listener.open(print)
    more = adapter.commands[len(commands) :]
    assert not [each for each in more if each.startswith(("S", "O", "C"))], "it was not reset"
    await listener.close()
    await working.close()
    await listener.open(print)  # now it is free
    await listener.close()
    await node.stop()
    adapter.pull_out()


def test_it_is_a_transport_that_can_listen() -> None:
    assert isinstance(transport("none"), CanListen)
    assert isinstance(transport("none").listener(print), Transport)
