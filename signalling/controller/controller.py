"""The controller: links on one side, the interlocking on the other.

Law of this file: no rule of signalling and no wire. Reports that arrive in one
pass of the loop are observed as one instant, timers run when the interlocking
asks for it, orders go to the links that carry their devices. It starts with
everything at danger, since nothing has been reported; it ends, in whatever
way, with everything at danger, since the links' last orders are restrictive.
An error within the interlocking ends it at once, in the same way.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import os
from pathlib import Path
from typing import TYPE_CHECKING, Self
from weakref import WeakSet

from attrs import evolve, frozen

from signalling.controller.asks import Ask, Asks, Hear, Waits
from signalling.controller.changes import Watcher
from signalling.controller.clock import NANOSECONDS, nanoseconds
from signalling.controller.keep import Keeper, beside, wall_time
from signalling.controller.leaving import leave
from signalling.controller.load import Link, Transports, make_links
from signalling.controller.panel import Panel
from signalling.controller.serving import Serving
from signalling.core.interlocking import Interlocking
from signalling.core.requests import parse_request
from signalling.core.words import (
    Alarm,
    AnyRequest,
    GiveBack,
    NameRequest,
    OutOfReach,
    Refusal,
    TakeOut,
    WithinReach,
)
from signalling.describe.describer import Describer
from signalling.describe.words import NameStep
from signalling.layout.asking import Answer, Outcome, Stage
from signalling.layout.words import Device, Order, Report
from signalling.table.load import load_table
from signalling.table.table import Table
from transports.link import LinkState, LinkStatus
from transports.supervise import Supervisor

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from types import TracebackType

    from transports.transport import Transport

__all__ = ["Controller", "Status"]

_SHOWN = frozenset({"signal", "indicator"})
"""Kinds of devices by which a driver reads a signal."""
_STEP = 1e-6
"""Seconds between two looks at the time, at the least."""

logger = logging.getLogger(__name__)


@frozen(kw_only=True)
class Status:
    """How a controller stands."""

    at: float
    """The loop's time, in seconds."""
    links: tuple[LinkStatus, ...]
    alarms: tuple[Alarm, ...]
    orders: tuple[Order, ...]
    """Every order as it stands, most restrictive first."""
    out_of_use: tuple[TakeOut, ...]
    """What is out of use, by whom, why and since when."""


