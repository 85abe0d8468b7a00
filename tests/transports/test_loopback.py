from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import pytest

from signalling.errors import ConfigurationError
from transports.conformance import check_lossy_transport, check_transport
from transports.loopback import LoopbackBench, LoopbackTransport
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


def test_an_unknown_option_is_refused() -> None:
    settings = TransportSettings(name="bench", options={"speed": 3, "refresh": 2}, devices=())
    with pytest.raises(ConfigurationError, match="no option speed"):
        LoopbackTransport(settings)
