"""Which tasks a transport makes, told from those of everybody else in the process.

Law of this file: for the conformance checks alone. The far end of a link may
live in the same process and have tasks of its own, which must not be laid at
the transport's door. So whatever a transport does, or lets be done later, runs
in a context that says so.
"""

from __future__ import annotations

import asyncio
import contextlib
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

from transports.requests import CarriesRequests

if TYPE_CHECKING:
    from collections.abc import Coroutine, Iterable, Iterator

    from signalling.layout.asking import Answer
    from signalling.layout.words import Order
    from transports.requests import RequestSink
    from transports.transport import Sink, Transport

__all__ = ["Watched", "watched"]

_AT_WORK: ContextVar[Watched | None] = ContextVar("the transport that is at work", default=None)


class Watched:
    """A transport, and the tasks that it has made."""

    def __init__(self, transport: Transport) -> None:
        self.name = transport.name
        self.counters = transport.counters
        self.itself = transport
        self._made: list[asyncio.Task[Any]] = []

    async def open(self, sink: Sink) -> None:
        """Let the transport open."""
        with self._at_work():
            await self.itself.open(sink)

    async def wait_lost(self) -> None:
        """Let the transport wait."""
        with self._at_work():
            await self.itself.wait_lost()

    async def send(self, orders: Iterable[Order]) -> None:
        """Let the transport send."""
        with self._at_work():
            await self.itself.send(orders)

    def take_requests(self, sink: RequestSink) -> None:
        """Let the transport deliver requests, where it carries any."""
        if isinstance(self.itself, CarriesRequests):
            self.itself.take_requests(sink)

    async def tell(self, answers: Iterable[Answer]) -> None:
        """Let the transport tell answers, where it carries any."""
        if isinstance(self.itself, CarriesRequests):
            with self._at_work():
                await self.itself.tell(answers)

    async def close(self) -> None:
        """Let the transport close."""
        with self._at_work():
            await self.itself.close()

    def running(self) -> tuple[str, ...]:
        """Return the names of its tasks that have not come to their end, sorted."""
        return tuple(sorted(task.get_name() for task in self._made if not task.done()))

    def note(self, task: asyncio.Task[Any]) -> None:
        """Remember a task that was made for the transport."""
        self._made.append(task)

    @contextlib.contextmanager
    def _at_work(self) -> Iterator[None]:
        token = _AT_WORK.set(self)
        try:
            yield
        finally:
            _AT_WORK.reset(token)


@contextlib.contextmanager
def watched(transport: Transport) -> Iterator[Watched]:
    """Give the transport, to be used in place of itself, with its tasks watched."""
    loop = asyncio.get_running_loop()
    before = loop.get_task_factory()
    make: Any = before or _plain

    def factory(
        loop: asyncio.AbstractEventLoop, coro: Coroutine[Any, Any, Any], **options: Any
    ) -> Any:
        task = make(loop, coro, **options)
        owner = _AT_WORK.get()
        if owner is not None:
            owner.note(task)
        return task

    # Which options there are differs between Python's releases; they are handed on.
    noting: Any = factory
    loop.set_task_factory(noting)
    try:
        yield Watched(transport)
    finally:
        loop.set_task_factory(before)


def _plain(
    loop: asyncio.AbstractEventLoop, coro: Coroutine[Any, Any, Any], **options: Any
) -> asyncio.Task[Any]:
    return asyncio.Task(coro, loop=loop, **options)
