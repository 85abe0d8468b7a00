"""One thread for what may block: opening a bus, closing it, and sending on some.

Law of this file: jobs one after another, off the loop; nothing of CAN. The
thread never keeps the program from ending, as one of a pool would: a driver may
hang for good when its adapter does.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Worker"]

Result = TypeVar("Result")


class Worker:
    """Does jobs on a thread of its own, after ``after`` has ended where that is given."""

    def __init__(self, name: str, after: Worker | None = None) -> None:
        self._loop = asyncio.get_running_loop()
        self._jobs: SimpleQueue[tuple[Callable[[], Any], asyncio.Future[Any]] | None] = (
            SimpleQueue()
        )
        self._ended = self._loop.create_future()
        self._after = after
        self.thread: threading.Thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.thread.start()

    def do(self, job: Callable[[], Result]) -> asyncio.Future[Result]:
        """Do a job when those before it are done; the future gives its result."""
        future: asyncio.Future[Result] = self._loop.create_future()
        # Nobody may be waiting any more when it fails.
        future.add_done_callback(lambda done: done.cancelled() or done.exception())
        self._jobs.put((job, future))
        return future

    async def end(self, within: float) -> bool:
        """Do no more jobs than were given; return whether the thread has ended in time."""
        self._jobs.put(None)
        try:
            async with asyncio.timeout(within):
                await asyncio.shield(self._ended)
        except TimeoutError:
            return False
        self.thread.join()
        return True

    def abandon(self) -> None:
        """Do no more jobs than were given, and wait for nothing."""
        self._jobs.put(None)

    def _run(self) -> None:
        if self._after is not None:
            self._after.thread.join()
            self._after = None
        while (job := self._jobs.get()) is not None:
            call, future = job
            try:
                result = call()
            except Exception as error:  # noqa: BLE001 - raised where the job was asked for
                self._tell(future, None, error)
            else:
                self._tell(future, result, None)
        self._tell(self._ended, None, None)

    def _tell(self, future: asyncio.Future[Any], result: Any, error: Exception | None) -> None:
        # A loop that is closed wants to know nothing any more.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(_settle, future, result, error)


def _settle(future: asyncio.Future[Any], result: Any, error: Exception | None) -> None:
    if future.done():
        return
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)
