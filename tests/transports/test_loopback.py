from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import pytest

from signalling.errors import ConfigurationError
from transports.conformance import check_lossy_transport, check_transport
from transports.conformance_requests import check_requests
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.supervise import Supervisor
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from signalling.layout.words import Device


class BenchInHand:
    """A bench as the conformance checks take it."""

    def __init__(self) -> None:
        self.bench = LoopbackBench()

    async def report(self, device: Device, value: str) -> None:
        self.bench.report(device, value)

    def ordered(self, device: Device) -> str | None:
        return self.bench.orders.get(device)

    async def cut(self) -> None:
        self.bench.cut()

    async def mend(self) -> None:
        self.bench.mend()

    async def freeze(self) -> None:
        self.bench.freeze()

    async def thaw(self) -> None:
        self.bench.thaw()

    async def ask(self, name: str, text: str) -> None:
        self.bench.ask(text, name)

    async def flood(self, text: str, count: int) -> None:
        for number in range(count):
            self.bench.ask(text, f"flood-{number}")

    def told(self, name: str) -> tuple[str, ...]:
        return tuple(each.outcome.stage for each in self.bench.answers if each.asked.id == name)

    async def trouble(self, kind: str) -> None:
        if kind == "delay":
            self.bench.delay(0.3)
        else:
            {
                "drop": self.bench.drop,
                "duplicate": self.bench.duplicate,
                "reorder": self.bench.reorder,
            }[kind](15)

    async def calm(self) -> None:
        self.bench.calm()


@contextlib.asynccontextmanager
async def make(devices: tuple[BoundDevice, ...]) -> AsyncIterator[tuple[Transport, BenchInHand]]:
    in_hand = BenchInHand()
    settings = TransportSettings(name="bench", options={}, devices=devices)
    yield LoopbackTransport(settings, in_hand.bench), in_hand


async def test_it_passes_what_every_transport_must() -> None:
    await check_transport(make)


async def test_it_passes_what_every_transport_must_over_a_poor_link() -> None:
    await check_lossy_transport(make)


async def test_it_passes_what_every_transport_must_over_which_one_can_ask() -> None:
    await check_requests(make)


async def test_a_request_that_is_late_is_not_made_again_and_one_that_is_old_is_refused() -> None:
    in_hand = BenchInHand()
    transport = LoopbackTransport(
        TransportSettings(name="bench", options={}, devices=()), in_hand.bench
    )
    heard: list[str] = []
    supervisor = Supervisor(transport, (), deliver=lambda _: None, requested=lambda: None)
    task = asyncio.create_task(supervisor.run())
    await asyncio.sleep(0.1)
    assert supervisor.asking is not None
    in_hand.bench.delay(2.9)
    in_hand.bench.ask("hold M1", "young")
    in_hand.bench.delay(3.1)
    in_hand.bench.ask("hold M1", "old")
    await asyncio.sleep(5)
    in_hand.bench.calm()
    while (asked := supervisor.asking.next()) is not None:
        heard.append(asked.id)
    assert heard == [], "nobody looked at them for too long"
    in_hand.bench.delay(2.9)
    in_hand.bench.ask("hold M1", "young again")
    await asyncio.sleep(2.95)
    asked = supervisor.asking.next()
    assert asked is not None
    assert asked.id == "young again"
    await asyncio.sleep(3)
    assert {each.asked.id: each.outcome.stage for each in in_hand.bench.answers} == {
        "young": "refused",
        "old": "refused",
    }
    assert transport.counters.rejected["old-request"] == 2
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


def test_an_unknown_option_is_refused() -> None:
    settings = TransportSettings(name="bench", options={"speed": 3, "refresh": 2}, devices=())
    with pytest.raises(ConfigurationError, match="no option speed"):
        LoopbackTransport(settings)
