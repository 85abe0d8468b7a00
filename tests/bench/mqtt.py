"""What a report costs over MQTT until its order arrives, beside a bare client that echoes.

The controller and the echoes are processes of their own on one real broker,
which sends at once (``set_tcp_nodelay true``), and so do all clients. Each
round asks each of them in turn, so that a machine that changes its speed
changes it for all of them. Round trips are measured with reports and orders at
QoS 1 and at QoS 0, all else at QoS 1.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import socket
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt

from signalling.controller import Controller
from signalling.controller.clock import paced
from tests.bench.row import Row
from tests.conftest import Broker
from tests.rig import FREE, ring_text

ROUNDS = 1_000
WARM_UP = 100
REPORTS = 3_000
"""Reports of the sustained run."""
WINDOW = 40
"""Reports under way at once in the sustained run."""
Message = tuple[str, bytes]
NODELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]

BINDINGS = """
[transports.bench]
kind = "mqtt"
port = {port}
base = "{base}"
[[bindings]]
device = ["detector *", "signal *"]
transport = "bench"
[[bindings]]
device = "signal *"
transport = "bench"
order = {{ qos = {qos} }}
"""

BASES = {"one": (2, 1), "none": (2, 0), "three": (4, 1)}
"""Layouts by what their topics begin with: the aspects of their signals, and the QoS.

A report changes one order with two-aspect signals, three with four-aspect ones.
"""


def measure() -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(Path(folder))
        broker.start()
        jobs: list[tuple[Callable[[Any], None], Any]] = []
        for base, (aspects, qos) in BASES.items():
            layout = Path(folder) / f"{base}.toml"
            ring = ring_text([aspects] * 6, settings=FREE)
            layout.write_text(ring + BINDINGS.format(port=broker.port, base=base, qos=qos))
            jobs.append((_control, str(layout)))
        jobs += [(_echo, (broker.port, base, BASES[base][1])) for base in ("one", "none")]
        jobs.append((_echo_three, broker.port))
        context = multiprocessing.get_context("spawn")
        processes = [context.Process(target=job, args=(given,)) for job, given in jobs]
        try:
            for process in processes:
                process.start()
            return asyncio.run(_drive(broker.port))
        finally:
            for process in processes:
                process.kill()
                process.join()
            broker.kill()


# -- the other ends, each in a process of its own


def _control(layout: str) -> None:
    async def run() -> None:
        async with Controller(layout):
            await asyncio.Event().wait()

    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(run())


def _echo(given: tuple[int, str, int]) -> None:
    """The bare client as its manual shows it: ``async for`` and ``publish``."""
    port, base, qos = given

    async def run() -> None:
        async with aiomqtt.Client("127.0.0.1", port, socket_options=NODELAY) as client:
            await client.subscribe(f"bare-{base}/report", qos=qos)
            async for message in client.messages:
                await client.publish(f"bare-{base}/order", message.payload, qos=qos)

    asyncio.run(run())


def _echo_three(port: int) -> None:
    """The bare client answering each report with three orders, as fast as it can."""

    async def run() -> None:
        async with aiomqtt.Client("127.0.0.1", port, socket_options=NODELAY) as client:
            client.pending_calls_threshold = 1_000
            await client.subscribe("bare-three/report", qos=1)
            async for message in client.messages:
                orders = (
                    client.publish(f"bare-three/order/{each}", message.payload, qos=1)
                    for each in range(3)
                )
                await asyncio.gather(*orders)

    asyncio.run(run())


# -- the driver


class Driver:
    """Publishes reports and sees orders arrive."""

    def __init__(self, port: int) -> None:
        driver = self

        class Straight(asyncio.Queue[aiomqtt.Message]):
            def put_nowait(self, message: aiomqtt.Message) -> None:
                driver.take(message.topic.value, message.payload)

        self.client = aiomqtt.Client("127.0.0.1", port, socket_options=NODELAY, queue_type=Straight)
        self.client.pending_calls_threshold = 1_000
        self.latest: dict[str, object] = {}
        self.awaited = ("", b"")
        self.arrived = asyncio.Event()

    def take(self, topic: str, payload: object) -> None:
        self.latest[topic] = payload
        if (topic, payload) == self.awaited:
            self.arrived.set()

    async def publish(self, report: Message, qos: int = 1) -> None:
        await self.client.publish(*report, qos=qos)

    async def ask(self, report: Message, order: Message, qos: int = 1) -> float:
        """Publish a report; return the seconds until its order has come."""
        self.awaited = order
        self.arrived.clear()
        started = time.perf_counter()
        published = asyncio.create_task(self.publish(report, qos))
        await self.arrived.wait()
        taken = time.perf_counter() - started
        await published
        return taken

    async def flood(self, reports: list[Message], last: tuple[Message, Message]) -> float:
        """Publish many reports, some at once; return the seconds until the last's order."""
        rest = iter(reports)

        async def work() -> None:
            for report in rest:
                await self.publish(report)

        started = time.perf_counter()
        async with asyncio.TaskGroup() as group:
            for _ in range(WINDOW):
                group.create_task(work())
        await self.ask(*last)
        return time.perf_counter() - started


