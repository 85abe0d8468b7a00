"""What every transport must do, in our own schema on a real broker."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

from attrs import evolve

from tests.mqtt_node import PyNode
from transports.conformance import check_lossy_transport, check_transport
from transports.mqtt import MqttTransport
from transports.mqtt.own.schema import sections
from transports.slots import restrictive_order
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from signalling.layout.words import Device
    from tests.conftest import Broker

NODE = "shed-1"


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

    def __init__(self, broker: Broker, node: PyNode) -> None:
        self._broker = broker
        self._node = node
        self._delayed = False

    async def report(self, device: Device, value: str) -> None:
        if self._delayed:
            self._broker.freeze()
            asyncio.get_running_loop().call_later(0.2, self._broker.thaw)
        self._node.end.reports.setdefault(device.kind, {})[device.name] = value
        self._node.wake()

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
) -> Callable[
    [tuple[BoundDevice, ...]],
    contextlib.AbstractAsyncContextManager[tuple[Transport, NodeInHand]],
]:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[Transport, NodeInHand]]:
        options = {"port": broker.port, "base": "gannet", "schema": 1}
        devices = tuple(bound(device) for device in devices)
        transport = MqttTransport(TransportSettings(name="club", options=options, devices=devices))
        if not broker.running:
            broker.start()
        async with PyNode("gannet", NODE, "GP-17", at_rest(devices), port=broker.port) as node:
            yield transport, NodeInHand(broker, node)

    return make


async def test_it_passes_what_every_transport_must(broker: Broker) -> None:
    await check_transport(maker(broker))


async def test_it_passes_what_every_transport_must_over_a_poor_link(broker: Broker) -> None:
    await check_lossy_transport(maker(broker))
