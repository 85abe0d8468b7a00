from __future__ import annotations

import asyncio
import contextlib
import json
from typing import TYPE_CHECKING

from tests.conftest import until
from transports.conformance import check_lossy_transport, check_transport
from transports.conformance_requests import check_requests
from transports.mqtt import MqttTransport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from signalling.layout.words import Device
    from tests.conftest import Broker, Listener


OUTCOME = "gannet/outcome"


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

    async def _heard(self) -> object:
        """What was said on the present connection that requests are heard."""
        self._listener.latest.pop("gannet/listening", None)
        await until(lambda: "gannet/listening" in self._listener.latest, "listening")
        return json.loads(self._listener.latest["gannet/listening"])

    async def ask(self, name: str, text: str) -> None:
        said: dict[str, object] = {"id": name, "request": text}
        if "unwanted" not in name:
            said["heard"] = await self._heard()
        await self._broker.publish("gannet/request", json.dumps(said))

    async def flood(self, text: str, count: int) -> None:
        heard = await self._heard()
        lines = (
            json.dumps({"id": f"flood-{number}", "request": text, "heard": heard})
            for number in range(count)
        )
        await self._broker.publish("gannet/request", "\n".join(lines), lines=True)

    def told(self, name: str) -> tuple[str, ...]:
        outcomes = (json.loads(said) for topic, said in self._listener.lines if topic == OUTCOME)
        return tuple(each["outcome"] for each in outcomes if each["id"] == name)

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
    **more: object,
) -> Callable[
    [tuple[BoundDevice, ...]],
    contextlib.AbstractAsyncContextManager[tuple[Transport, BrokerInHand]],
]:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[Transport, BrokerInHand]]:
        options = {"host": "127.0.0.1", "port": broker.port, "base": "gannet", **more}
        transport = MqttTransport(TransportSettings(name="club", options=options, devices=devices))
        if not broker.running:
            broker.start()
        listener = await broker.listen("gannet/order/#", "-t", OUTCOME, "-t", "gannet/listening")
        yield transport, BrokerInHand(broker, listener)
        await listener.stop()

    return make


async def test_it_passes_what_every_transport_must(broker: Broker) -> None:
    await check_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_a_poor_link(broker: Broker) -> None:
    await check_lossy_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_which_one_can_ask(broker: Broker) -> None:
    await check_requests(maker(broker, requests=True))
