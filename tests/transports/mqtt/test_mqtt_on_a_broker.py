from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from signalling.errors import LinkError
from signalling.layout.words import BoundDevice, Device, Order, Report
from tests.conftest import Broker, until
from transports.link import LinkState, Timing
from transports.mqtt import MqttTransport
from transports.supervise import Supervisor
from transports.transport import TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

D1, D2 = Device("detector", "d1"), Device("detector", "d2")
M1, S1 = Device("signal", "M1"), Device("stop", "S1")
BRIDGE = {"publishers": {"bridge": {"topic": "bridge/state"}}}


def detector(device: Device, **report: Any) -> BoundDevice:
    return BoundDevice(device=device, reports=("clear", "occupied"), report=report)


DEVICES = (
    detector(D1, publisher="bridge"),
    detector(D2),
    BoundDevice(device=M1, orders=("danger", "caution", "clear")),
    BoundDevice(device=S1, orders=("applied", "lifted")),
)


class Rig:
    def __init__(self, broker: Broker, **options: Any) -> None:
        options = {"port": broker.port, "base": "gannet", **BRIDGE, **options}
        self.transport = MqttTransport(
            TransportSettings(name="club", options=options, devices=DEVICES)
        )
        self.known: dict[Device, str | None] = {}
        self.supervisor = Supervisor(
            self.transport, DEVICES, deliver=self._take, timing=Timing(longest_pause=0.5)
        )

    def _take(self, report: Report) -> None:
        self.known[report.device] = report.value

    async def knows(self, device: Device, value: str | None) -> None:
        await until(lambda: self.known.get(device) == value, f"{device} {value}", self.known)

    async def up(self) -> None:
        await until(lambda: self.supervisor.state is LinkState.UP, "the link", self.supervisor)


@contextlib.asynccontextmanager
async def running(broker: Broker, **options: Any) -> AsyncIterator[Rig]:
    rig = Rig(broker, **options)
    task = asyncio.create_task(rig.supervisor.run(), name="the link")
    try:
        await rig.up()
        yield rig
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_a_stale_retained_report_does_not_count_until_its_publisher_is_alive(
    broker: Broker,
) -> None:
    await broker.publish("bridge/state", "online", "-r")
    await broker.publish("gannet/report/detector/d1", "clear", "-r")
    await broker.publish("gannet/report/detector/d2", "clear", "-r")
    async with running(broker) as rig:
        rejected = rig.transport.counters.rejected
        await until(lambda: rejected["retained"] == 1, "the retained report of nobody's d2")
        assert rig.known == {}
        await broker.publish("bridge/state", "online", "-r")
        await rig.knows(D1, "clear")
        await broker.publish("gannet/report/detector/d2", "clear", "-r")
        await rig.knows(D2, "clear")
        # A cleared retained message is an empty one, and legal: now nothing is known.
        await broker.publish("gannet/report/detector/d2", "", "-r")
        await rig.knows(D2, None)


async def test_a_publishers_will_makes_its_devices_unknown(broker: Broker) -> None:
    publisher = await broker.listen(
        "bridge/orders", "--will-topic", "bridge/state", "--will-payload", "offline"
    )
    async with running(broker) as rig:
        await broker.publish("gannet/report/detector/d1", "clear")
        await broker.publish("gannet/report/detector/d2", "clear")
        await rig.knows(D1, "clear")
        await rig.knows(D2, "clear")
        await publisher.stop()
        await rig.knows(D1, None)
        assert rig.known[D2] == "clear"


async def test_a_publisher_that_only_reports_changes_is_asked_on_connecting(broker: Broker) -> None:
    listener = await broker.listen("bridge/ask")
    poll = {"topic": "bridge/ask", "payload": "all"}
    publishers = {"bridge": {"topic": "bridge/state", "poll": poll}}
    for _ in range(2):
        async with running(broker, publishers=publishers):
            await listener.until("bridge/ask", "all")
        listener.latest.clear()


