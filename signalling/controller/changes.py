"""What changed, for those who watch: pages, scripts, commands.

Law of this file: a watcher can be as slow as it likes and never holds anything
up, nor does anything pile up for it: of each device and link only the latest is
kept, and the watcher is told that steps between were passed over.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from attrs import frozen

from signalling.core.words import Alarm, TakeOut
from signalling.describe.words import NameStep
from signalling.layout.asking import Answer
from signalling.layout.words import Device, Order, Report
from transports.link import LinkState, LinkStatus

__all__ = ["Change", "LinkNews", "Watcher"]

_ANSWERS = 1000
"""Answers that wait for a slow watcher; of more, the oldest are lost."""


@frozen(kw_only=True)
class Change:
    """What has changed since the change before."""

    at: float
    """The loop's time of the last of it, in seconds."""
    reports: tuple[Report, ...] = ()
    """Devices that said something, or became unknown."""
    orders: tuple[Order, ...] = ()
    """Devices that were told something else."""
    links: tuple[LinkStatus, ...] = ()
    """Links whose state changed."""
    alarms: tuple[Alarm, ...] = ()
    """Every alarm that there is now."""
    out_of_use: tuple[TakeOut, ...] = ()
    """Everything that is out of use now, by whom, why and since when."""
    answers: tuple[Answer, ...] = ()
    """What has become of requests that were made over links and with buttons."""
    names: tuple[NameStep, ...] = ()
    """What has happened to names of trains; of each name, the latest."""
    resync: bool = False
    """Whether this is a state rather than a step: the first change, which has
    everything, or one before which others were passed over."""


class Watcher:
    """One subscription: an asynchronous iterator of changes, which ends with the controller."""

    def __init__(self) -> None:
        self._at = 0.0
        self._reports: dict[Device, Report] = {}
        self._orders: dict[Device, Order] = {}
        self._links: dict[str, LinkStatus] = {}
        self._answers: dict[tuple[str, str], Answer] = {}
        self._names: dict[str, NameStep] = {}
        self._alarms: tuple[Alarm, ...] = ()
        self._out_of_use: tuple[TakeOut, ...] = ()
        self._resync = True
        self._closed = False
        self._something = asyncio.Event()

    def put(
        self,
        at: float,
        *,
        reports: Iterable[Report] = (),
        orders: Iterable[Order] = (),
        links: Iterable[LinkStatus] = (),
        alarms: tuple[Alarm, ...] = (),
        out_of_use: tuple[TakeOut, ...] = (),
        answers: Iterable[Answer] = (),
        names: Iterable[NameStep] = (),
    ) -> None:
        """Add to what the watcher will be told."""
        if self._something.is_set():
            self._resync = True
        self._at = at
        self._reports.update((report.device, report) for report in reports)
        self._orders.update((order.device, order) for order in orders)
        self._links.update((link.name, link) for link in links)
        self._alarms = alarms
        self._out_of_use = out_of_use
        self._answers.update(((each.asked.by, each.asked.id), each) for each in answers)
        while len(self._answers) > _ANSWERS:
            del self._answers[next(iter(self._answers))]
        self._names.update((step.train, step) for step in names)
        self._something.set()

    def close(self) -> None:
        """End the subscription, once what there is has been told."""
        self._closed = True
        self._something.set()

    def __aiter__(self) -> Watcher:
        return self

    async def __anext__(self) -> Change:
        await self._something.wait()
        news = (self._reports, self._orders, self._links, self._answers, self._names)
        if self._closed and not any(news):
            raise StopAsyncIteration
        change = Change(
            at=self._at,
            reports=tuple(self._reports.values()),
            orders=tuple(self._orders.values()),
            links=tuple(self._links.values()),
            alarms=self._alarms,
            out_of_use=self._out_of_use,
            answers=tuple(self._answers.values()),
            names=tuple(self._names.values()),
            resync=self._resync,
        )
        self._reports, self._orders, self._links = {}, {}, {}
        self._answers, self._names = {}, {}
        self._resync = False
        if not self._closed:
            self._something.clear()
        return change


class LinkNews:
    """What of the state of links is new to people, who need not hear of each try of one."""

    def __init__(self) -> None:
        self._lost: dict[str, str] = {}

    def has(self, link: LinkStatus) -> bool:
        """Return whether it is new that a link stands so. To be asked of each state in turn."""
        match link.state:
            case LinkState.OPENING:
                return link.name not in self._lost
            case LinkState.LOST:
                known, self._lost[link.name] = self._lost.get(link.name), link.error
                return known != link.error
            case _:
                self._lost.pop(link.name, None)
                return True
