"""A controller cancelled at any moment, whatever its links are at, leaves nothing behind.

On wires in memory, where every pass of the loop can be told from every other;
at random times on real wires too.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from contextvars import ContextVar
from pathlib import Path
from random import Random
from typing import Any

import pytest

from signalling.controller import Controller
from tests.conftest import Broker
from tests.faults.railway import Railway
from tests.mixed.hall import Hall

pytestmark = pytest.mark.usefixtures("noting")

PASSES = 120
"""Passes of the loop in which a controller starts, on these wires: more than it needs."""
MOMENTS = 60
SEED = 5
ENDS_WITHIN = 10.0
"""Seconds that ending may take: the last orders and closing, with room."""
NODES_NOTICE = 1.1


_MADE: ContextVar[list[asyncio.Task[Any]] | None] = ContextVar("tasks made here", default=None)


@pytest.fixture
async def noting() -> None:
    """Let each task that is made note itself where somebody wants to know of it."""
    loop = asyncio.get_running_loop()

    def factory(loop: asyncio.AbstractEventLoop, coro: Any, **options: Any) -> Any:
        task = asyncio.Task(coro, loop=loop, **options)
        made = _MADE.get()
        if made is not None:
            made.append(task)
        return task

    loop.set_task_factory(factory)


class Running:
    """A controller that runs, and the tasks that it has made; the hardware's are others."""

    def __init__(self, controller: Controller) -> None:
        self.made: list[asyncio.Task[Any]] = []
        self.task = asyncio.create_task(self._run(controller), name="controller")

    async def _run(self, controller: Controller) -> None:
        _MADE.set(self.made)
        async with controller:
            await asyncio.Event().wait()

    async def cancel(self, *, twice: bool = False) -> None:
        self.task.cancel()
        if twice:
            await asyncio.sleep(0)
            self.task.cancel()
        async with asyncio.timeout(ENDS_WITHIN):
            with contextlib.suppress(asyncio.CancelledError):
                await self.task
        assert self.left == []

    @property
    def left(self) -> list[str]:
        return [task.get_name() for task in self.made if not task.done()]


def nothing(_: Railway) -> None:
    pass


def freeze(railway: Railway) -> None:
    railway.post.freeze()


def kill(railway: Railway) -> None:
    railway.post.kill()


def fill_up(railway: Railway) -> None:
    railway.wire.full = True


def unplug(railway: Railway) -> None:
    railway.wire.unplugged = True


def mend(railway: Railway) -> None:
    railway.post.thaw()
    railway.post.start()
    railway.wire.full = railway.wire.unplugged = False


async def cancelled(
    railway: Railway, wait: Callable[[], Awaitable[None]], *, twice: bool = False
) -> None:
    """Start a controller, wait, cancel it, and see what is left."""
    running = Running(Controller(railway.table))
    await wait()
    await running.cancel(twice=twice)
    assert railway.wire.adapters == []
    assert [railway.session(name) for name in ("shed", "yard")] == [None, None]


async def all_at_danger(railway: Railway) -> None:
    await asyncio.sleep(NODES_NOTICE)
    railway.look()
    assert railway.off() == set()
    assert not any(railway.judge.shown.lifted.values())


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("trouble", [nothing, freeze, kill, fill_up, unplug])
async def test_in_every_pass_of_the_loop_in_which_it_starts(
    trouble: Callable[[Railway], None], seed: int
) -> None:
    async with Railway(seed, busy=False, controlled=False) as railway:
        trouble(railway)

        def passes(count: int) -> Callable[[], Awaitable[None]]:
            async def wait() -> None:
                for _ in range(count):
                    await asyncio.sleep(0)

            return wait

        for count in range(0, PASSES, 1 if trouble is nothing else 3):
            await cancelled(railway, passes(count))
        mend(railway)
        await all_at_danger(railway)


@pytest.mark.parametrize("twice", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
async def test_at_any_time_and_in_any_trouble(seed: int, *, twice: bool) -> None:
    random = Random(f"{SEED} {seed}")
    async with Railway(seed, busy=False, controlled=False) as railway:
        for _ in range(MOMENTS):
            trouble = random.choice((nothing, freeze, kill, fill_up, unplug))
            before, after = random.uniform(0.0, 3.0), random.uniform(0.0, 2.0)

            async def wait(
                before: float = before,
                after: float = after,
                trouble: Callable[[Railway], None] = trouble,
            ) -> None:
                await asyncio.sleep(before)
                trouble(railway)
                await asyncio.sleep(after)

            await cancelled(railway, wait, twice=twice)
            mend(railway)
        await all_at_danger(railway)


@pytest.mark.parametrize("medium", ["virtual", "slcan"])
async def test_at_random_times_on_real_wires(medium: str, broker: Broker, tmp_path: Path) -> None:
    """Threads and sockets that are left fail the test, by the fixture of every test here."""
    random = Random(f"{SEED} {medium}")
    async with Hall(broker, tmp_path, medium, controlled=False) as hall:
        for _ in range(12):
            running = Running(Controller(hall.layout))
            await asyncio.sleep(random.uniform(0.0, 0.5))
            assert running.made
            await running.cancel()
