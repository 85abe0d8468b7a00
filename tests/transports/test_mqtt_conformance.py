from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

from transports.conformance import check_lossy_transport, check_transport
from transports.mqtt import MqttTransport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from signalling.layout.words import Device
    from tests.conftest import Broker, Listener


class BrokerInHand:
    """A Mosquitto and foreign clients as the conformance checks take them."""

    def __init__(self, broker: Broker, listener: Listener) -> None:
        self._broker = broker
        self._listener = listener
        self._trouble = ""
        self._held: tuple[Device, str] | None = None

    async def report(self, device: Device, value: str) -> None:
        topic = f"gannet/report/{device.kind}/{device.name}"
        match self._trouble:
            case "drop":
                return
            case "duplicate":
                await self._broker.publish(topic, value)
            case "reorder" if self._held is None:
                # Messages of different topics may overtake each other.
                self._held = (device, value)
                return
            case "delay":
                self._broker.freeze()
                asyncio.get_running_loop().call_later(0.2, self._broker.thaw)
        await self._broker.publish(topic, value)
        if self._held is not None:
            (late, late_value), self._held = self._held, None
            await self._broker.publish(f"gannet/report/{late.kind}/{late.name}", late_value)

    def ordered(self, device: Device) -> str | None:
        return self._listener.latest.get(f"gannet/order/{device.kind}/{device.name}")

    async def cut(self) -> None:
        self._broker.kill()

    async def mend(self) -> None:
        self._broker.start()

    async def freeze(self) -> None:
        self._broker.freeze()

    async def thaw(self) -> None:
        self._broker.thaw()

    async def trouble(self, kind: str) -> None:
        self._trouble = kind

    async def calm(self) -> None:
        self._trouble = ""
        self._held = None


def maker(
    broker: Broker,
) -> Callable[
    [tuple[BoundDevice, ...]],
    contextlib.AbstractAsyncContextManager[tuple[Transport, BrokerInHand]],
]:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[Transport, BrokerInHand]]:
        options = {"host": "127.0.0.1", "port": broker.port, "base": "gannet"}
        transport = MqttTransport(TransportSettings(name="club", options=options, devices=devices))
        if not broker.running:
            broker.start()
        listener = await broker.listen("gannet/order/#")
        yield transport, BrokerInHand(broker, listener)
        await listener.stop()

    return make


async def test_it_passes_what_every_transport_must(broker: Broker) -> None:
    await check_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_a_poor_link(broker: Broker) -> None:
    await check_lossy_transport(maker(broker))