class Controller:
    """Runs the signalling of one layout, as an asynchronous context manager.

    For example::

        async with Controller("layout.toml") as controller:
            async for change in controller.changes():
                print(change.orders)

    ``layout`` is a layout file or a compiled ``Table``. ``transports`` may give
    makers of transports: a mapping by the names in the layout, or one that
    carries every device, such as a ``LoopbackBench``.

    ``state`` is the file in which it is kept what is out of use, over the end
    of the program; by default ``NAME.out-of-use.json`` beside the layout file,
    and none for a ``Table``. It is read before anything is ordered, and written
    before a request that changes it is answered.

    Making one raises ``UnreadableFileError``, ``LayoutError`` or
    ``ConfigurationError``, also for what is wrong with that file. Entering it
    does not wait for links to come up. Leaving it tells every device its most
    restrictive order, within a bounded time. When the interlocking fails, or a
    transport finds itself wrongly set up, the body is cancelled and the error is
    raised on leaving.
    """

    def __init__(
        self,
        layout: Table | str | os.PathLike[str],
        transports: Transports | None = None,
        *,
        folder: str | os.PathLike[str] | None = None,
        state: str | os.PathLike[str] | None = None,
    ) -> None:
        if isinstance(layout, Table):
            self.table = layout
            folder = folder or "."
        else:
            self.table = load_table(layout)
            folder = folder or Path(layout).parent
            state = state or beside(layout)
        self._links = make_links(self.table, transports, Path(folder))
        self._interlocking = Interlocking(self.table)
        self._keeper = None if state is None else Keeper(Path(state), self.table)
        if self._keeper is not None:
            self._keeper.load(self._interlocking)
        self._describer = Describer(self._interlocking) if self.table.layout.describes else None
        self._asks = Asks(self._interlocking)
        self._waits = Waits(self._interlocking)
        self._serving = Serving(self.ask, self.announce)
        self._panel = Panel(self.table, self._interlocking, self.ask, self.announce)
        self._told_by = {link.transport.name: _told(link) for link in self._links}
        self._out: dict[str, set[str]] = {name: set() for name in self._told_by}
        """By link, the signals of which it cannot tell what they are ordered."""
        self._supervisors: tuple[Supervisor, ...] = ()
        self._pending: dict[Device, Report] = {}
        self._scheduled = False
        self._timer: asyncio.TimerHandle | None = None
        self._alarms: tuple[Alarm, ...] = ()
        self._out_of_use: tuple[TakeOut, ...] = ()
        self._watchers: WeakSet[Watcher] = WeakSet()
        self._group = asyncio.TaskGroup()
        self._tasks: list[asyncio.Task[None]] = []
        self._running = False

    @property
    def interlocking(self) -> Interlocking:
        """The interlocking, to look at."""
        return self._interlocking

    @property
    def describer(self) -> Describer | None:
        """The names of trains, to look at; ``None`` where the layout keeps none."""
        return self._describer

    @property
    def transports(self) -> Mapping[str, Transport]:
        """The transports, by name, to look at."""
        return {link.transport.name: link.transport for link in self._links}

    # -- asking and watching

    def request(self, request: AnyRequest) -> tuple[Order, ...] | Refusal:
        """Ask for something; return the orders that changed for it, or why it is refused.

        Everything that was reported before comes first. Raises
        ``RuntimeError`` while the controller does not run.
        """
        self._look()
        if not self._running:
            raise RuntimeError("the controller is not running")
        try:
            now = nanoseconds(self._now())
            if isinstance(request, NameRequest):
                answer = self._request_name(request, now)
            elif isinstance(request, TakeOut | GiveBack):
                answer = self._change_use(request, now)
            else:
                answer = self._interlocking.request(request, now)
            if isinstance(answer, Refusal):
                # Time may have gone on with it, and changed something.
                self._look()
            else:
                self._distribute(answer, asked=True)
                self._arm()
        except Exception as error:
            self._fail(error)
            raise
        return answer

    def _change_use(self, request: TakeOut | GiveBack, now: int) -> tuple[Order, ...] | Refusal:
        """Take something out of use or back, and keep that it is so.

        What cannot be written is still taken out of use; it is not given back.
        """
        refusal = self._interlocking.why_not(request)
        if refusal is not None:
            return refusal
        if isinstance(request, GiveBack):
            error = self._keep(self._interlocking.out_of_use_without(request))
            if error:
                thing = f"{request.kind} {request.name}".capitalize()
                return Refusal(f"{thing} stays out of use: {error}")
            return self._interlocking.request(request, now)
        orders = self._interlocking.request(evolve(request, since=wall_time()), now)
        error = self._keep(self._interlocking.out_of_use)
        if not error or isinstance(orders, Refusal):
            return orders
        self._distribute(orders, asked=True)
        thing = f"{request.kind} {request.name}".capitalize()
        return Refusal(
            f"{thing} is out of use now, but will not be after the program was ended: {error}"
        )

    def _keep(self, records: tuple[TakeOut, ...]) -> str:
        """Write what is out of use; return what went wrong, with a remedy, or nothing."""
        return "" if self._keeper is None else self._keeper.save(records)

    def _request_name(self, request: NameRequest, now: int) -> tuple[Order, ...] | Refusal:
        if self._describer is None:
            return Refusal(
                "No names of trains are kept here. Write `describer = true` in [layout] to have "
                "them kept."
            )
        return self._describer.request(request, now)

    def ask(self, request: AnyRequest | str, hear: Hear | None = None) -> Ask:
        """Ask for something, and follow what becomes of it.

        A text is a request as people write it, such as ``hold M2``. ``hear`` is
        called with each outcome, the first before this returns. What is
        returned can be awaited until nothing further will become of it.
        Raises ``RuntimeError`` while the controller does not run.
        """
        asked = parse_request(request) if isinstance(request, str) else request
        if not isinstance(asked, Refusal) and self._asks.full:
            asked = Refusal("Too many requests are under way. Ask again when some are done.")
        answer = asked if isinstance(asked, Refusal) else self.request(asked)
        if isinstance(asked, Refusal) or isinstance(answer, Refusal):
            reason = answer.reason if isinstance(answer, Refusal) else ""
            return Ask(Outcome(Stage.REFUSED, reason), hear)
        return self._asks.follow(asked, hear)

    async def until(self, equation: str, *, holds: bool = True) -> None:
        """Wait until a named equation holds, such as ``block d2 occupied``, or does not.

        What holds between two steps of the interlocking is passed over by nobody:
        it is looked at after each. Raises ``KeyError`` when there is none of that
        name, ``RuntimeError`` while the controller does not run; whoever waits
        when it ends is cancelled.
        """
        self._look()
        if not self._running:
            raise RuntimeError("the controller is not running")
        await self._waits.until(equation, holds=holds)

    def announce(self, answer: Answer) -> None:
        """Let those who watch changes know what has become of a request."""
        self._tell_watchers(answers=[answer])

    def changes(self) -> Watcher:
        """Return an iterator of changes, of which the first has everything as it stands."""
        watcher = Watcher()
        status = self.status()
        self._alarms, self._out_of_use = status.alarms, status.out_of_use
        heard = (
            Report(device, each.value)
            for link in status.links
            for device, each in link.heard.items()
        )
        watcher.put(
            status.at,
            reports=heard,
            orders=status.orders,
            links=status.links,
            alarms=status.alarms,
            out_of_use=status.out_of_use,
        )
        if self._running:
            self._watchers.add(watcher)
        else:
            watcher.close()
        return watcher

    def status(self) -> Status:
        """Return how everything stands: links with their counters and ages, alarms, orders."""
        return Status(
            at=self._now(),
            links=tuple(supervisor.status() for supervisor in self._supervisors),
            alarms=self._all_alarms(),
            out_of_use=self._interlocking.out_of_use,
            orders=(
                *self._interlocking.orders(),
                *self._panel.orders,
                *(self._describer.orders() if self._describer is not None else ()),
            ),
        )

    # -- running

    async def __aenter__(self) -> Self:
        if self._supervisors:
            raise RuntimeError("a controller runs once; make a new one")
        self._loop = asyncio.get_running_loop()
        self._failed = self._loop.create_future()
        self._supervisors = tuple(
            Supervisor(
                link.transport,
                link.devices,
                deliver=self._take,
                timing=link.timing,
                changed=self._link_changed,
                requested=self._serving.requested if link.requests else None,
            )
            for link in self._links
        )
        self._serving.serve(zip(self._links, self._supervisors, strict=True))
        for supervisor in self._supervisors:
            self._set_reach(supervisor)
        # What was loaded stays: the collector need not look at it again and again.
        gc.freeze()
        self._running = True
        await self._group.__aenter__()
        self._tasks = [
            self._group.create_task(supervisor.run(), name=f"link {supervisor.name}")
            for supervisor in self._supervisors
        ]
        self._tasks.append(self._group.create_task(self._raise_failure(), name="controller"))
        self._look()
        self._distribute(self._interlocking.orders())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._running = False
        if self._timer is not None:
            self._timer.cancel()
        # Not asked of the interlocking, which may be what has failed.
        last = [order for link in self._supervisors for order in link.restrictive]
        self._serving.end()
        self._panel.end()
        self._asks.end()
        self._waits.end()
        self._tell_watchers(orders=last)
        try:
            await leave(self._group, self._tasks, kind, error, traceback)
        finally:
            for watcher in self._watchers:
                watcher.close()
            gc.unfreeze()

    async def _raise_failure(self) -> None:
        """End everything when the interlocking has failed."""
        await self._failed

    def _fail(self, error: Exception) -> None:
        """Put everything to danger, for good, and let the error end the controller."""
        self._running = False
        logger.critical("the interlocking failed; everything goes to danger", exc_info=error)
        for supervisor in self._supervisors:
            supervisor.restrict()
        if not self._failed.done():
            self._failed.set_exception(error)

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    def _take(self, report: Report) -> None:
        """Take a report from a link; what arrives in one pass of the loop is one instant."""
        known = self._pending.get(report.device)
        if known is not None and known != report:
            # A device that says two things was first the one and then the other.
            self._look()
        self._pending[report.device] = report
        if not self._scheduled:
            self._scheduled = True
            self._loop.call_soon(self._look)

    def _look(self) -> None:
        """Let the interlocking see what has arrived, and that time has passed."""
        self._scheduled = False
        if not self._running:
            return
        now = self._now()
        for supervisor in self._supervisors:
            supervisor.check_fresh(now)
        reports, self._pending = self._pending, {}
        try:
            orders = self._interlocking.observe(reports.values(), nanoseconds(now))
            self._panel.observe(reports.values(), nanoseconds(now))
            self._distribute(orders, reports.values())
            self._arm()
        except Exception as error:  # noqa: BLE001 - whatever it is, everything goes to danger
            self._fail(error)

    def _distribute(
        self,
        orders: tuple[Order, ...],
        reports: Collection[Report] = (),
        *,
        asked: bool = False,
    ) -> None:
        orders = (*orders, *self._panel.changed())
        names: tuple[NameStep, ...] = ()
        if self._describer is not None:
            orders = (*orders, *self._describer.observe(reports, nanoseconds(self._now())))
            names = self._describer.steps()
        if orders:
            for supervisor in self._supervisors:
                supervisor.post(orders)
        self._asks.look(asked=asked)
        self._waits.look()
        if self._watchers:
            known, self._alarms = self._alarms, self._all_alarms()
            used, self._out_of_use = self._out_of_use, self._interlocking.out_of_use
            news = self._alarms != known or self._out_of_use != used
            if orders or reports or names or news:
                self._tell_watchers(orders=orders, reports=reports, names=names)

    def _all_alarms(self) -> tuple[Alarm, ...]:
        alarms = self._interlocking.alarms
        return alarms if self._describer is None else (*alarms, *self._describer.alarms)

    def _link_changed(self, supervisor: Supervisor) -> None:
        if self._running:
            try:
                self._set_reach(supervisor)
                self._arm()
            except Exception as error:  # noqa: BLE001 - whatever it is, everything goes to danger
                self._fail(error)
        self._tell_watchers(links=[supervisor.status()])

    def _set_reach(self, link: Supervisor) -> None:
        """Let the interlocking know which signals a link can tell anything; at first none."""
        told = self._told_by[link.name]
        if link.state is LinkState.UP:
            out = {_signal_of(device) for device in link.unreached if device.kind in _SHOWN}
        else:
            out = set(told)
        before, self._out[link.name] = self._out[link.name], out
        for signal in told:
            if (signal in out) is (signal in before):
                continue
            # Its aspect and its indicator may be on two links.
            lost = any(signal in each for each in self._out.values())
            request = OutOfReach(signal) if lost else WithinReach(signal)
            answer = self._interlocking.request(request, nanoseconds(self._now()))
            if not isinstance(answer, Refusal) and self._running:
                self._distribute(answer)

    def _tell_watchers(
        self,
        *,
        orders: Collection[Order] = (),
        reports: Collection[Report] = (),
        links: Collection[LinkStatus] = (),
        answers: Collection[Answer] = (),
        names: Collection[NameStep] = (),
    ) -> None:
        now = self._now()
        for watcher in self._watchers:
            watcher.put(
                now,
                reports=reports,
                orders=orders,
                links=links,
                alarms=self._alarms,
                out_of_use=self._out_of_use,
                answers=answers,
                names=names,
            )

    def _arm(self) -> None:
        """Set a timer for when the interlocking next needs to see that time has passed."""
        deadlines = (self._interlocking.next_deadline, self._panel.next_deadline)
        deadline = min((each for each in deadlines if each is not None), default=None)
        if deadline is None:
            return
        # Timers may fire a little early: the clock moves on before the next one does.
        when = max(deadline / NANOSECONDS, self._now() + _STEP)
        if self._timer is not None:
            if self._timer.when() <= when:
                return  # It will be set again when it has fired.
            self._timer.cancel()
        self._timer = self._loop.call_at(when, self._time_has_passed)

    def _time_has_passed(self) -> None:
        self._timer = None
        self._look()


def _signal_of(device: Device) -> str:
    """Return the signal that a head or an indicator belongs to."""
    return device.name.partition("/")[0]


def _told(link: Link) -> tuple[str, ...]:
    """Return the signals whose aspects or indicators a link carries."""
    return tuple(
        dict.fromkeys(
            _signal_of(bound.device)
            for bound in link.devices
            if bound.orders and bound.device.kind in _SHOWN
        )
    )
