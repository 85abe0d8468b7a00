"""Reading a bus: one that may hold more than its file shows, and one that a thread reads."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections import deque
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, cast

import can
import pytest

from tests.conftest import until
from transports.can.reader import _AT_ONCE, make_reader

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

pytestmark = pytest.mark.real_time


class Hoard(can.BusABC):
    """A bus on a socket, a byte a message: it reads all that there is, and gives one at a time.

    So does python-can's client of a CAN server over TCP.
    """

    def __init__(self) -> None:
        self.far, self._near = socket.socketpair()
        self._near.settimeout(0)
        self._held: deque[int] = deque()
        super().__init__(channel="hoard")

    def recv(self, timeout: float | None = None) -> can.Message | None:
        assert timeout == 0
        with contextlib.suppress(BlockingIOError):
            self._held.extend(self._near.recv(4096))
        if not self._held:
            return None
        number = self._held.popleft()
        if number == 0xFF:
            raise ValueError("no message")
        return can.Message(arbitration_id=number, is_extended_id=False)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        raise NotImplementedError

    def fileno(self) -> int:
        return self._near.fileno()

    def shutdown(self) -> None:
        super().shutdown()
        self._near.close()
        self.far.close()


class Bench:
    def __init__(self, bus: Hoard) -> None:
        self.bus = bus
        self.done: list[int | str] = []
        self.last: int | None = None
        """The message at which reading is told to stop."""
        self.malformed = 0
        self.failed: list[Exception] = []
        self.reader = make_reader(
            bus, deliver=self._take, malformed=self._count, failed=self.failed.append
        )

    def _take(self, message: can.Message) -> None:
        number = message.arbitration_id
        self.done.append(number)
        asyncio.get_running_loop().call_soon(self.done.append, f"led to by {number}")
        if number == self.last:
            self.reader.stop()

    def _count(self) -> None:
        self.malformed += 1


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bus = Hoard()
    bench = Bench(bus)
    yield bench
    bench.reader.stop()
    bench.reader.join()
    bus.shutdown()


async def test_what_a_message_leads_to_is_done_before_another_is_looked_for(bench: Bench) -> None:
    bench.bus.far.send(bytes([1, 2]))
    await until(lambda: len(bench.done) == 4, "both")
    assert bench.done == [1, "led to by 1", 2, "led to by 2"]


async def test_what_the_file_no_longer_shows_arrives_too_in_its_order(bench: Bench) -> None:
    sent = [number % 0xFF for number in range(1000)]
    bench.bus.far.send(bytes(sent))
    await until(lambda: len(bench.done) == 2000, "all")
    assert [each for each in bench.done if isinstance(each, int)] == sent


async def test_what_follows_something_malformed_arrives_too(bench: Bench) -> None:
    bench.bus.far.send(bytes([0xFF, 1, 0xFF, 2]))
    await until(lambda: 2 in bench.done, "the last")
    assert bench.malformed == 2
    assert not bench.failed


async def test_nothing_but_malformed_ends_it_and_is_told_once(bench: Bench) -> None:
    bench.bus.far.send(bytes([0xFF] * 500))
    await until(lambda: bool(bench.failed), "the end")
    bench.bus.far.send(bytes([1]))
    await asyncio.sleep(0.01)
    assert len(bench.failed) == 1
    assert bench.done == []


async def test_nothing_arrives_after_it_was_told_to_stop(bench: Bench) -> None:
    bench.last = 5
    bench.bus.far.send(bytes(range(1, 100)))
    await until(lambda: "led to by 5" in bench.done, "the last")
    bench.reader.stop()
    await asyncio.sleep(0.01)
    assert [each for each in bench.done if isinstance(each, int)] == [1, 2, 3, 4, 5]


class Flood:
    """A bus without a file, as python-can has them, which a thread reads."""

    def __init__(self) -> None:
        self.empty = threading.Event()
        self._waiting: SimpleQueue[can.Message] = SimpleQueue()

    def give(self, count: int) -> None:
        """Let messages arrive, and wait until they have been read."""
        for number in range(count):
            self._waiting.put(can.Message(arbitration_id=number, is_extended_id=False))
        self.empty.clear()
        assert self.empty.wait(20)

    def recv(self, timeout: float) -> can.Message | None:
        if self._waiting.empty():
            self.empty.set()
        with contextlib.suppress(Empty):
            return self._waiting.get(timeout=timeout)
        return None

    def fileno(self) -> int:
        return -1


async def test_a_flood_leaves_all_else_its_turn() -> None:
    bus = Flood()
    taken = 0

    def take(_: can.Message) -> None:
        nonlocal taken
        taken += 1
        if taken < 10:
            bus.give(1)  # while some are being taken

    reader = make_reader(
        cast("can.BusABC", bus), deliver=take, malformed=lambda: None, failed=lambda _: None
    )
    bus.give(1000)
    turns = []
    while taken < 1009:
        before = taken
        await asyncio.sleep(0)
        turns.append(taken - before)
    reader.stop()
    await asyncio.to_thread(reader.join)
    assert max(turns) <= _AT_ONCE
