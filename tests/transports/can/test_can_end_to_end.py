"""From a layout file to aspects at nodes on a bus, and back."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import can
import pytest

from signalling.controller import Controller
from signalling.layout.words import Device, Order, Report
from tests.conftest import until
from tests.transports.can.played import PlayedBus, PlayedNode
from transports.can import CanTransport
from transports.link import LinkState, Timing
from transports.supervise import Supervisor
from transports.transport import BoundDevice, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time

CHANNELS = (f"end-to-end-{number}" for number in itertools.count())
HERE = Path(__file__).parent

GANNET = """
[layout]
name = "Gannet Point"
hold_off = 0.1
[blocks]
d1 = {}
d2 = {}
j1 = {}
d3 = {}
q1 = {}
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > j1[t1 normal] > d3 > d1"
quay = "d2 > j1[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > j1", aspects = 4, routes = { quay = { indicator = 4 } } }
M3 = { at = "d3 > d1", aspects = 3 }
[stops]
S2 = { signal = "M2" }
[transports.bus]
kind = "can"
interface = "virtual"
channel = "CHANNEL"
lost_after = 0.8
[[bindings]]
device = "detector *"
transport = "bus"
report = { node = 3, ports = { d1 = 0, d2 = 1, j1 = 2, d3 = 3, q1 = 4 } }
[[bindings]]
device = "turnout t1"
transport = "bus"
report = { node = 5, port = 0 }
[[bindings]]
device = ["signal *", "indicator *"]
transport = "bus"
order = { node = 4, ports = { M1 = 0, M2 = 1, M3 = 2 } }
[[bindings]]
device = "stop S2"
transport = "bus"
order = { node = 4, port = 0 }
"""


class Bench:
    """A controller and three nodes: detectors on 3, signals on 4, the turnout on 5."""

    def __init__(self, channel: str, controller: Controller) -> None:
        self.controller = controller
        self.running = contextlib.AsyncExitStack()
        self.bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
        self.detectors, self.signals, self.turnout = (
            PlayedNode(number, self.bus.send, serial=number) for number in (3, 4, 5)
        )
        self.nodes = (self.detectors, self.signals, self.turnout)
        for node in self.nodes:
            self.bus.join(node)

    def aspects(self) -> tuple[int | None, ...]:
        outputs = self.signals.outputs
        return tuple(outputs.get(("SignalOrder", f"Aspect{port}")) for port in range(3))

    @property
    def stop(self) -> int | None:
        return self.signals.outputs.get(("StopOrder", "Port0"))

    async def aspects_are(self, *aspects: int) -> None:
        await until(lambda: self.aspects() == aspects, str(aspects), self.aspects())

    def all_clear(self) -> None:
        for port in range(5):
            self.detectors.put("DetectorReport", f"Port{port}", 1)
        self.turnout.put("TurnoutReport", "Port0", 1)


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    channel = next(CHANNELS)
    file = tmp_path / "gannet.toml"
    file.write_text(GANNET.replace("CHANNEL", channel))
    controller = Controller(file)
    bench = Bench(channel, controller)
    bench.bus.start()
    for node in bench.nodes:
        node.start()
    async with contextlib.AsyncExitStack() as bench.running:
        await bench.running.enter_async_context(controller)
        yield bench
    for node in bench.nodes:
        await node.stop()
    await bench.bus.stop()


async def test_signals_follow_the_detectors_and_the_turnout(bench: Bench) -> None:
    await bench.aspects_are(0, 0, 0)
    assert bench.stop == 0
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    await until(lambda: bench.stop == 1, "the stop is lifted")
    bench.turnout.put("TurnoutReport", "Port0", 2)
    await bench.aspects_are(2, 1, 2)  # the quay ends at a buffer stop
    assert bench.signals.outputs["SignalOrder", "Indicator1"] == 4
    bench.detectors.put("DetectorReport", "Port2", 2)
    await bench.aspects_are(1, 0, 2)
    assert bench.signals.outputs["SignalOrder", "Indicator1"] == 0
    await until(lambda: bench.stop == 0, "the stop applies")


async def test_a_detector_that_is_not_known_holds_only_what_depends_on_it(bench: Bench) -> None:
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    bench.detectors.put("DetectorReport", "Port0", 0)
    # M3 stands before d1; M2 and M1 fall back by what the next signal shows.
    await bench.aspects_are(2, 1, 0)
    bench.detectors.put("DetectorReport", "Port0", 1)
    await bench.aspects_are(3, 3, 2)


async def test_a_node_that_falls_silent_and_comes_back(bench: Bench) -> None:
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    bench.turnout.frozen = True
    await bench.aspects_are(1, 0, 2)
    bench.turnout.frozen = False
    await bench.aspects_are(3, 3, 2)
    bench.detectors.frozen = True
    await bench.aspects_are(0, 0, 0)
    bench.detectors.frozen = False
    await bench.aspects_are(3, 3, 2)


async def test_signals_of_a_node_without_orders_are_at_danger(bench: Bench) -> None:
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    bench.signals.orders_lost = True
    bench.signals.say_status(1)
    await bench.aspects_are(0, 0, 0)
    (link,) = bench.controller.status().links
    assert {str(device) for device in link.unreached} == {
        *(f"signal {name}" for name in ("M1", "M2", "M3")),
        "indicator M2",
        "stop S2",
    }
    bench.signals.orders_lost = False
    bench.signals.say_status(1)
    await bench.aspects_are(3, 3, 2)


async def test_two_boards_of_one_number_put_everything_of_theirs_to_danger(bench: Bench) -> None:
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    other = PlayedNode(3, bench.bus.send, serial=99)
    for port in range(5):
        other.put("DetectorReport", f"Port{port}", 1)
    other.start()
    await bench.aspects_are(0, 0, 0)
    await other.stop()
    await bench.aspects_are(3, 3, 2)


async def test_everything_goes_to_danger_when_the_controller_ends(bench: Bench) -> None:
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    dangers = bench.signals.all_dangers
    await bench.running.aclose()
    await until(lambda: bench.signals.all_dangers > dangers, "all danger")
    assert bench.aspects() == (0, 0, 0)
    assert bench.stop == 0


async def test_a_babbling_node_holds_up_no_danger(bench: Bench) -> None:
    """Ten thousand frames at once, of every sort that means nothing, around one that does."""
    bench.all_clear()
    await bench.aspects_are(3, 3, 2)
    counters = bench.controller.status().links[0].counters
    for number in range(4000):
        bench.bus.send(0x7A0, bytes(8))
        bench.bus.send(0x203, bytes([number % 256, *range(7)]))
        if number == 2000:
            bench.detectors.put("DetectorReport", "Port2", 2)
    await bench.aspects_are(1, 0, 2)
    await until(lambda: counters.rejected["unknown-class"] == 4000, "all", counters.rejected)
    assert counters.rejected["crc"] >= 3900
    assert counters.rejected["lost"] == 0
    assert bench.controller.status().links[0].state is LinkState.UP


# -- foreign devices on a bus


D1, M1 = Device("detector", "d1"), Device("signal", "M1")
FOREIGN = (
    BoundDevice(
        device=D1,
        reports=("clear", "occupied"),
        report={
            "dbc": "merrow.dbc",
            "message": "Occupancy",
            "signal": "Section_1",
            "values": {"occupied": 1, "clear": 0},
            "publisher": "shed",
        },
    ),
    BoundDevice(
        device=M1,
        orders=("danger", "caution", "clear"),
        order={
            "dbc": "merrow.dbc",
            "message": "Signals",
            "signal": "Head_1",
            "values": {"danger": "Red", "caution": "Yellow", "clear": "Green"},
        },
    ),
)


@contextlib.asynccontextmanager
async def supervised(
    folder: Path,
) -> AsyncIterator[tuple[Supervisor, PlayedBus, dict[Device, str | None]]]:
    shutil.copy(HERE / "merrow.dbc", folder)
    channel = next(CHANNELS)
    bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
    bus.start()
    options = {
        "interface": "virtual",
        "channel": channel,
        "publishers": {
            "shed": {
                "dbc": "merrow.dbc",
                "message": "Heartbeat",
                "within": 0.3,
                "poll": {"message": "Query", "signals": {"Kind": 1, "Reserved": 0}},
            }
        },
    }
    settings = TransportSettings(name="shed", options=options, devices=FOREIGN, folder=str(folder))
    known: dict[Device, str | None] = {}

    def deliver(report: Report) -> None:
        known[report.device] = report.value

    transport = CanTransport(settings)
    supervisor = Supervisor(transport, FOREIGN, deliver=deliver, timing=Timing(refresh=0.2))
    task = asyncio.create_task(supervisor.run(), name="supervisor")
    yield supervisor, bus, known
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    await bus.stop()


async def test_foreign_devices_report_and_are_ordered(tmp_path: Path) -> None:
    async with supervised(tmp_path) as (supervisor, bus, known):
        # Nobody need be heard for the link to be up; the publisher is asked at once.
        await until(lambda: (0x612, b"\x01\x00") in bus.heard, "the poll", bus.heard)
        assert supervisor.state is LinkState.UP
        bus.send(0x610, b"\x01\x80")
        await until(lambda: known.get(D1) == "occupied", "occupied", known)
        bus.send(0x610, b"\x00\x80")
        await until(lambda: known.get(D1) == "clear", "clear", known)
        await until(lambda: known.get(D1, "") is None, "the publisher has gone", known)
        # A heartbeat alone brings no old report back.
        bus.send(0x611, b"\x00")
        bus.send(0x610, b"\x01\x80")
        await until(lambda: known.get(D1) == "occupied", "occupied", known)
        supervisor.post([Order(M1, "clear")])
        await until(lambda: (0x613, b"\x02\x28\x00") in bus.heard, "clear", bus.heard)
        count = bus.heard.count((0x613, b"\x02\x28\x00"))
        await until(lambda: bus.heard.count((0x613, b"\x02\x28\x00")) > count + 2, "again")
        assert supervisor.state is LinkState.UP
    assert bus.heard[-1] == (0x613, b"\x00\x28\x00")


async def test_a_frame_that_nobody_bound_is_not_even_read(tmp_path: Path) -> None:
    async with supervised(tmp_path) as (supervisor, bus, known):
        await until(lambda: supervisor.state is LinkState.UP, "up")
        for identifier in range(0x100, 0x600, 16):
            bus.send(identifier, bytes(8))
        bus.send(0x610, b"\x01\x80")
        await until(lambda: known.get(D1) == "occupied", "occupied", known)
        assert not supervisor.transport.counters.rejected
