"""A bus that does what real ones do: full, off, broken, odd. The driver is played here."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from typing import TYPE_CHECKING, Any, Self

import can
import pytest
from can.interfaces.virtual import VirtualBus

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import Device, Order, Report
from tests.conftest import until
from tests.transports.can.played import PlayedBus, PlayedFarEnd, PlayedNode, on_node
from transports.can import CanTransport
from transports.can.frames import decode
from transports.conformance import DEVICES
from transports.transport import TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

pytestmark = pytest.mark.real_time

CHANNELS = (f"bus-{number}" for number in itertools.count())
DETECTOR, SIGNAL = Device("detector", "d1"), Device("signal", "M1")


class Driver(VirtualBus):
    """python-can's virtual bus, with faults on request."""

    made: Driver | None = None

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.sending: Exception | None = None
        self.receiving: Exception | None = None
        self.blocking = False
        self.sent: list[tuple[int, bytes]] = []
        Driver.made = self

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self.sending is not None:
            raise self.sending
        self.sent.append((msg.arbitration_id, bytes(msg.data)))
        super().send(msg, timeout)

    def recv(self, timeout: float | None = None) -> can.Message | None:
        if self.receiving is not None:
            error, self.receiving = self.receiving, None
            raise error
        return super().recv(timeout)


