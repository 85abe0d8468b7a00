"""Listening at a real broker: everything is heard, and nothing is said, by the bytes themselves."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Any, Self

import pytest

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import BoundDevice, Device, Order, Report
from tests.conftest import Broker, until
from transports.link import LinkState, Timing
from transports.listen import Arrival, CanListen
from transports.mqtt import MqttTransport
from transports.supervise import Supervisor
from transports.transport import Transport, TransportSettings

D1, M1 = Device("detector", "d1"), Device("signal", "M1")
PLAIN = (
    BoundDevice(
        device=D1, reports=("clear", "occupied"), report={"topic": "shed/1", "publisher": "bridge"}
    ),
    BoundDevice(device=M1, orders=("danger", "caution", "clear")),
)
OWN = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report={"node": "east"}),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order={"node": "east"}),
)
POLLED = {
    "publishers": {
        "bridge": {"topic": "bridge/state", "poll": {"topic": "bridge/get", "payload": "all"}}
    }
}
WAYS = {"plain": (PLAIN, POLLED), "own": (OWN, {"schema": 1, "within": 30})}


def transport(port: int, way: str = "plain", **options: Any) -> MqttTransport:
    devices, more = WAYS[way]
    table = {"port": port, "base": "gannet", **more, **options}
    return MqttTransport(TransportSettings(name="club", options=table, devices=devices))


class Ear:
    """A listener that is kept by a supervisor, and what it has told."""

    def __init__(self, of: MqttTransport, *more: str) -> None:
        self.arrivals: list[Arrival] = []
        self.known: dict[Device, str | None] = {}
        self.listener: Transport = of.listener(self.arrivals.append, more)
        self.supervisor = Supervisor(
            self.listener, PLAIN, deliver=self._take, timing=Timing(longest_pause=0.5)
        )

    def _take(self, report: Report) -> None:
        self.known[report.device] = report.value

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self.supervisor.run(), name="supervisor")
        await self.up()
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def up(self) -> None:
        await until(lambda: self.supervisor.state is LinkState.UP, "up", self.supervisor)

    def places(self) -> list[str]:
        return [each.place for each in self.arrivals]

    async def hears(self, topic: str) -> None:
        await until(lambda: topic in self.places(), topic, self.places())


# -- silence


class Wire:
    """Passes a connection on to the broker, and keeps what the client said."""

    def __init__(self, port: int) -> None:
        self._broker = port
        self.said = bytearray()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, to_there = await asyncio.open_connection("127.0.0.1", self._broker)
        await asyncio.gather(
            self._pass(reader, to_there, self.said), self._pass(there, writer, bytearray())
        )

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, kept: bytearray
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65_536):
                kept += data
                writer.write(data)
                await writer.drain()
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    def packets(self) -> list[tuple[int, bytes]]:
        """Return the type and the body of each packet (MQTT 3.1.1, section 2.2)."""
        found, at, data = [], 0, bytes(self.said)
        while at < len(data):
            kind, at = data[at] >> 4, at + 1
            length = shift = 0
            while True:
                length |= (data[at] & 0x7F) << shift
                shift, at = shift + 7, at + 1
                if not data[at - 1] & 0x80:
                    break
            found.append((kind, data[at : at + length]))
            at += length
        return found


# MQTT 3.1.1, table 2.1.
CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 12, 14
WILL = 0x04
"""Of the connect flags (3.1.2.3), which follow the name, its length and the level."""


@pytest.mark.parametrize("way", WAYS)
async def test_it_publishes_nothing_and_leaves_no_will(broker: Broker, way: str) -> None:
    others = await broker.listen("#")
    async with Wire(broker.port) as wire:
        async with Ear(transport(wire.port, way, lost_after=0.5)) as ear:
            await broker.publish("bridge/state", "online")
            await ear.hears("bridge/state")
            ear.supervisor.post([Order(M1, "clear")])
            await ear.listener.send([Order(M1, "clear")])
            ear.supervisor.restrict()
            await broker.publish("gannet/v1/node/east/report", "rubbish")
            await ear.hears("gannet/v1/node/east/report")
            # Until it is asked for a sign of life, which is not published either.
            await until(lambda: PINGREQ in dict(wire.packets()), "a ping", wire.packets())
        packets = wire.packets()
    (connect,) = (body for kind, body in packets if kind == CONNECT)
    assert connect[:6] == b"\x00\x04MQTT"
    assert not connect[7] & WILL
    kinds = {kind for kind, _ in packets}
    assert PUBLISH not in kinds
    assert {CONNECT, SUBSCRIBE} < kinds <= {CONNECT, SUBSCRIBE, PUBACK, PINGREQ, DISCONNECT}
    said = {topic for topic, _ in others.lines}
    assert said == {"bridge/state", "gannet/v1/node/east/report"}, "only what the test said"


async def test_two_listen_at_once(broker: Broker) -> None:
    async with Ear(transport(broker.port)) as one, Ear(transport(broker.port)) as other:
        await broker.publish("shed/9", "x")
        await one.hears("shed/9")
        await other.hears("shed/9")
        assert one.listener.counters.lost == other.listener.counters.lost == 0


# -- what is heard


async def test_everything_is_heard_where_nothing_is_asked_for(broker: Broker) -> None:
    await broker.publish("attic/7", "kept", "-r")
    async with Ear(transport(broker.port)) as ear:
        await broker.publish("shed/1", "occupied")
        await broker.publish("far/off/place", b"\x00\xff")
        await ear.hears("far/off/place")
        assert sorted(ear.places()) == ["attic/7", "far/off/place", "shed/1"], "each once"
        by_place = {each.place: each for each in ear.arrivals}
        assert by_place["attic/7"].kept
        assert by_place["shed/1"].bound
        assert ear.known[D1] == "occupied"


async def test_only_what_is_asked_for_and_what_is_bound_is_heard(broker: Broker) -> None:
    async with Ear(transport(broker.port), "attic/+", "attic/#") as ear:
        for topic in ("far/off", "shed/1", "gannet/order/signal/M1", "attic/7"):
            await broker.publish(topic, "danger")
        await ear.hears("attic/7")
        assert ear.places() == ["shed/1", "gannet/order/signal/M1", "attic/7"]


def test_what_is_no_filter_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="no topic filter"):
        transport(1).listener(print, ("shed/#/x",))


async def test_a_broker_that_goes_and_comes_back(broker: Broker) -> None:
    async with Ear(transport(broker.port)) as ear:
        await broker.publish("shed/1", "clear")
        await until(lambda: ear.known.get(D1) == "clear", "clear", ear.known)
        broker.kill()
        await until(lambda: ear.known.get(D1, "") is None, "not known", ear.known)
        broker.start()
        await ear.up()
        await broker.publish("shed/1", "occupied")
        await until(lambda: ear.known.get(D1) == "occupied", "occupied", ear.known)


async def test_a_publisher_that_is_not_heard_again_is_taken_to_be_gone(broker: Broker) -> None:
    publishers = {"bridge": {"topic": "bridge/state", "within": 0.3}}
    async with Ear(transport(broker.port, publishers=publishers)) as ear:
        await broker.publish("shed/1", "clear")
        await until(lambda: ear.known.get(D1) == "clear", "clear", ear.known)
        await until(lambda: ear.known.get(D1, "") is None, "not known", ear.known)


def refusing(folder: Path, *topics: str) -> Broker:
    """Return a broker that lets subscribe to these topics and filters, and to no others."""
    allowed = [{"acltype": "subscribeLiteral", "topic": each, "allow": True} for each in topics]
    everybody = {"publishClientSend": True, "publishClientReceive": True, "unsubscribe": True}
    rules = {
        "defaultACLAccess": {**everybody, "subscribe": False},
        "anonymousGroup": "all",
        "groups": [{"groupname": "all", "roles": [{"rolename": "hear"}]}],
        "roles": [{"rolename": "hear", "acls": allowed}],
    }
    (folder / "rules.json").write_text(json.dumps(rules))
    (plugin,) = Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")
    config = f"plugin_opt_config_file {folder / 'rules.json'}"
    broker = Broker(folder, "allow_anonymous true", f"plugin {plugin}", config)
    broker.start()
    return broker


@pytest.mark.real_time
async def test_where_the_broker_refuses_a_filter_the_rest_is_heard(tmp_path: Path) -> None:
    """MQTT 3.1.1, 3.9.3: a broker may refuse one filter of several, with return code 0x80."""
    broker = refusing(tmp_path, "shed/#", "bridge/state", "gannet/controller")
    try:
        async with Ear(transport(broker.port), "attic/#", "shed/#") as ear:
            assert ear.listener.counters.rejected == {
                "filter-refused: attic/#": 1,
                "filter-refused: gannet/order/signal/M1": 1,
            }
            await broker.publish("attic/1", "x")
            await broker.publish("shed/1", "occupied")
            await ear.hears("shed/1")
            assert ear.places() == ["shed/1"]
    finally:
        await broker.stop()


@pytest.mark.real_time
async def test_where_it_refuses_everything_there_is_no_link(tmp_path: Path) -> None:
    broker = refusing(tmp_path)
    try:
        listener = transport(broker.port).listener(print)
        with pytest.raises(LinkError, match="lets us read nothing of #, gannet/controller"):
            await listener.open(print)
        await listener.close()
    finally:
        await broker.stop()


def test_it_is_a_transport_that_can_listen() -> None:
    assert isinstance(transport(1), CanListen)
    assert isinstance(transport(1).listener(print), Transport)
