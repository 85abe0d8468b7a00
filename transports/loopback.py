"""The reference transport: a far end in this process, without any wire.

Law of this file: it keeps the protocol to the letter and invents no device.
``LoopbackBench`` is the far end: a simulator, a demonstration or a test says
reports there and reads orders. On request the bench does to its messages what
real links do: cuts, freezes, delays, drops, repeats and reorders them. Each
message carries a number, so that what comes late or twice is found out and
rejected at either end, as a bus of our own would.
"""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Hashable
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.asking import Answer, Asked
from signalling.layout.words import Device, Order, Report
from transports.link import SUPERVISED_OPTIONS, Timing
from transports.slots import restrictive_order
from transports.transport import LinkCounters, nobody_asks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from transports.requests import RequestSink
    from transports.transport import Reach, Sink, TransportSettings

__all__ = ["LoopbackBench", "LoopbackTransport"]

_THINGS = 10_000
"""Devices and requests of which the number of the newest message is remembered."""
_ANSWERS = 1000
"""Answers that a bench remembers."""

Message = TypeVar("Message", Report, Order, Asked, Answer)


class LoopbackTransport:
    """A transport whose far end is a ``LoopbackBench``; its own, where none is given.

    In a layout file: ``kind = "loopback"``, without further options and with
    nothing in its bindings.
    """

    def __init__(self, settings: TransportSettings, bench: LoopbackBench | None = None) -> None:
        unknown = sorted(set(settings.options) - set(SUPERVISED_OPTIONS))
        if unknown:
            raise ConfigurationError(
                f"transport {settings.name}",
                f"The kind 'loopback' has no option {', '.join(unknown)}.",
                f"It takes {', '.join(SUPERVISED_OPTIONS)} only.",
            )
        self.name = settings.name
        self.counters = LinkCounters()
        self.bench = LoopbackBench() if bench is None else bench
        self._devices = frozenset(bound.device for bound in settings.devices if bound.reports)
        self._lost_after = Timing.from_options(settings.name, settings.options).lost_after
        self._line: _Line | None = None
        self._reach: Reach = nobody_asks
        self._request_sink: RequestSink | None = None

    def watch_reach(self, reach: Reach) -> None:
        """Say from now on to which devices orders do not get through."""
        self._reach = reach

    async def open(self, sink: Sink) -> None:
        """Join the bench, which then says the state of each of its devices."""
        await self.close()
        line = _Line(
            self.bench,
            self._devices,
            sink,
            self.counters,
            lost_after=self._lost_after,
            reach=self._reach,
            requests=self._request_sink,
        )
        await self.bench.join(line)
        self._line = line

    async def wait_lost(self) -> None:
        """Return when the bench has been cut off, or frozen for too long."""
        if self._line is not None:
            await self._line.lost.wait()

    async def send(self, orders: Iterable[Order]) -> None:
        """Hand orders to the bench; wait while it is frozen."""
        if self._line is None:
            raise LinkError(f"{self.name}: the link is not open")
        for order in orders:
            await self._line.carry(order)
            self.counters.sent += 1

    def take_requests(self, sink: RequestSink) -> None:
        """Deliver requests that are made at the bench from the next opening on."""
        self._request_sink = sink

    async def tell(self, answers: Iterable[Answer]) -> None:
        """Tell the bench what became of requests; wait while it is frozen."""
        if self._line is None:
            raise LinkError(f"{self.name}: the link is not open")
        for answer in answers:
            await self._line.tell(answer)

    async def close(self) -> None:
        """Leave the bench; what is under way is lost."""
        if self._line is not None:
            self.bench.leave(self._line)
            self._line = None