async def test_rubbish_is_counted_and_makes_its_device_unknown(broker: Broker) -> None:
    async with running(broker, payload_limit=100) as rig:
        topic = "gannet/report/detector/d2"
        for payload, reason in (
            (b"purple", "unknown-value"),
            (b"\xff\xfe", "not-text"),
            (b"x" * 101, "oversized"),
        ):
            await broker.publish(topic, "clear")
            await rig.knows(D2, "clear")
            await broker.publish(topic, payload)
            await rig.knows(D2, None)
            assert rig.transport.counters.rejected[reason] == 1


async def test_we_say_that_we_are_there_and_that_we_are_off(broker: Broker) -> None:
    listener = await broker.listen("gannet/#")
    async with running(broker) as rig:
        await listener.until("gannet/controller", "online")
        rig.supervisor.post([Order(M1, "clear"), Order(S1, "lifted")])
        await listener.until("gannet/order/signal/M1", "clear")
    await listener.until("gannet/controller", "offline")
    # Everything was put to danger before we said that we are off.
    assert listener.latest["gannet/order/signal/M1"] == "danger"
    assert listener.latest["gannet/order/stop/S1"] == "applied"
    assert listener.lines[-1] == ("gannet/controller", "offline")
    late = await broker.listen("gannet/controller")
    await late.until("gannet/controller", "offline")  # It is retained.


async def test_our_will_says_it_when_we_vanish(broker: Broker) -> None:
    listener = await broker.listen("gannet/controller")
    rig = Rig(broker)
    await rig.transport.open(rig._take)
    await listener.until("gannet/controller", "online")
    assert rig.transport._link is not None
    await rig.transport._link.session.break_off()
    await listener.until("gannet/controller", "offline")
    await rig.transport.close()


async def test_small_packets_are_sent_at_once(broker: Broker) -> None:
    async with running(broker) as rig:
        assert rig.transport._link is not None
        sock = rig.transport._link.session._client._client.socket()
        assert isinstance(sock, socket.socket)
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


async def test_two_controllers_do_not_throw_each_other_out(broker: Broker) -> None:
    async with running(broker) as one, running(broker, base="merrow") as two:
        await asyncio.sleep(0.2)
        assert one.transport.counters.opened == two.transport.counters.opened == 1
        assert one.supervisor.state is two.supervisor.state is LinkState.UP


@pytest.fixture
async def guarded(tmp_path: Path) -> AsyncIterator[Broker]:
    """A broker that asks for a password, over TLS."""
    run = subprocess.run
    (tmp_path / "word").write_text("s3cret\n")
    passwords = tmp_path / "passwords"
    run(["mosquitto_passwd", "-b", "-c", passwords, "signaller", "s3cret"], check=True)
    openssl = shutil.which("openssl")
    assert openssl, "these tests make a certificate; on Debian: apt-get install openssl"
    command = f"{openssl} req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
    names = "-subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1 -days 2"
    files = f"-keyout {tmp_path}/key.pem -out {tmp_path}/ca.pem"
    run(f"{command} {names} {files}".split(), check=True, capture_output=True)
    broker = Broker(
        tmp_path,
        f"password_file {passwords}",
        f"certfile {tmp_path}/ca.pem",
        f"keyfile {tmp_path}/key.pem",
    )
    broker.start()
    yield broker
    await broker.stop()


@pytest.mark.real_time
async def test_a_password_over_tls(
    guarded: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLUB_USER", "signaller")
    good = {
        "username_env": "CLUB_USER",
        "password_file": str(tmp_path / "word"),
        "ca_file": str(tmp_path / "ca.pem"),
    }
    async with running(guarded, **good) as rig:
        rig.supervisor.post([Order(M1, "clear")])
        await until(lambda: rig.supervisor.status().waiting == 0, "the order is acknowledged")
    (tmp_path / "word").write_text("wrong\n")
    with pytest.raises(LinkError, match=r"cannot connect.*[Nn]ot authori"):
        await Rig(guarded, **good).transport.open(lambda _: None)
    with pytest.raises(LinkError, match=r"cannot connect.*certificate"):
        await Rig(guarded, **good | {"ca_file": str(other_ca(tmp_path))}).transport.open(
            lambda _: None
        )


def other_ca(folder: Path) -> Path:
    path = folder / "other.pem"
    command = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
    files = f"-keyout {folder}/other.key -out {path} -subj /CN=other"
    subprocess.run(f"{command} {files}".split(), check=True, capture_output=True)
    return path
