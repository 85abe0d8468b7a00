from __future__ import annotations

import asyncio
import threading

import pytest

from transports.can.worker import Worker

pytestmark = pytest.mark.real_time


async def test_jobs_are_done_one_after_another_off_the_loop() -> None:
    worker = Worker("test")
    done: list[int] = []
    threads = {await worker.do(threading.get_ident) for _ in range(3)}
    assert len(threads) == 1
    assert threading.get_ident() not in threads
    for number in range(5):
        worker.do(lambda number=number: done.append(number))  # type: ignore[misc]
    assert await worker.end(5)
    assert done == [0, 1, 2, 3, 4]
    assert not worker.thread.is_alive()


async def test_what_a_job_raises_is_raised_where_it_was_asked_for() -> None:
    worker = Worker("test")
    with pytest.raises(ZeroDivisionError):
        await worker.do(lambda: 1 // 0)
    worker.do(lambda: 1 // 0)  # And where nobody waits, it is lost in silence.
    assert await worker.do(lambda: 5) == 5
    assert await worker.end(5)


async def test_a_job_that_hangs_holds_nobody_up() -> None:
    hanging, worker = threading.Event(), Worker("hanging")
    worker.do(hanging.wait)
    assert not await worker.end(0.01)
    # The next one waits for its end, since both would use one adapter.
    order: list[str] = []
    worker.thread.join(0)
    following = Worker("following", after=worker)
    last = following.do(lambda: order.append("following"))
    await asyncio.sleep(0.02)
    assert order == []
    hanging.set()
    await last
    assert order == ["following"]
    assert await following.end(5)


async def test_a_job_nobody_waits_for_any_more() -> None:
    worker = Worker("test")
    job = worker.do(lambda: 5)
    job.cancel()
    worker.abandon()
    assert await worker.end(5)
