"""A serial adapter: python-can's ``slcan`` over a pseudo-terminal, the adapter played here."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from signalling.errors import LinkError
from signalling.layout.words import Device, Order, Report
from tests.conftest import until
from tests.transports.can.adapter import Adapter
from tests.transports.can.played import PlayedFarEnd, PoorFarEnd, on_node
from transports.can import CanTransport
from transports.conformance import DEVICES, check_lossy_transport
from transports.transport import BoundDevice, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time

DETECTOR, SIGNAL = Device("detector", "d1"), Device("signal", "M1")


class AdapterFarEnd(PoorFarEnd):
    """A node behind an adapter that can be pulled out, or hang."""

    def __init__(self, adapter: Adapter) -> None:
        super().__init__(adapter)
        self.adapter = adapter

    async def cut(self) -> None:
        self.adapter.pull_out()

    async def mend(self) -> None:
        self.adapter.plug_in()

    async def freeze(self) -> None:
        self.adapter.freeze()

    async def thaw(self) -> None:
        self.adapter.thaw()


@contextlib.asynccontextmanager
async def make(
    devices: tuple[BoundDevice, ...] = DEVICES,
) -> AsyncIterator[tuple[CanTransport, AdapterFarEnd]]:
    with tempfile.TemporaryDirectory() as folder:
        adapter = Adapter(Path(folder) / "adapter")
        far_end = AdapterFarEnd(adapter)
        adapter.join(far_end.node)
        adapter.plug_in()
        far_end.node.start()
        options = {
            "interface": "slcan",
            "channel": str(adapter.port),
            "bitrate": 125_000,
            "options": {"sleep_after_open": 0},
            "lost_after": 0.8,
        }
        settings = TransportSettings(name="club", options=options, devices=on_node(devices))
        try:
            yield CanTransport(settings), far_end
        finally:
            await far_end.node.stop()
            adapter.pull_out()


async def test_it_passes_what_every_transport_must() -> None:
    await check_lossy_transport(make)


class Ear:
    def __init__(self) -> None:
        self.latest: dict[Device, str | None] = {}

    def __call__(self, report: Report) -> None:
        self.latest[report.device] = report.value


async def heard(ear: Ear, far_end: PlayedFarEnd, value: str) -> None:
    await far_end.report(DETECTOR, value)
    await until(lambda: ear.latest.get(DETECTOR) == value, value, ear.latest)


async def test_the_adapter_is_set_up_and_told_to_close() -> None:
    async with make() as (transport, far_end):
        await transport.open(Ear())
        assert "S4" in far_end.adapter.commands  # 125 kbit/s
        assert far_end.adapter.commands[-1] == "O"
        await transport.close()
        await until(lambda: far_end.adapter.commands[-1] == "C", "C")
        assert far_end.node.all_dangers == 2


@pytest.mark.parametrize(
    "line",
    [
        b"t20\r",  # no length
        b"tXYZ8112233\r",  # no identifier
        b"t2038GG\r",  # no hexadecimal
        b"t203\r",
        b"\xff\xfe\xc0\r",  # no text at all
        b"?!\r",
        b"\r\r\r",
        b"t203" + b"0" * 5000 + b"\r",
    ],
)
async def test_a_line_that_is_none_does_no_harm(line: bytes) -> None:
    async with make() as (transport, far_end):
        ear = Ear()
        await transport.open(ear)
        await heard(ear, far_end, "clear")
        for _ in range(20):
            far_end.adapter.say(line)
        await heard(ear, far_end, "occupied")
        await heard(ear, far_end, "clear")
        await transport.close()


async def test_half_a_frame_is_rejected() -> None:
    async with make() as (transport, far_end):
        ear = Ear()
        await transport.open(ear)
        await heard(ear, far_end, "clear")
        rejected = transport.counters.rejected
        far_end.adapter.say(b"t20382EFFFF\r")
        await until(lambda: rejected["truncated"], "truncated", rejected)
        far_end.adapter.say(b"t2038EEFFFF1001080001\r")
        await until(lambda: rejected["crc"], "crc", rejected)
        await heard(ear, far_end, "occupied")
        await transport.close()


async def test_a_pulled_cable_ends_the_link_and_the_loop_rests() -> None:
    async with make() as (transport, far_end):
        await transport.open(Ear())
        far_end.adapter.pull_out()
        with pytest.raises(LinkError):
            await transport.wait_lost()
        # A descriptor that is readable for ever would be ready in every pass of the loop.
        loop = asyncio.get_running_loop()
        await asyncio.sleep(0)
        assert loop._selector.select(0) == []  # type: ignore[attr-defined]
        with pytest.raises(LinkError):
            await transport.send([Order(SIGNAL, "danger")])
        await transport.close()


async def test_an_adapter_that_hangs_is_lost_and_can_come_back() -> None:
    async with make() as (transport, far_end):
        ear = Ear()
        await transport.open(ear)
        far_end.adapter.freeze()
        with pytest.raises(LinkError, match="no node was heard"):
            async with asyncio.timeout(5):
                await transport.wait_lost()
        await transport.close()
        with pytest.raises(LinkError):
            async with asyncio.timeout(5):
                await transport.open(ear)
        far_end.adapter.thaw()
        await transport.open(ear)
        await heard(ear, far_end, "clear")
        await transport.close()


async def test_orders_that_wait_are_replaced_by_newer_ones() -> None:
    """However long the adapter hangs, what it gets then is the newest order."""
    async with make() as (transport, far_end):
        await transport.open(Ear())
        await transport.send([Order(SIGNAL, "clear")])
        await until(lambda: far_end.ordered(SIGNAL) == "clear", "clear")
        far_end.adapter.freeze()
        for _ in range(600):
            for value in ("clear", "caution"):
                with contextlib.suppress(LinkError):
                    await transport.send([Order(SIGNAL, value)])
        with contextlib.suppress(LinkError):
            await transport.send([Order(SIGNAL, "danger")])
        far_end.adapter.thaw()
        await until(lambda: far_end.ordered(SIGNAL) == "danger", "danger")
        await transport.close()
