from __future__ import annotations

import asyncio
import time

import pytest

from signalling.controller.clock import PacedLoop, nanoseconds, paced


async def test_the_jumping_clock_jumps_to_each_timer_in_turn() -> None:
    loop = asyncio.get_running_loop()
    started, fired = loop.time(), []
    for seconds in (3600.0, 0.5, 86_400.0 * 30):
        loop.call_later(seconds, lambda seconds=seconds: fired.append((seconds, loop.time())))
    await asyncio.sleep(86_400 * 31)
    assert fired == [(each, started + each) for each in (0.5, 3600.0, 86_400.0 * 30)]


async def test_the_jumping_clock_stands_still_while_anything_is_ready() -> None:
    loop = asyncio.get_running_loop()
    started = loop.time()
    asyncio.get_running_loop().call_later(1.0, lambda: None)
    for _ in range(100):
        await asyncio.sleep(0)
    assert loop.time() == started


async def test_a_ready_socket_is_served_before_a_jump() -> None:
    order = []
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    asyncio.get_running_loop().call_later(5.0, order.append, "timer")
    for _ in range(3):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()
        order.append("connection")
    server.close()
    await server.wait_closed()
    await asyncio.sleep(6)
    assert order == ["connection"] * 3 + ["timer"]


def test_a_fast_clock_runs_ahead_of_real_time() -> None:
    loop = PacedLoop(1000)
    try:
        loop.run_until_complete(asyncio.sleep(20))
        assert loop.time() >= 20
    finally:
        loop.close()


def test_real_time_begins_at_nought() -> None:
    loop = paced(1)()
    try:
        before = time.monotonic()
        started = loop.time()
        loop.run_until_complete(asyncio.sleep(0.02))
        passed = loop.time() - started
        assert 0 <= started < 1
        assert 0.02 <= passed <= time.monotonic() - before
    finally:
        loop.close()


@pytest.mark.parametrize("rate", [0, -1, float("nan")])
def test_a_clock_must_go_on(rate: float) -> None:
    with pytest.raises(ValueError, match="greater than 0"):
        paced(rate)()


def test_nanoseconds_are_whole() -> None:
    assert nanoseconds(0.1) == 100_000_000
    assert nanoseconds(1.7) == 1_700_000_000
