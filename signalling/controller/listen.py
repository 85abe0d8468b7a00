"""Listening to all of a layout's links without a word on any of them.

Law of this file: what has arrived, how often, and what of it is new; no wire and
nothing printed. Links are kept by the same supervisors as when the layout runs,
with nothing to send. Whoever looks may be slow: of what is new so much waits and
no more, and of each place the latest is kept in any case.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

from attrs import define, evolve, frozen

from signalling.controller.changes import LinkNews
from signalling.controller.leaving import leave
from signalling.controller.load import make_links
from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Report
from transports.link import LinkStatus
from transports.listen import Arrival, CanListen
from transports.registry import missing_members
from transports.supervise import Supervisor

if TYPE_CHECKING:
    from types import TracebackType

    from signalling.table.table import Table
    from transports.transport import Transport

__all__ = ["Line", "LinkChanged", "Listening", "Missed", "New", "News", "Settled"]

_PLACES = 5000
"""Places that are remembered besides those that are bound; what arrives at others is counted."""
_WAITING = _PLACES
"""News that wait for a slow reader; the oldest are lost then, and counted. All that a broker
has kept may come at once."""
_KEPT = 4096
"""Bytes that are kept of what arrives: some send pictures."""


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
    changes: tuple[str, ...] = ()
    """Names of the values that were other then than before; empty where it was the first."""


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
    changes: tuple[str, ...] = ()
    """Names of values that are other than before; empty where it is the first."""


@frozen
class LinkChanged:
    """A link whose state changed."""

    at: float
    link: LinkStatus


@frozen
class Missed:
    """News that were lost, since nobody took them."""

    at: float
    count: int


News = New | Settled | LinkChanged | Missed
"""Something that has happened."""


class Listening:
    """Listens to the links of a layout, as an asynchronous context manager.

    ``more`` is what else to listen to, in the links' own terms. Iterating over
    it gives news in lists, as they come. Making one raises ``ConfigurationError``; so does
    leaving it, where a link turned out to be set up wrongly.
    """

    def __init__(self, table: Table, folder: str | Path, more: Sequence[str] = ()) -> None:
        self.lines: dict[tuple[str, str, str], Line] = {}
        """By transport, place and part, everything that arrives."""
        self.passed_over = 0
        """How often something arrived at further places than are remembered."""
        self.deaf: list[str] = []
        """Transports that cannot listen."""
        self._unbound = 0
        self.heard: set[Device] = set()
        """Devices that were spoken of."""
        self._news: deque[News] = deque()
        self._news_of_links = LinkNews()
        self._missed = 0
        self._leaving = False
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
            reporting = [evolve(bound, orders=()) for bound in link.devices if bound.reports]
            listener = self._listener(transport.name, transport, more)
            self._links.append((listener, reporting, link.timing))
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
        self._leaving = True
        try:
            await leave(self._group, self._tasks, kind, error, traceback)
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
        if self._missed:
            now = asyncio.get_running_loop().time()
            # How links stand may have been among it.
            links = (LinkChanged(now, each.status()) for each in self._supervisors)
            news += [*links, Missed(now, self._missed)]
            self._missed = 0
        return news

    def unheard(self) -> Iterator[tuple[Device, str]]:
        """Yield each bound device of which nothing was heard, and its transport."""
        for device, transport in self.devices.items():
            if device not in self.heard:
                yield device, transport

    # -- what comes in

    def _listener(self, name: str, transport: CanListen, more: Sequence[str]) -> Transport:
        """Return what listens in a transport's place."""
        try:
            listener = transport.listener(lambda arrival: self._hear(name, arrival), more)
        except ConfigurationError:
            raise
        except Exception as error:
            raise ConfigurationError(
                f"transport {name}",
                f"It cannot be listened to: {type(error).__name__}: {error}.",
                "Tell its author.",
            ) from error
        missing = missing_members(listener)
        if missing:
            raise ConfigurationError(
                f"transport {name}",
                f"What is to listen to it is no transport: it gives no {', '.join(missing)}.",
                "Tell its author; transports.transport.Transport lists the members.",
            )
        return listener

    def _hear(self, transport: str, arrival: Arrival) -> None:
        now = asyncio.get_running_loop().time()
        if len(arrival.raw) > _KEPT:
            content = hash(arrival.content)
            arrival = evolve(
                arrival, raw=arrival.raw[:_KEPT], length=arrival.length, content=content
            )
        for meaning in arrival.meanings:
            if not meaning.order:
                self.heard.add(meaning.device)
                # Told with the arrival itself.
                self._settled.pop(meaning.device, None)
        self._tell_settled()
        key = (transport, arrival.place, arrival.part)
        line = self.lines.get(key)
        if line is None:
            if not arrival.bound and self._unbound >= _PLACES:
                self.passed_over += 1
                return
            self._unbound += not arrival.bound
            self.lines[key] = Line(transport, arrival, 1, now, now)
            self._tell(New(now, transport, arrival, 1))
            return
        before = line.arrival
        line.arrival, line.count, line.at = arrival, line.count + 1, now
        if not _same(before, arrival):
            line.changed, line.changes = now, _changes(before, arrival)
            self._tell(New(now, transport, arrival, line.count, line.changes))

    def _deliver(self, report: Report) -> None:
        # That nothing is known when listening ends is no news.
        if self._leaving or self._known.get(report.device) == report.value:
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
        link = supervisor.status()
        if self._news_of_links.has(link):
            self._tell(LinkChanged(asyncio.get_running_loop().time(), link))

    def _tell(self, news: News) -> None:
        if len(self._news) >= _WAITING:
            self._news.popleft()
            self._missed += 1
        self._news.append(news)
        self._something.set()


def _same(one: Arrival, other: Arrival) -> bool:
    return (one.content, one.meanings, one.reason) == (other.content, other.meanings, other.reason)


_NOTHING = object()


def _changes(one: Arrival, other: Arrival) -> tuple[str, ...]:
    return tuple(
        name for name, value in other.values.items() if one.values.get(name, _NOTHING) != value
    )