class LoopbackBench:
    """The far end of loopback transports: the hardware, as a program.

    Give it as the maker of a transport: ``Controller(layout, bench)``. Devices
    keep the state that was last said of them and say it again when a link
    opens. Nothing here waits; all of it is to be called on the loop's thread.

    ``on_order`` is called with each order that arrives, after it was recorded.
    """

    def __init__(self, on_order: Callable[[Order], None] | None = None) -> None:
        self.on_order = on_order
        self.orders: dict[Device, str] = {}
        """The order of each device that arrived last."""
        self.answers: deque[Answer] = deque(maxlen=_ANSWERS)
        """What was told of requests, the newest last."""
        self.rejected: Counter[str] = Counter()
        """Orders and answers that were turned away, by reason."""
        self._state: dict[Device, str] = {}
        self._unreached: frozenset[Device] = frozenset()
        self._lines: list[_Line] = []
        self._delay = 0.0
        self._cut = False
        self._thawed = asyncio.Event()
        self._thawed.set()
        self._trouble: Counter[str] = Counter()

    def __call__(self, settings: TransportSettings) -> LoopbackTransport:
        """Return a transport with these settings, whose far end is this bench."""
        return LoopbackTransport(settings, self)

    @property
    def state(self) -> Mapping[Device, str]:
        """What each device was last said to be."""
        return self._state

    def report(self, device: Device, value: str | None) -> None:
        """Let a device say something; ``None`` means that it is no longer known."""
        if value is None:
            self._state.pop(device, None)
        else:
            self._state[device] = value
        for line in self._lines:
            line.report(Report(device, value))

    def ask(self, text: str, name: str, by: str = "") -> None:
        """Let somebody make a request: what is asked for, the request's name, and who asks."""
        now = asyncio.get_running_loop().time()
        for line in self._lines:
            line.ask(Asked(id=name, by=by, text=text, at=now))

    # -- trouble, on request

    def unreach(self, *devices: Device) -> None:
        """Let orders get through to all devices but these, which go to danger and say so.

        As nodes do that no longer hear anything, and still are heard.
        """
        self._unreached = frozenset(devices)
        for device in devices:
            order = restrictive_order(device)
            if order is not None:
                self._record(order)
        for line in self._lines:
            line.reach(self._unreached)

    def cut(self) -> None:
        """Cut every link, and let none be opened."""
        self._cut = True
        for line in self._lines:
            line.break_off()
        self._lines.clear()

    def mend(self) -> None:
        """Let links be opened again."""
        self._cut = False

    def freeze(self) -> None:
        """Neither take nor deliver anything, and not say so; links find it out in their time."""
        self._thawed.clear()
        for line in self._lines:
            line.freeze()

    def thaw(self) -> None:
        """Go on; what waited on a link that is still open then arrives."""
        self._thawed.set()
        for line in self._lines:
            line.thaw()

    def delay(self, seconds: float) -> None:
        """Let every message from now on take so long."""
        self._delay = seconds

    def drop(self, messages: int) -> None:
        """Lose the next messages, of either direction."""
        self._trouble["drop"] += messages

    def duplicate(self, messages: int) -> None:
        """Let each of the next messages arrive twice."""
        self._trouble["duplicate"] += messages

    def reorder(self, messages: int) -> None:
        """Let each of the next messages arrive after the one that follows it."""
        self._trouble["reorder"] += messages

    def calm(self) -> None:
        """End all trouble with messages."""
        self._delay = 0.0
        self._trouble.clear()

    # -- for the transport

    async def join(self, line: _Line) -> None:
        """Open a line; raises ``LinkError`` while the bench is cut off."""
        if self._cut:
            raise LinkError("the bench is cut off")
        await self._thawed.wait()
        if self._cut:
            raise LinkError("the bench was cut off")
        self._lines.append(line)
        line.reach(self._unreached)
        for device, value in self._state.items():
            line.report(Report(device, value))

    async def take(self) -> None:
        """Wait until the bench takes messages again."""
        await self._thawed.wait()

    @property
    def frozen(self) -> bool:
        """Whether the bench neither takes nor delivers anything."""
        return not self._thawed.is_set()

    @property
    def delayed(self) -> float:
        """Seconds that a message takes."""
        return self._delay

    def troubled(self, kind: str) -> bool:
        """Return whether this trouble befalls the present message, and count it."""
        if not self._trouble[kind]:
            return False
        self._trouble[kind] -= 1
        return True

    def arrived(self, order: Order) -> None:
        """Take an order, where orders get through."""
        if order.device not in self._unreached:
            self._record(order)

    def _record(self, order: Order) -> None:
        self.orders[order.device] = order.value
        if self.on_order is not None:
            self.on_order(order)

    def leave(self, line: _Line) -> None:
        """Close a line."""
        line.break_off()
        if line in self._lines:
            self._lines.remove(line)


