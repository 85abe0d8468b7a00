"""Keeps one link going: what every transport needs, written once.

Law of this file: policy, and no wire. Opening for ever with a growing pause,
noticing loss, calling everything unknown that the link carried, freshness,
sending the latest orders and sending them again: all are here, and the same
for each transport. A transport decides nothing of this.

An absent or lost link is never an error of the program: it is tried again, for
ever, and shown. Only a wrong configuration and a programming error end it.
"""

from __future__ import annotations

import asyncio
import logging
import math
import random
from typing import TYPE_CHECKING

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import Device, Order, Report
from transports.asking import Asking
from transports.freshness import Freshness
from transports.link import Heard, LinkState, LinkStatus, Timing
from transports.requests import CarriesRequests
from transports.slots import OrderSlots
from transports.texts import Texts

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Container, Iterable

    from transports.transport import BoundDevice, Reach, Sink, Transport

__all__ = ["Supervisor"]

logger = logging.getLogger(__name__)

_BATCH = 32
"""Orders handed over at once, so that a new order to danger never waits for a long batch."""

_FINEST_TICK = 0.02
"""Seconds between two refreshes at the least."""


class Supervisor:
    """Keeps one transport's link: ``run`` it as a task, cancel the task to shut down.

    ``deliver`` gets the reports, on the loop's thread, and must not raise.
    ``changed`` is called whenever the link's state has changed, or to which
    devices orders get through.
    ``requested`` is called when requests wait in ``asking``; without it, none
    are taken. With it, the transport must be able to carry them.
    ``jitter`` gives a number from 0 to 1, by which pauses are spread.
    """

    def __init__(
        self,
        transport: Transport,
        devices: Iterable[BoundDevice],
        *,
        deliver: Sink,
        timing: Timing | None = None,
        changed: Callable[[Supervisor], None] | None = None,
        requested: Callable[[], None] | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        devices = tuple(devices)
        self.name = transport.name
        self.transport = transport
        self.timing = timing or Timing()
        self.state = LinkState.CLOSED
        self.error = ""
        self.unreached: frozenset[Device] = frozenset()
        """Devices to which orders do not get through, as far as the transport says so."""
        self._since = 0.0
        self._deliver = deliver
        self._changed = changed
        self._jitter = jitter
        self._slots = OrderSlots(devices)
        self._values: dict[Device, Container[str]] = {
            bound.device: Texts(bound.reports) if bound.texts else frozenset(bound.reports)
            for bound in devices
        }
        self._heard = {bound.device: Heard(None, None) for bound in devices if bound.reports}
        self._freshness = Freshness(
            {bound.device: bound.fresh for bound in devices if bound.fresh is not None}
        )
        self._opening = 0
        self._failures = 0
        self._wake = asyncio.Event()
        self._send_now: Callable[[Iterable[Order]], None] | None
        self._send_now = getattr(transport, "send_now", None)
        self._ordered = frozenset(bound.device for bound in devices if bound.orders)
        watch_reach: Callable[[Reach], None] | None = getattr(transport, "watch_reach", None)
        if watch_reach is not None:
            watch_reach(self._take_reach)
        self.asking: Asking | None = None
        """What is asked over the link, where it is asked for."""
        if requested is not None and isinstance(transport, CarriesRequests):
            self.asking = Asking(
                transport,
                transport.counters.rejected,
                up=lambda: self.state is LinkState.UP,
                requested=requested,
            )
        self._overdue_timer: asyncio.TimerHandle | None = None
        self._refresh_timer: asyncio.TimerHandle | None = None

    # -- what the controller asks and tells

    def post(self, orders: Iterable[Order]) -> None:
        """Take the latest orders, of which those for other links are passed over."""
        self._slots.post(orders)
        if self._slots.waiting:
            self._hurry()

    @property
    def restrictive(self) -> tuple[Order, ...]:
        """The most restrictive order of each device that has one, most urgent first."""
        return self._slots.restrictive()

    def restrict(self) -> None:
        """Send the most restrictive order to every device, and take no orders any more."""
        self._slots.seal()
        self._wake.set()

    def status(self) -> LinkStatus:
        """Return the link as it stands."""
        return LinkStatus(
            name=self.name,
            state=self.state,
            since=self._since,
            error=self.error,
            failures=self._failures,
            waiting=self._slots.waiting,
            counters=self.transport.counters,
            heard=dict(self._heard),
            unreached=self.unreached,
        )

    def check_fresh(self, now: float) -> None:
        """Call unknown whatever has fallen overdue by ``now``, the loop's time.

        A timer does so too; call this before believing any report, so that a
        loop that was held up cannot act on what is overdue.
        """
        for device in self._freshness.overdue(now):
            self._say_unknown(device)

    async def run(self) -> None:
        """Keep the link until cancelled; then send the last orders, all restrictive, and close.

        Raises ``ConfigurationError`` where the transport finds that it was set
        up wrongly. Cancelling it takes at most twice ``timing.farewell``.
        """
        try:
            while True:
                reason = await self._open()
                if reason is None:
                    reason = await self._serve()
                await self._lose(reason)
                await asyncio.sleep(self._pause())
        except asyncio.CancelledError:
            if self.state is LinkState.UP:
                await self._say_farewell()
            raise
        finally:
            self._all_unknown()
            await self._close()
            self._set_state(LinkState.CLOSED)

    def _hurry(self) -> None:
        """Send what waits: at once where the transport can, else by the task that sends."""
        if self._send_now is None or self.state is not LinkState.UP:
            self._wake.set()
            return
        try:
            while self._slots.waiting:
                self._send_now(self._slots.take(_BATCH))
        except Exception:  # noqa: BLE001 - the task finds out what it is, and tells it
            self._slots.link_lost()
            self._wake.set()

    # -- the life of a link

    async def _open(self) -> str | None:
        """Try once to bring the link up; return why not, or ``None``."""
        self._opening += 1
        self._set_state(LinkState.OPENING)
        return await self._try("opening", self.transport.open(self._sink()), self.timing.open)

    async def _serve(self) -> str:
        """Send orders until the link is lost; return why."""
        counters = self.transport.counters
        counters.opened += 1
        self.error = ""
        self._set_state(LinkState.UP)
        logger.info("%s: the link is up", self.name)
        up_since = self._since
        self._slots.link_lost()
        self._wake.set()
        self._arm_refresh()
        tasks = {
            asyncio.create_task(self._watch(), name=f"{self.name}: watch the link"),
            asyncio.create_task(self._write(), name=f"{self.name}: send orders"),
        }
        if self.asking is not None:
            # Beside the orders, which wait for no answer to a request.
            telling = self._tell(self.asking)
            tasks.add(asyncio.create_task(telling, name=f"{self.name}: tell answers"))
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            if self._refresh_timer is not None:
                self._refresh_timer.cancel()
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        counters.lost += 1
        if asyncio.get_running_loop().time() - up_since >= self.timing.steady:
            self._failures = 0
        return " and ".join(sorted(task.result() for task in done))

    async def _watch(self) -> str:
        """Wait until the transport says that the link has gone; return why."""
        reason = await self._try("watching", self.transport.wait_lost())
        return reason or "the other end has gone"

    async def _write(self) -> str:
        """Send what must go out, until sending fails; return why."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            while orders := self._slots.take(_BATCH):
                reason = await self._try("sending", self.transport.send(orders), self.timing.send)
                if reason is not None:
                    return reason

    async def _tell(self, asking: Asking) -> str:
        """Tell what becomes of requests, until that fails; return why."""
        while True:
            await asking.untold()
            reason = await self._try("answering", asking.tell(), self.timing.send)
            if reason is not None:
                return reason

    async def _lose(self, reason: str) -> None:
        """Call everything unknown that the link carried, at once; then tidy up."""
        if reason != self.error:
            logger.warning("%s: no link: %s; it will be tried again", self.name, reason)
        self.error = reason
        self._failures += 1
        self._opening += 1
        self._set_state(LinkState.LOST)
        self._all_unknown()
        await self._close()

    async def _say_farewell(self) -> None:
        """Send the most restrictive orders, within a bounded time."""
        self._slots.seal()
        orders = self._slots.restrictive()
        reason = await self._try("farewell", self._last_words(orders), self.timing.farewell)
        if reason is not None:
            logger.warning("%s: the last orders could not be sent: %s", self.name, reason)

    async def _last_words(self, orders: Iterable[Order]) -> None:
        await self.transport.send(orders)
        if self.asking is not None:
            await self.asking.tell_all()

    async def _close(self) -> None:
        reason = await self._try("closing", self.transport.close(), self.timing.farewell)
        if reason is not None:
            logger.warning("%s: the link was not closed in order: %s", self.name, reason)

    async def _try(
        self, doing: str, action: Awaitable[None], within: float | None = None
    ) -> str | None:
        """Do one thing with the transport; return why it failed, or ``None``.

        Raises ``ConfigurationError`` and nothing else. A programming error in
        one transport is logged in full and otherwise treated as a lost link:
        it must not end the links of the others, nor pass in silence.
        """
        try:
            async with asyncio.timeout(within):
                await action
        except LinkError as error:
            return str(error)
        except TimeoutError:
            return f"{doing} took too long" + ("" if within is None else f" (over {within:g} s)")
        except ConfigurationError:
            raise
        except Exception as error:
            logger.exception("%s: failed in %s", self.name, doing)
            return f"failed in {doing}: {type(error).__name__}: {error}"
        return None

    def _pause(self) -> float:
        """Return the seconds until the next attempt."""
        timing = self.timing
        longest = min(timing.longest_pause, timing.first_pause * 2.0 ** min(self._failures - 1, 30))
        return longest * (0.5 + 0.5 * self._jitter())

    def _set_state(self, state: LinkState) -> None:
        self.state = state
        self._since = asyncio.get_running_loop().time()
        if self._changed is not None:
            self._changed(self)

    def _take_reach(self, unreached: frozenset[Device]) -> None:
        """Take to which devices orders do not get through."""
        unreached &= self._ordered
        if unreached != self.unreached:
            self.unreached = unreached
            if self._changed is not None and self.state is LinkState.UP:
                self._changed(self)

    # -- reports

    def _sink(self) -> Sink:
        """Return where this opening delivers; what comes after its end is dropped."""
        opening = self._opening

        def sink(report: Report) -> None:
            if opening == self._opening:
                self._take(report)

        return sink

    def _take(self, report: Report) -> None:
        device, value = report.device, report.value
        rejected = self.transport.counters.rejected
        if device not in self._heard:
            rejected["unknown-device"] += 1
            return
        if value is None:
            self._say_unknown(device)
            return
        if value not in self._values[device]:
            rejected["unknown-value"] += 1
            self._say_unknown(device)
            return
        self.transport.counters.received += 1
        now = asyncio.get_running_loop().time()
        self._heard[device] = Heard(value, now)
        self._freshness.heard(device, now)
        if self._overdue_timer is None:
            self._arm_overdue()
        self._deliver(report)

    def _say_unknown(self, device: Device) -> None:
        self._freshness.forget(device)
        self._heard[device] = Heard(None, self._heard[device].at)
        self._deliver(Report(device, None))

    def _all_unknown(self) -> None:
        self._freshness.clear()
        if self._overdue_timer is not None:
            self._overdue_timer.cancel()
            self._overdue_timer = None
        for device, heard in self._heard.items():
            if heard.value is not None:
                self._heard[device] = Heard(None, heard.at)
                self._deliver(Report(device, None))

    def _arm_overdue(self) -> None:
        deadline = self._freshness.next_deadline
        if deadline is not None:
            loop = asyncio.get_running_loop()
            # Timers may fire a little early; a later one is then armed.
            self._overdue_timer = loop.call_at(max(deadline, loop.time() + 1e-6), self._look)

    def _look(self) -> None:
        self._overdue_timer = None
        self.check_fresh(asyncio.get_running_loop().time())
        self._arm_overdue()

    # -- refresh

    def _arm_refresh(self) -> None:
        """Spread the refresh of all orders over the period."""
        count = len(self._slots)
        if not count:
            return
        period = self.timing.refresh
        tick = min(max(period / count, _FINEST_TICK), self.timing.silence, period)
        share = math.ceil(count * tick / period)
        self._refresh_timer = asyncio.get_running_loop().call_later(tick, self._refresh, share)

    def _refresh(self, share: int) -> None:
        self._slots.refresh(share)
        self._hurry()
        self._arm_refresh()