@pytest.fixture
def channel(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    channel = next(CHANNELS)

    def make(*, interface: str, ignore_config: bool, **options: Any) -> can.BusABC:
        assert interface in ("virtual", "pcan")
        assert ignore_config
        return Driver(**options)

    monkeypatch.setattr("transports.can.bus.can.Bus", make)
    yield channel
    Driver.made = None


class Ear:
    def __init__(self) -> None:
        self.latest: dict[Device, str | None] = {}

    def __call__(self, report: Report) -> None:
        self.latest[report.device] = report.value


class Bench:
    def __init__(self, channel: str, interface: str = "virtual") -> None:
        self.bus = PlayedBus(VirtualBus(channel=channel))
        self.node = PlayedNode(3, self.bus.send)
        self.far_end = PlayedFarEnd(self.node)
        self.bus.join(self.node)
        options = {"interface": interface, "channel": channel, "lost_after": 0.8}
        self.transport = CanTransport(
            TransportSettings(name="club", options=options, devices=on_node(DEVICES))
        )
        self.ear = Ear()

    async def __aenter__(self) -> Self:
        self.bus.start()
        self.node.start()
        await self.transport.open(self.ear)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.transport.close()
        await self.node.stop()
        await self.bus.stop()

    @property
    def driver(self) -> Driver:
        assert Driver.made is not None
        return Driver.made

    def aspects(self) -> list[int]:
        """Return the aspects that were sent, in their order."""
        frames = [decode(*each) for each in self.driver.sent]
        return [frame["Aspect0"] for frame in frames if frame.shape.name == "SignalOrder"]

    async def lost(self) -> str:
        with pytest.raises(LinkError) as caught:
            async with asyncio.timeout(10):
                await self.transport.wait_lost()
        return str(caught.value)


@pytest.fixture(params=["virtual", "pcan"], ids=["at once", "by a thread"])
async def bench(channel: str, request: pytest.FixtureRequest) -> AsyncIterator[Bench]:
    async with Bench(channel, request.param) as bench:
        yield bench


async def test_a_full_bus_gets_the_newest_order_when_it_takes_one(bench: Bench) -> None:
    await bench.transport.send([Order(SIGNAL, "caution")])
    await until(lambda: bench.far_end.ordered(SIGNAL) == "caution", "caution")
    before = len(bench.aspects())
    bench.driver.sending = can.CanOperationError("Transmit buffer full")
    for value in ("clear", "caution", "clear", "danger"):
        await bench.transport.send([Order(SIGNAL, value)])
        await asyncio.sleep(0.01)
    bench.driver.sending = None
    await until(lambda: bench.far_end.ordered(SIGNAL) == "danger", "danger")
    assert bench.aspects()[before:] == [0]


async def test_a_bus_that_stays_full_is_lost(bench: Bench) -> None:
    bench.driver.sending = can.CanOperationError("Transmit buffer full")
    await bench.transport.send([Order(SIGNAL, "clear")])
    assert "took no frame for 0.48 s: Transmit buffer full" in await bench.lost()


async def test_a_bus_that_fails_in_sending_is_lost_at_once(bench: Bench) -> None:
    error = can.CanOperationError("Failed to transmit")
    error.__cause__ = OSError(100, "Network is down")
    bench.driver.sending = error
    with contextlib.suppress(LinkError):
        await bench.transport.send([Order(SIGNAL, "clear")])
    assert "is down" in await bench.lost()
    with pytest.raises(LinkError):
        await bench.transport.send([Order(SIGNAL, "danger")])


async def test_a_driver_that_fails_in_reading_is_lost(bench: Bench) -> None:
    bench.driver.receiving = RuntimeError("the driver has a bug")
    assert "the driver has a bug" in await bench.lost()


async def test_what_is_no_message_is_counted(bench: Bench) -> None:
    bench.driver.receiving = ValueError("no number")
    rejected = bench.transport.counters.rejected
    await until(lambda: rejected["malformed"] == 1, "malformed", rejected)
    await bench.far_end.report(DETECTOR, "clear")
    await until(lambda: bench.ear.latest.get(DETECTOR) == "clear", "clear")


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (
            can.Message(is_remote_frame=True, arbitration_id=0x203, is_extended_id=False, dlc=8),
            "remote-frame",
        ),
        (
            can.Message(is_fd=True, arbitration_id=0x203, is_extended_id=False, data=bytes(12)),
            "fd-frame",
        ),
        (can.Message(arbitration_id=0x203, is_extended_id=False, data=bytes(8)), "crc"),
        (can.Message(arbitration_id=0x203, data=bytes(8)), "unknown-identifier"),
        (can.Message(is_error_frame=True, arbitration_id=4, data=[0, 0x20]), "error-passive"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
async def test_frames_that_are_not_ours(channel: str, message: can.Message, reason: str) -> None:
    async with Bench(channel) as bench:
        await bench.far_end.report(DETECTOR, "clear")
        await until(lambda: bench.ear.latest.get(DETECTOR) == "clear", "clear")
        bench.bus._bus.send(message)
        rejected = bench.transport.counters.rejected
        await until(lambda: rejected[reason], reason, rejected)
        assert bench.ear.latest[DETECTOR] == "clear"


async def test_bus_off_is_the_end_of_the_link(bench: Bench) -> None:
    bench.bus._bus.send(can.Message(is_error_frame=True, arbitration_id=0x40, data=bytes(8)))
    assert "bus-off" in await bench.lost()
    assert bench.transport.counters.rejected["bus-off"] == 1


async def test_every_frame_can_be_listened_to(channel: str) -> None:
    bench = Bench(channel)
    heard: list[int] = []
    bench.transport.tap = lambda frame: heard.append(frame.identifier)
    async with bench:
        bench.bus.send(0x7A5, b"\x01")
        await until(lambda: 0x7A5 in heard, "7A5", heard)
        assert 0x503 in heard


async def test_two_boards_of_one_number_are_held_at_danger(
    channel: str, caplog: pytest.LogCaptureFixture
) -> None:
    async with Bench(channel) as bench:
        await bench.far_end.report(DETECTOR, "clear")
        await bench.transport.send([Order(SIGNAL, "clear")])
        await until(lambda: bench.far_end.ordered(SIGNAL) == "clear", "clear")
        assert bench.transport.nodes[3].serials == (0xC0FFEE,)
        other = PlayedNode(3, bench.bus.send, serial=0xBEEF)
        other.say_status(0)
        await until(lambda: bench.ear.latest.get(DETECTOR, "") is None, "unknown")
        await until(lambda: bench.far_end.ordered(SIGNAL) == "danger", "danger")
        await bench.transport.send([Order(SIGNAL, "caution")])
        assert bench.transport.nodes[3].serials == (0xBEEF, 0xC0FFEE)
        assert "0000BEEF and 00C0FFEE all have the node number 3" in caplog.text
        # The other one is unplugged.
        while bench.far_end.ordered(SIGNAL) != "caution":
            await bench.transport.send([Order(SIGNAL, "caution")])
            await asyncio.sleep(0.25)
        await until(lambda: bench.ear.latest[DETECTOR] == "clear", "clear")
    assert bench.transport.nodes == {}


async def test_a_node_is_made_to_blink(channel: str) -> None:
    async with Bench(channel) as bench:
        bench.transport.identify(3)
        bench.transport.identify(3, 0xC0FFEE)
        bench.transport.identify(3, 0xBEEF)
        await until(lambda: bench.node.identified == 2, "blinking")
        with pytest.raises(ValueError, match="from 1 to 127, not 0"):
            bench.transport.identify(0)
    with pytest.raises(LinkError):
        bench.transport.identify(3)


async def test_all_danger_at_the_beginning_and_at_the_end(channel: str) -> None:
    async with Bench(channel) as bench:
        await until(lambda: bench.node.all_dangers == 1, "all danger")
        await bench.transport.send([Order(SIGNAL, "clear")])
        await until(lambda: bench.far_end.ordered(SIGNAL) == "clear", "clear")
        await bench.transport.close()
        await until(lambda: bench.node.all_dangers == 2, "all danger")
        assert bench.far_end.ordered(SIGNAL) == "danger"


async def test_a_node_alone_goes_to_danger(channel: str) -> None:
    """What the page asks of a node: here the played one, so that other tests may rely on it."""
    async with Bench(channel) as bench:
        await bench.transport.send([Order(SIGNAL, "clear")])
        await until(lambda: bench.far_end.ordered(SIGNAL) == "clear", "clear")
        await until(lambda: bench.far_end.ordered(SIGNAL) == "danger", "danger")


# -- opening


async def opened(**options: Any) -> BaseException:
    devices = on_node(DEVICES)
    transport = CanTransport(TransportSettings(name="club", options=options, devices=devices))
    try:
        await transport.open(Ear())
    except (LinkError, ConfigurationError) as error:
        return error
    finally:
        await transport.close()
    raise AssertionError("it was opened")


async def test_a_port_that_is_not_there() -> None:
    error = await opened(interface="slcan", channel="/nowhere/at/all")
    assert isinstance(error, LinkError)
    assert "there is no '/nowhere/at/all'" in str(error)


async def test_a_bus_without_nodes() -> None:
    error = await opened(interface="virtual", channel="empty", lost_after=0.1)
    assert isinstance(error, LinkError)
    assert "no node was heard within 0.1 s: see that the nodes have power" in str(error)


async def test_an_interface_that_this_system_has_not() -> None:
    error = await opened(interface="socketcan", channel="can99")
    assert isinstance(error, LinkError)
    assert "no SocketCAN" in str(error) or "there is no 'can99'" in str(error)


async def test_options_that_python_can_refuses() -> None:
    error = await opened(interface="virtual", channel="x", options={"protocol_": 1, "fd": 5})
    assert isinstance(error, LinkError)  # it takes what it does not know
    error = await opened(interface="udp_multicast", options={"receive_own_messages": True})
    assert isinstance(error, ConfigurationError)
    assert "python-can cannot open the interface 'udp_multicast' so" in str(error)
