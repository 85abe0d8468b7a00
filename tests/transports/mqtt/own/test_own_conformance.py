"""What every transport must do, in our own schema on a real broker."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

from attrs import evolve

from tests.conftest import until
from tests.mqtt_node import PyNode
from transports.conformance import check_lossy_transport, check_transport
from transports.conformance_requests import check_requests
from transports.mqtt import MqttTransport
from transports.mqtt.own.addresses import Addresses
from transports.mqtt.own.codec import (
    AskerOutcome,
    AskerRequest,
    Heard,
    Listening,
    decode,
    encode,
)
from transports.mqtt.own.schema import sections
from transports.slots import restrictive_order
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from signalling.layout.words import Device
    from tests.conftest import Broker, Listener

NODE = "shed-1"
ASKER = "panel"


def bound(device: BoundDevice) -> BoundDevice:
    table = {"node": NODE}
    return evolve(
        device, report=table if device.reports else {}, order=table if device.orders else {}
    )


def at_rest(devices: tuple[BoundDevice, ...]) -> dict[str, dict[str, Any]]:
    """The outputs of a node with these devices, at danger."""
    outputs: dict[str, dict[str, Any]] = {section.name: {} for section in sections("orders")}
    for each in devices:
        if each.orders:
            order = restrictive_order(each.device)
            state: Any = None if order is None else order.value
            kind = each.device.kind
            outputs[kind][each.device.name] = {"aspect": state} if kind == "signal" else state
    return outputs


class NodeInHand:
    """A Mosquitto and a node as the conformance checks take them."""

    def __init__(self, broker: Broker, node: PyNode, asker: Listener) -> None:
        self._asker = asker
        self._addresses = node.addresses
        self._broker = broker
        self._node = node
        self._delayed = False

    async def report(self, device: Device, value: str) -> None:
        if self._delayed:
            self._broker.freeze()
            asyncio.get_running_loop().call_later(0.2, self._broker.thaw)
        self._node.end.reports.setdefault(device.kind, {})[device.name] = value
        self._node.wake()

    async def _request(self, name: str, text: str) -> bytes:
        """A request that repeats what was said last on the present connection."""
        listener, topic = self._asker, self._addresses.of(Listening)
        listener.latest.pop(topic, None)
        await until(lambda: topic in listener.latest, "listening")
        heard = decode(Listening, listener.latest[topic].encode())
        return self._said(name, text, Heard(session=heard.session, seq=heard.seq))

    def _said(self, name: str, text: str, heard: Heard) -> bytes:
        return encode(
            AskerRequest(asker=ASKER, session="5" * 16, id=name, heard=heard, request=text)
        )

    async def ask(self, name: str, text: str) -> None:
        if "unwanted" in name:
            payload = self._said(name, text, Heard(session="0" * 16, seq=1))
        else:
            payload = await self._request(name, text)
        await self._broker.publish(self._addresses.of(AskerRequest, ASKER), payload)

    async def flood(self, text: str, count: int) -> None:
        first = decode(AskerRequest, await self._request("first", text))
        said = [encode(evolve(first, id=f"flood-{number}")) for number in range(count)]
        topic = self._addresses.of(AskerRequest, ASKER)
        await self._broker.publish(topic, b"\n".join(said), lines=True)

    def told(self, name: str) -> tuple[str, ...]:
        topic = self._addresses.of(AskerOutcome, ASKER)
        said = [
            decode(AskerOutcome, line.encode()) for at, line in self._asker.lines if at == topic
        ]
        return tuple(each.outcome for each in said if each.id == name)

    def ordered(self, device: Device) -> str | None:
        state = self._node.shown[device.kind].get(device.name)
        value: str | None = state["aspect"] if isinstance(state, dict) else state
        return value

    async def cut(self) -> None:
        self._broker.kill()

    async def mend(self) -> None:
        self._broker.start()

    async def freeze(self) -> None:
        self._broker.freeze()

    async def thaw(self) -> None:
        self._broker.thaw()

    async def trouble(self, kind: str) -> None:
        self._delayed = kind == "delay"
        self._node.outward.kind = self._node.inward.kind = kind

    async def calm(self) -> None:
        self._delayed = False
        self._node.outward.kind = self._node.inward.kind = ""


def maker(
    broker: Broker,
    **more: object,
) -> Callable[
    [tuple[BoundDevice, ...]],
    contextlib.AbstractAsyncContextManager[tuple[Transport, NodeInHand]],
]:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[Transport, NodeInHand]]:
        options = {"port": broker.port, "base": "gannet", "schema": 1, **more}
        devices = tuple(bound(device) for device in devices)
        transport = MqttTransport(TransportSettings(name="club", options=options, devices=devices))
        if not broker.running:
            broker.start()
        addresses = Addresses("gannet")
        asker = await broker.listen(
            addresses.of(Listening), "-t", addresses.of(AskerOutcome, ASKER)
        )
        async with PyNode("gannet", NODE, "GP-17", at_rest(devices), port=broker.port) as node:
            yield transport, NodeInHand(broker, node, asker)
        await asker.stop()

    return make


async def test_it_passes_what_every_transport_must(broker: Broker) -> None:
    await check_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_a_poor_link(broker: Broker) -> None:
    await check_lossy_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_which_one_can_ask(broker: Broker) -> None:
    await check_requests(maker(broker, requests=True))
