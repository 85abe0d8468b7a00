"""Links that go and come, floods, and a controller that is held up."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import itertools
import os
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
from collections import deque
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path
from random import Random

import can
import pytest

from signalling.layout.words import BoundDevice, Device, Order, Report
from tests.conftest import Broker, until
from tests.faults.adapter_faults import babble, bus_off
from tests.faults.broker_faults import storm
from tests.faults.fault import LINK, NODE, ORDER_WAY
from tests.faults.railway import Railway
from tests.faults.wire import Frame, Port
from tests.mixed.hall import Hall
from tests.mixed.losses import APPLIED, CLEAR, STOPS, shown_without
from tests.mixed.test_losses import all_clear
from tests.mixed.test_losses_on_real_wires import all_clear as all_clear_on_real_wires
from tests.mixed.test_losses_on_real_wires import shows
from tests.transports.can.played import PlayedBus, PlayedNode
from transports.can import CanTransport
from transports.link import LinkState, Timing
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.supervise import Supervisor
from transports.transport import TransportSettings

SEED = 11
FULL_BUS = 3_700
"""Frames of 8 bytes that 500 kbit/s carries in a second, at most."""
CHANNELS = (f"flood-{number}" for number in itertools.count())

# -- reconnecting


def tries_of(seed: int, bench: LoopbackBench) -> tuple[Supervisor, list[float]]:
    devices = (BoundDevice(device=Device("detector", "d1"), reports=("clear", "occupied")),)
    tries: list[float] = []

    def changed(link: Supervisor) -> None:
        if link.state is LinkState.OPENING:
            tries.append(asyncio.get_running_loop().time())

    supervisor = Supervisor(
        LoopbackTransport(TransportSettings(name="bench", options={}, devices=devices), bench),
        devices,
        deliver=lambda _: None,
        changed=changed,
        jitter=Random(seed).random,
    )
    return supervisor, tries


@contextlib.asynccontextmanager
async def kept(*supervisors: Supervisor) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(each.run(), name="link") for each in supervisors]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def test_pauses_lie_between_half_and_all_of_what_doubles_each_time() -> None:
    timing = Timing()
    benches = [LoopbackBench() for _ in range(20)]
    links = [tries_of(seed, bench) for seed, bench in enumerate(benches)]
    for bench in benches:
        bench.cut()
    async with kept(*(supervisor for supervisor, _ in links)):
        await asyncio.sleep(60)
    longest = [min(timing.longest_pause, timing.first_pause * 2**n) for n in range(60)]
    for _, tries in links:
        assert len(tries) > 20
        for (before, later), most in zip(pairwise(tries), longest, strict=False):
            assert most / 2 - 1e-6 <= later - before <= most + 1e-6
    # They do not all come back in the same moment.
    tenth = [tries[10] for _, tries in links]
    assert len({round(each, 3) for each in tenth}) == len(tenth)
    assert max(tenth) - min(tenth) > timing.longest_pause / 2


async def test_a_link_that_was_up_for_long_is_tried_again_soon() -> None:
    timing, bench = Timing(), LoopbackBench()
    supervisor, tries = tries_of(SEED, bench)
    bench.cut()
    async with kept(supervisor):
        await asyncio.sleep(30)
        bench.mend()
        await asyncio.sleep(timing.longest_pause + timing.steady + 1)
        assert supervisor.state is LinkState.UP
        bench.cut()
        lost = asyncio.get_running_loop().time()
        await asyncio.sleep(timing.first_pause)
        assert tries[-1] - lost <= timing.first_pause + 1e-6


@pytest.mark.parametrize("seed", [1, 2])
async def test_after_bus_off_everything_is_at_danger_and_comes_back_by_itself(seed: int) -> None:
    async with Railway(seed, busy=False) as railway:
        assert await all_clear(railway)
        for number in range(5):
            before = railway.now
            on_the_bus = await bus_off(railway, Random(f"{SEED} {number}"))
            await asyncio.sleep(max(0.0, before + LINK + ORDER_WAY - railway.now))
            fell = {each.signal for each in railway.changes if each.at >= before}
            assert fell >= {each for each in on_the_bus if CLEAR[each] != "danger"}
            assert await all_clear(railway), railway.ailing()
        [bus] = [link for link in railway.controller.status().links if link.name == "bus"]
        assert bus.counters.rejected["bus-off"] >= 5
        assert bus.counters.lost == bus.counters.opened - 1 >= 5
    assert railway.judge.wrong == []


# -- floods


async def test_a_flood_of_frames_and_a_storm_of_messages_pile_nothing_up() -> None:
    """Everything that is kept is bounded: memory is the same after one flood and after many."""
    async with Railway(1, busy=False) as railway:
        # What the tests themselves remember is to be full from the beginning.
        railway.wire.passed = deque(maxlen=200)
        railway.post.passed = deque(maxlen=200)
        await asyncio.sleep(30)
        chance = Random(SEED)

        async def flood(times: int) -> int:
            for _ in range(times):
                await babble(railway, chance)
                await storm(railway, chance)
            railway.changes.clear()
            for node in railway.nodes.values():  # these write down all that passes
                node.said.clear()
                node.ordered.clear()
            gc.collect()
            return tracemalloc.get_traced_memory()[0]

        tracemalloc.start()
        try:
            await flood(12)
            after_some = await flood(2)
            after_many = await flood(6)
        finally:
            tracemalloc.stop()
    assert after_many - after_some < 64 * 1024
    assert railway.judge.wrong == []


BELOW_ALL, AMONG_REPORTS = 0x7EF, 4 << 7 | 100


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("identifier", "within"),
    [
        # A frame waits for one other at the most, as CAN has it.
        (BELOW_ALL, 0.1),
        # Proofs and status starve, and a report may wait behind them in its board's mailbox. Then
        # it is not heard again, which is as good.
        (AMONG_REPORTS, NODE + ORDER_WAY),
    ],
)
async def test_a_babbling_board_holds_no_danger_up(
    identifier: int, within: float, seed: int
) -> None:
    for number in range(10):
        async with Railway(seed, busy=False) as railway:
            assert await all_clear(railway)
            babbler = Port(railway.wire, "babbler", lambda _: None)

            def again(port: Port = babbler) -> None:
                port.send(Frame(identifier, bytes(8)), lambda: again(port))

            again()
            await asyncio.sleep(number * 0.03)
            east = railway.boards["east"]
            assert railway.judge.shown.aspects["R3"] != "danger"
            east.detect("r4", clear=False)
            occupied = railway.now
            while railway.judge.shown.aspects["R3"] != "danger" or east.lifted("SR3"):
                await asyncio.sleep(0.001)
                assert railway.now - occupied < within
                railway.look()
            babbler.leave()


class Flood:
    """Sends frames from a thread of its own, as fast as it is told."""

    def __init__(self, channel: str, rate: int) -> None:
        self.sent = 0
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._rate = rate
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="flood")
        self._thread.start()

    def _run(self) -> None:
        began = time.monotonic()
        while not self._ended.is_set():
            due = int((time.monotonic() - began) * self._rate)
            while self.sent < due:
                identifier = (4 << 7 | 100) if self.sent % 2 else 0x7EF
                self._bus.send(can.Message(arbitration_id=identifier, data=bytes(8)))
                self.sent += 1
            self._ended.wait(0.002)

    def end(self) -> None:
        self._ended.set()
        self._thread.join()
        self._bus.shutdown()


@pytest.mark.real_time
async def test_danger_is_in_time_in_twice_the_traffic_that_a_bus_can_carry() -> None:
    channel = next(CHANNELS)
    detector, stop = Device("detector", "d1"), Device("stop", "S1")
    here = {"node": 3, "port": 0}
    devices = (
        BoundDevice(device=detector, reports=("clear", "occupied"), report=here),
        BoundDevice(device=stop, orders=("applied", "lifted"), order=here),
    )
    bus = PlayedBus(can.Bus(interface="virtual", channel=channel))
    node = PlayedNode(3, bus.send)
    bus.join(node)
    node.inputs["DetectorReport", "Port0"] = 1
    supervisor = Supervisor(
        CanTransport(
            TransportSettings(
                name="bus",
                options={"interface": "virtual", "channel": channel},
                devices=devices,
            )
        ),
        devices,
        deliver=lambda report: follow(report),
    )

    def follow(report: Report) -> None:
        lifted = report.value == "clear"
        supervisor.post([Order(stop, "lifted" if lifted else "applied")])

    def ordered() -> int | None:
        return node.outputs.get(("StopOrder", "Port0"))

    bus.start()
    node.start()
    flood = Flood(channel, 2 * FULL_BUS)
    times = []
    try:
        async with kept(supervisor):
            for _ in range(15):
                node.put("DetectorReport", "Port0", 1)
                await until(lambda: ordered() == 1, "the stop is lifted")
                occupied = time.monotonic()
                node.put("DetectorReport", "Port0", 2)
                await until(lambda: ordered() == 0, "the stop is applied")
                times.append(time.monotonic() - occupied)
            rejected = supervisor.transport.counters.rejected
            assert rejected.total() > 1000
            assert supervisor.transport.counters.lost == 0
    finally:
        flood.end()
        await node.stop()
        await bus.stop()
    # What is promised to users; a loaded machine needs some hundredths of it.
    assert max(times) < NODE


# -- a controller that is held up


@pytest.mark.real_time
async def test_hardware_is_at_danger_while_the_controller_is_stopped_and_nothing_old_counts_then(
    broker: Broker, tmp_path: Path
) -> None:
    """SIGSTOP, as a computer that swaps or sleeps; a train comes meanwhile."""
    async with Hall(broker, tmp_path, "slcan", controlled=False) as hall:
        command = [sys.executable, "-m", "signalling", "run", str(hall.layout)]
        process = await asyncio.create_subprocess_exec(
            *command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )
        try:
            await all_clear_on_real_wires(hall)
            process.send_signal(signal.SIGSTOP)
            await until(lambda: set(hall.aspects.values()) == {"danger"}, "danger", hall.aspects)
            hall.boards["east"].pins.put(hall.boards["east"].board.detectors["r4"], on=False)
            await asyncio.sleep(1.0)
            with hall.changes() as changes:
                process.send_signal(signal.SIGCONT)
                await until(lambda: hall.aspects["R4"] == "clear", "R4", hall.aspects)
                assert hall.aspects["R3"] == "danger"
            assert [each for each in changes if each[0] == "R3"] == []
            # All else is as before; of a train that went again somebody would have to tell.
            await shows(hall, shown_without("detector r4"), APPLIED | STOPS["detector r4"])
            process.terminate()
            await process.wait()
            await until(lambda: set(hall.aspects.values()) == {"danger"}, "danger", hall.aspects)
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
                process.kill()
            await process.wait()
