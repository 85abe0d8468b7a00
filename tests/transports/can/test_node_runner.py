"""A node on a real python-can bus: in time, with pins, and with a real controller's transport."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from typing import TYPE_CHECKING, Any

import can
import pytest

from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Order, Report
from tests.conftest import until
from tests.transports.can.node_runs import Run, heard
from transports.can import CanTransport
from transports.can.frames import decode, encode
from transports.can.node import Node
from transports.can.node_board import make_node
from transports.can.node_runner import NodeRunner
from transports.can.pins import SimulatedPins
from transports.can.trouble import error_counters
from transports.supervise import Supervisor
from transports.transport import BoundDevice, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping
    from pathlib import Path

    from transports.can.frames import Frame
    from transports.transport import Sink

pytestmark = pytest.mark.real_time

CHANNELS = (f"node-{number}" for number in itertools.count())
RED, YELLOW, GREEN, LIFT, CLEAR, LIGHT = 1, 2, 3, 4, 5, 6
FILE = Run(
    board={
        "board": {"identify": LIGHT, "supply_low": 10500},
        "signals": {"0": {"aspects": [[RED], [YELLOW], [GREEN]]}},
        "stops": {"0": {"lift": LIFT}},
        "detectors": {"0": {"clear": CLEAR}},
    },
    happens=(),
).settings


class Bench:
    """A node that runs, its pins, and a second adapter on its bus."""

    def __init__(self, **how: Any) -> None:
        self.channel = next(CHANNELS)
        self.pins = SimulatedPins()
        self.events: list[dict[str, Any]] = []
        self.other = can.Bus(interface="virtual", channel=self.channel)
        self._frames: list[Frame] = []
        self.runner = NodeRunner(
            lambda now: make_node(FILE, 3, 0xC0FFEE, (0, 1, 0), now),
            self.pins,
            FILE.read,
            {"interface": "virtual", "channel": self.channel},
            say=self.events.append,
            **how,
        )
        self.task = asyncio.create_task(self.runner.run(), name="node")
        self.answers = True
        """Whether each page of the status is answered, as a controller does."""
        self.listening = asyncio.create_task(self._listen(), name="second adapter")

    @property
    def on(self) -> set[int]:
        return {pin for pin, on in self.pins.outputs.items() if on}

    @property
    def frames(self) -> list[Frame]:
        """What the node has said."""
        while (message := self.other.recv(0)) is not None:
            frame = decode(message.arbitration_id, bytes(message.data))
            if not frame.shape.by_controller:
                self._frames.append(frame)
            if self.answers and frame.shape.name == "NodeStatus":
                self.send(*heard(3, frame.group, frame.counter))
        return self._frames

    async def _listen(self) -> None:
        while True:
            assert self.frames is self._frames
            await asyncio.sleep(0.002)

    @property
    def detector(self) -> int | None:
        """What it has said last of its detector."""
        said = [each["Port0"] for each in self.frames if each.shape.name == "DetectorReport"]
        return said[-1] if said else None

    def flags(self, since: int) -> list[int]:
        """What it has said of lost orders, after so many frames."""
        return [
            each["OrdersLost"]
            for each in self.frames[since:]
            if (each.shape.name, each.group) == ("NodeStatus", 1)
        ]

    def send(self, identifier: int, data: bytes) -> None:
        self.other.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=False))

    async def told(self, event: str, **more: Any) -> None:
        await until(
            lambda: any(each.items() >= ({"event": event} | more).items() for each in self.events),
            f"{event} {more}",
            self.events,
        )

    async def show(self, *pins: int) -> None:
        await until(lambda: self.on == set(pins), f"pins {pins}", self.pins.outputs)

    async def obey(self, *pins: int, **orders: Mapping[str, int]) -> None:
        """Give orders again and again until it shows this.

        Given once, they may have run out before anybody has looked, where the machine is busy.
        """
        counters = itertools.count(7)

        def shown() -> bool:
            if self.on == set(pins):
                return True
            counter = next(counters)
            for name, values in orders.items():
                self.send(*encode(name, 3, counter=counter, values=values))
            return False

        await until(shown, f"pins {pins}", self.pins.outputs)


@contextlib.asynccontextmanager
async def bench(**how: Any) -> AsyncIterator[Bench]:
    bench = Bench(**how)
    await bench.told("link", state="up")
    await until(lambda: not bench.runner.node.unanswered, "an answer", bench.frames)
    try:
        yield bench
    finally:
        bench.task.cancel()
        bench.listening.cancel()
        with contextlib.suppress(asyncio.CancelledError, ConfigurationError):
            await bench.task
        bench.other.shutdown()


async def test_a_controller_orders_it_and_hears_it() -> None:
    detector, signal, stop = (
        BoundDevice(
            device=Device("detector", "d1"),
            reports=("clear", "occupied"),
            report={"node": 3, "port": 0},
        ),
        BoundDevice(
            device=Device("signal", "M1"),
            orders=("danger", "caution", "clear"),
            order={"node": 3, "port": 0},
        ),
        BoundDevice(
            device=Device("stop", "S1"), orders=("applied", "lifted"), order={"node": 3, "port": 0}
        ),
    )
    heard: list[Report] = []
    async with bench() as node:
        node.answers = False
        devices = (detector, signal, stop)
        options = {"interface": "virtual", "channel": node.channel}
        transport = CanTransport(TransportSettings(name="club", options=options, devices=devices))
        supervisor = Supervisor(transport, devices, deliver=heard.append, timing=transport.timing)
        controller = asyncio.create_task(supervisor.run(), name="controller")
        supervisor.post([Order(signal.device, "caution"), Order(stop.device, "lifted")])
        await node.show(YELLOW, LIFT)
        await node.told("orders", lost=False)
        for level, value in ((True, "clear"), (False, "occupied"), (None, None)):
            node.pins.put(CLEAR, on=level)
            await until(lambda: heard and heard[-1] == Report(detector.device, value), value)  # noqa: B023
        assert not transport.counters.rejected
        transport.identify(3)
        await node.told("identify", on=True)
        await until(lambda: LIGHT in node.on, "the light")
        controller.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await controller
        await until(lambda: not node.on & {YELLOW, LIFT}, "danger", node.pins.outputs)
        assert RED in node.on
        assert not node.runner.node.rejected


async def test_without_a_controller_it_goes_to_danger_and_says_so() -> None:
    async with bench() as node:
        await node.obey(RED, LIFT, SignalOrder={}, StopOrder={"Port0": 1})
        await node.told("orders", lost=False)
        await node.show(RED)
        assert node.events[-1].items() >= {"event": "orders", "lost": True}.items()
        before = len(node.frames)
        await until(lambda: 1 in node.flags(before), "the flag")


async def test_a_flood_holds_nothing_up() -> None:
    async with bench() as node:
        await node.obey(RED, LIFT, StopOrder={"Port0": 1})
        identifier, data = encode("StopOrder", 3, counter=9, values={"Port0": 1})
        ended = asyncio.Event()

        async def babble() -> None:
            while not ended.is_set():
                for _ in range(100):
                    node.send(identifier, bytes([data[0] ^ 0xFF]) + data[1:])
                await asyncio.sleep(0)

        babbling = asyncio.create_task(babble(), name="babble")
        await node.show(RED)
        rejected = node.runner.node.rejected
        await until(lambda: rejected["crc"] > 100, "the flood", rejected)
        ended.set()
        await babbling


async def test_a_bus_that_was_lost_is_tried_again_and_told_who_it_is() -> None:
    async with bench() as node:
        await until(lambda: len(node.frames) > 10, "frames")
        bus = node.runner._link._bus
        assert bus is not None
        bus.lose("the cable was pulled")
        await node.told("link", state="lost", error="the cable was pulled")
        seen = len(node.frames)
        await until(lambda: len(node.frames) > seen + 5, "frames again")
        first = node.frames[seen : seen + 3]
        assert [(frame.shape.name, frame.group) for frame in first] == [("NodeStatus", 0)] * 3


async def test_a_bus_that_is_not_there_is_tried_on_and_told_once() -> None:
    events: list[dict[str, Any]] = []
    runner = NodeRunner(
        lambda now: make_node(FILE, 3, 1, (0, 1, 0), now),
        SimulatedPins(),
        FILE.read,
        {
            "interface": "slcan",
            "channel": "/dev/no-such-adapter",
            "options": {"sleep_after_open": 0},
        },
        say=events.append,
    )
    opens = 0
    link_open = runner._link.open

    async def counted(sink: Sink) -> None:
        nonlocal opens
        opens += 1
        await link_open(sink)

    runner._link.open = counted  # type: ignore[method-assign]
    task = asyncio.create_task(runner.run(), name="node")
    await until(lambda: opens >= 3, "three tries")
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    links = [event for event in events if event["event"] == "link"]
    assert [event["state"] for event in links] == ["lost", "closed"]


async def test_ended_everything_is_at_danger_and_nothing_is_known() -> None:
    async with bench() as node:
        node.pins.put(CLEAR, on=True)
        await until(lambda: node.detector == 1, "clear")
        await node.obey(GREEN, LIFT, SignalOrder={"Aspect0": 2}, StopOrder={"Port0": 1})
        closed = []
        node.pins.close = lambda: closed.append(set(node.on))  # type: ignore[method-assign]
        node.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await node.task
        assert closed == [{RED}]
        assert node.detector == 0


async def test_an_output_that_cannot_be_set_ends_it_with_all_else_at_danger() -> None:
    async with bench() as node:
        write = node.pins.write

        def broken(pin: int, *, on: bool) -> None:
            if pin == LIFT and on:
                raise OSError("no such line")
            write(pin, on=on)

        node.pins.write = broken  # type: ignore[method-assign]
        await node.obey(GREEN, SignalOrder={"Aspect0": 2})
        for counter in range(7, 10):
            node.send(*encode("StopOrder", 3, counter=counter, values={"Port0": 1}))
        with pytest.raises(ConfigurationError, match="An output cannot be set: no such line"):
            await node.task
        assert node.on == {RED}


async def test_it_tells_its_supply_and_the_adapter_s_errors(tmp_path: Path) -> None:
    supply = tmp_path / "in1_input"
    supply.write_text("10400\n")
    async with bench(supply=str(supply)) as node:
        bus = node.runner._link._bus
        assert bus is not None
        bus.error_counters = (3, 130)

        def said(page: int, **values: int) -> Callable[[], bool]:
            return lambda: any(
                (frame.shape.name, frame.group) == ("NodeStatus", page)
                and all(frame[name] == value for name, value in values.items())
                for frame in node.frames
            )

        await until(said(2, SupplyMillivolts=10400, TransmitErrors=3, ReceiveErrors=130), "page 2")
        await until(said(1, SupplyLow=1), "page 1")
        supply.write_text("no number")
        await until(lambda: node.runner.node._supply == 0, "an unknown supply")


@pytest.mark.parametrize(
    ("kinds", "data", "told"),
    [
        (0x204, bytes([0, 0x30, 0, 0, 0, 0, 5, 130]), (5, 130)),  # linux/can/error.h: counters
        (0x004, bytes([0, 0x30, 0, 0, 0, 0, 5, 130]), None),
        (0x204, bytes(4), None),
    ],
)
def test_an_error_frame_may_tell_counters(
    kinds: int, data: bytes, told: tuple[int, int] | None
) -> None:
    frame = can.Message(arbitration_id=kinds, data=data, is_error_frame=True)
    assert error_counters(frame) == told


async def test_a_bus_that_cannot_be_is_refused() -> None:
    def make(now: int) -> Node:
        return make_node(FILE, 3, 1, (0, 1, 0), now)

    with pytest.raises(ConfigurationError, match="python-can knows no interface 'can9'"):
        NodeRunner(make, SimulatedPins(), (), {"interface": "can9"})