def _report(base: str, block: int, value: bytes) -> Message:
    return (f"{base}/report/detector/b{block}", value)


def _order(base: str, signal: int, value: bytes) -> Message:
    return (f"{base}/order/signal/S{signal}", value)


async def _drive(port: int) -> list[Row]:
    driver = Driver(port)
    async with driver.client:
        for base in BASES:
            await driver.client.subscribe(f"bare-{base}/order/#", qos=1)
            await driver.client.subscribe(f"{base}/order/#", qos=1)
        await _until_ready(driver)
        return [
            *await _round_trips(driver, "one"),
            *await _round_trips(driver, "none"),
            *await _sustained(driver),
        ]


async def _until_ready(driver: Driver) -> None:
    for report, order in (
        (("bare-one/report", b"ready"), ("bare-one/order", b"ready")),
        (("bare-none/report", b"ready"), ("bare-none/order", b"ready")),
        (("bare-three/report", b"ready"), ("bare-three/order/0", b"ready")),
        *((_report(base, 0, b"clear"), _order(base, 0, b"clear")) for base in BASES),
    ):
        while driver.latest.get(order[0]) != order[1]:
            for block in range(6):
                await driver.publish(_report(report[0].partition("/")[0], block, b"clear"))
            await driver.publish(report)
            await asyncio.sleep(0.05)


async def _round_trips(driver: Driver, base: str) -> list[Row]:
    qos = BASES[base][1]
    bare = (f"bare-{base}/report", f"bare-{base}/order")
    ours, echo = [], []
    for turn in range(WARM_UP + ROUNDS):
        value, aspect = ((b"occupied", b"danger"), (b"clear", b"clear"))[turn % 2]
        ours.append(await driver.ask(_report(base, 0, value), _order(base, 0, aspect), qos))
        payload = b"%d" % turn
        echo.append(await driver.ask((bare[0], payload), (bare[1], payload), qos))
    ours, echo = sorted(ours[WARM_UP:]), sorted(echo[WARM_UP:])
    median, floor = statistics.median(ours), statistics.median(echo)
    late = int(ROUNDS * 0.99)
    return [
        Row(
            name=f"MQTT, QoS {qos}, report to order, median",
            value=median * 1e6,
            unit="us",
            against="a bare client's echo",
            ratio=median / floor,
            target="<= 1.0 x" if qos else "",
            ok=median <= floor if qos else None,
        ),
        Row(
            name=f"MQTT, QoS {qos}, report to order, 99 of 100",
            value=ours[late] * 1e3,
            unit="ms",
            against="a bare client's echo",
            ratio=ours[late] / echo[late],
            target="< 10 ms",
            ok=ours[late] < 0.01,
        ),
    ]


async def _sustained(driver: Driver) -> list[Row]:
    reports = [_report("three", 0, (b"occupied", b"clear")[turn % 2]) for turn in range(REPORTS)]
    ours, bare = [], []
    for turn in range(3):
        last = (_report("three", 1, b"occupied"), _order("three", 1, b"danger"))
        ours.append(REPORTS / await driver.flood([*reports, _report("three", 0, b"clear")], last))
        # Nothing late may come after the last.
        await asyncio.sleep(0.2)
        shown = [driver.latest[_order("three", signal, b"")[0]] for signal in (1, 0, 5)]
        assert shown == [b"danger", b"caution", b"preliminary-caution"], shown
        await driver.ask(_report("three", 1, b"clear"), _order("three", 1, b"clear"))
        final = b"last %d" % turn
        last = (("bare-three/report", final), ("bare-three/order/0", final))
        bare.append(REPORTS / await driver.flood([("bare-three/report", b"x")] * REPORTS, last))
    median, floor = statistics.median(ours), statistics.median(bare)
    return [
        Row(
            name="MQTT, report to three orders, sustained",
            value=median,
            unit="reports/s",
            against="a bare client",
            ratio=median / floor,
            target=">= 0.8 x",
            ok=median >= 0.8 * floor,
        )
    ]