class _Line:
    """One open link between a transport and a bench."""

    def __init__(
        self,
        bench: LoopbackBench,
        devices: frozenset[Device],
        sink: Sink,
        counters: LinkCounters,
        *,
        lost_after: float,
        reach: Reach,
        requests: RequestSink | None,
    ) -> None:
        self.lost = asyncio.Event()
        self.reach = reach
        self._bench = bench
        self._devices = devices
        self._lost_after = lost_after
        self._frozen: asyncio.TimerHandle | None = None
        self._reports = _Way[Report](bench, sink, counters.rejected, _device)
        self._orders = _Way[Order](bench, bench.arrived, bench.rejected, _device)
        self._requests = (
            None
            if requests is None
            else _Way[Asked](bench, requests, counters.rejected, lambda asked: (asked.by, asked.id))
        )
        self._answers = _Way[Answer](
            bench, bench.answers.append, bench.rejected, lambda each: (each.asked.by, each.asked.id)
        )

    def report(self, report: Report) -> None:
        if report.device in self._devices:
            self._reports.put(report)

    def ask(self, asked: Asked) -> None:
        if self._requests is not None:
            self._requests.put(asked)

    async def carry(self, order: Order) -> None:
        await self._taken()
        self._orders.put(order)

    async def tell(self, answer: Answer) -> None:
        await self._taken()
        self._answers.put(answer)

    async def _taken(self) -> None:
        await self._bench.take()
        if self.lost.is_set():
            raise LinkError("the bench was cut off")

    def freeze(self) -> None:
        if self._frozen is None:
            loop = asyncio.get_running_loop()
            self._frozen = loop.call_later(self._lost_after, self.break_off)

    def thaw(self) -> None:
        self._forget_freeze()
        for way in self._ways:
            way.thaw()

    def _forget_freeze(self) -> None:
        if self._frozen is not None:
            self._frozen.cancel()
            self._frozen = None

    def break_off(self) -> None:
        self._forget_freeze()
        for way in self._ways:
            way.broken = True
        self.lost.set()

    @property
    def _ways(self) -> tuple[_Way[Any], ...]:
        ways = (self._reports, self._orders, self._answers)
        return ways if self._requests is None else (*ways, self._requests)


def _device(message: Report | Order) -> Device:
    return message.device


class _Way(Generic[Message]):
    """One direction of a line: numbers messages, lets trouble befall them, checks them."""

    def __init__(
        self,
        bench: LoopbackBench,
        deliver: Callable[[Message], None],
        rejected: Counter[str],
        about: Callable[[Message], Hashable],
    ) -> None:
        self.broken = False
        self._bench = bench
        self._deliver: Callable[[Message], None] = deliver
        self._rejected = rejected
        self._about: Callable[[Message], Hashable] = about
        self._number = 0
        self._newest: dict[Hashable, int] = {}
        self._overtaken: list[tuple[int, Message]] = []
        self._stuck: dict[Hashable, tuple[int, Message]] = {}

    def put(self, message: Message) -> None:
        """Send a message on its way."""
        self._number += 1
        if self._bench.troubled("drop"):
            return
        copies = [(self._number, message)] * (2 if self._bench.troubled("duplicate") else 1)
        if self._bench.troubled("reorder"):
            self._overtaken += copies
            return
        copies += self._overtaken
        self._overtaken = []
        for number, each in copies:
            if self._bench.delayed:
                loop = asyncio.get_running_loop()
                loop.call_later(self._bench.delayed, self._arrive, number, each)
            else:
                self._arrive(number, each)

    def thaw(self) -> None:
        """Let arrive what got stuck."""
        stuck, self._stuck = self._stuck, {}
        for number, message in stuck.values():
            self._arrive(number, message)

    def _arrive(self, number: int, message: Message) -> None:
        if self.broken:
            return
        about = self._about(message)
        if self._bench.frozen:
            self._stuck[about] = (number, message)
            return
        newest = self._newest.get(about, 0)
        if number <= newest:
            self._rejected["repeated" if number == newest else "late"] += 1
            return
        self._newest[about] = number
        if len(self._newest) > _THINGS:
            del self._newest[next(iter(self._newest))]
        self._deliver(message)
