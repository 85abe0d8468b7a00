"""Listening to all of a layout's links without a word on any of them.

Law of this file: what has arrived, how often, and what of it is new; no wire and
nothing printed. Links are kept by the same supervisors as when the layout runs,
with nothing to send. Whoever looks may be slow: of what is new so much waits and
no more, and of each place the latest is kept in any case.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

from attrs import define, evolve, frozen

from signalling.controller.load import make_links
from signalling.layout.words import Device, Report
from transports.link import LinkStatus
from transports.listen import Arrival, CanListen
from transports.supervise import Supervisor

if TYPE_CHECKING:
    from types import TracebackType

    from signalling.table.table import Table

__all__ = ["Line", "LinkNews", "Listening", "Missed", "New", "News", "Settled"]

_WAITING = 1000
"""News that wait for a slow reader; the oldest are lost then, and counted."""
_PLACES = 5000
"""Places that are remembered; what arrives at others is only counted."""


@define(eq=False)
class Line:
    """What arrives at one place: the latest, and how often."""

    transport: str
    arrival: Arrival
    """The latest."""
    count: int
    """How often something has arrived here."""
    at: float
    """When something arrived last: the loop's time, as below."""
    changed: float
    """When it last said something new."""


@frozen
class Settled:
    """A device whose report began or ceased to count by itself, with nothing new arriving of it."""

    at: float
    report: Report


@frozen
class New:
    """Something that arrived and is no repetition."""

    at: float
    transport: str
    arrival: Arrival
    count: int
    """How often something has arrived at its place, this included."""


@frozen
class LinkNews:
    """A link whose state changed."""

    at: float
    link: LinkStatus


@frozen
class Missed:
    """News that were lost, since nobody took them."""

    at: float
    count: int


News = New | Settled | LinkNews | Missed
"""Something that has happened."""


class Listening:
    """Listens to the links of a layout, as an asynchronous context manager.

    ``more`` is what else to listen to, in the links' own terms. Iterating over
    it gives news in lists, as they come. Making one raises ``ConfigurationError``.
    """

    def __init__(self, table: Table, folder: str | Path, more: Sequence[str] = ()) -> None:
        self.lines: dict[tuple[str, str, str], Line] = {}
        """By transport, place and part, everything that arrives."""
        self.passed_over = 0
        """What arrived at further places than are remembered."""
        self.deaf: list[str] = []
        """Transports that cannot listen."""
        self.heard: set[Device] = set()
        """Devices that were spoken of."""
        self._news: deque[News] = deque()
        self._missed = 0
        self._something = asyncio.Event()
        self._ended = False
        self._known: dict[Device, str | None] = {}
        self._settled: dict[Device, Report] = {}
        self._supervisors: list[Supervisor] = []
        self._tasks: list[asyncio.Task[None]] = []
        self._group = asyncio.TaskGroup()
        self._links = []
        self.devices: dict[Device, str] = {}
        """Every bound device that reports something, and its transport."""
        for link in make_links(table, None, folder):
            transport = link.transport
            if not isinstance(transport, CanListen):
                self.deaf.append(transport.name)
                continue
            hear = self._hearer(transport.name)
            reporting = [evolve(bound, orders=()) for bound in link.devices if bound.reports]
            self._links.append((transport.listener(hear, more), reporting, link.timing))
            self.devices.update((bound.device, transport.name) for bound in reporting)

    @property
    def names(self) -> list[str]:
        """Transports that are listened to."""
        return [transport.name for transport, _, _ in self._links]

    @property
    def counters(self) -> dict[str, dict[str, int]]:
        """What was turned away on each transport, by reason."""
        return {each.name: dict(each.transport.counters.rejected) for each in self._supervisors}

    # -- running

    async def __aenter__(self) -> Self:
        for transport, devices, timing in self._links:
            self._supervisors.append(
                Supervisor(
                    transport,
                    devices,
                    deliver=self._deliver,
                    timing=timing,
                    changed=self._link_changed,
                )
            )
        await self._group.__aenter__()
        self._tasks = [
            self._group.create_task(each.run(), name=f"listen: {each.name}")
            for each in self._supervisors
        ]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        for task in self._tasks:
            task.cancel()
        try:
            # A group that was itself cancelled has to know of it.
            if isinstance(error, asyncio.CancelledError):
                await self._group.__aexit__(kind, error, traceback)
            else:
                await self._group.__aexit__(None, None, None)
        except BaseExceptionGroup as group:
            if len(group.exceptions) == 1:
                raise group.exceptions[0] from None
            raise
        finally:
            self._ended = True
            self._something.set()

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> list[News]:
        await self._something.wait()
        if not self._ended:
            self._something.clear()
        elif not self._news:
            raise StopAsyncIteration
        news = list(self._news)
        self._news.clear()
        now = asyncio.get_running_loop().time()
        if self._missed:
            news.insert(0, Missed(now, self._missed))
            self._missed = 0
        return news

    def unheard(self) -> Iterator[tuple[Device, str]]:
        """Yield each bound device of which nothing was heard, and its transport."""
        for device, transport in self.devices.items():
            if device not in self.heard:
                yield device, transport

    # -- what comes in

    def _hearer(self, transport: str) -> Callable[[Arrival], None]:
        return lambda arrival: self._hear(transport, arrival)

    def _hear(self, transport: str, arrival: Arrival) -> None:
        now = asyncio.get_running_loop().time()
        for meaning in arrival.meanings:
            if not meaning.order:
                self.heard.add(meaning.device)
                # Told with the arrival itself.
                self._settled.pop(meaning.device, None)
        self._tell_settled()
        key = (transport, arrival.place, arrival.part)
        line = self.lines.get(key)
        if line is None:
            if len(self.lines) >= _PLACES:
                self.passed_over += 1
                return
            self.lines[key] = Line(transport, arrival, 1, now, now)
            self._tell(New(now, transport, arrival, 1))
            return
        new = not _same(line.arrival, arrival)
        line.arrival, line.count, line.at = arrival, line.count + 1, now
        if new:
            line.changed = now
            self._tell(New(now, transport, arrival, line.count))

    def _deliver(self, report: Report) -> None:
        if self._known.get(report.device) == report.value:
            return
        self._known[report.device] = report.value
        if not self._settled:
            # After what arrives in this moment, which may tell it.
            asyncio.get_running_loop().call_soon(self._tell_settled)
        self._settled[report.device] = report

    def _tell_settled(self) -> None:
        settled, self._settled = self._settled, {}
        now = asyncio.get_running_loop().time()
        for report in settled.values():
            self._tell(Settled(now, report))

    def _link_changed(self, supervisor: Supervisor) -> None:
        self._tell(LinkNews(asyncio.get_running_loop().time(), supervisor.status()))

    def _tell(self, news: News) -> None:
        if len(self._news) >= _WAITING:
            self._news.popleft()
            self._missed += 1
        self._news.append(news)
        self._something.set()


def _same(one: Arrival, other: Arrival) -> bool:
    return (one.content, one.meanings, one.reason) == (other.content, other.meanings, other.reason)
