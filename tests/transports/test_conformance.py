"""The conformance suite itself: a transport that breaks a promise is found out."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

import pytest

from signalling.errors import LinkError
from signalling.layout.words import Device, Order, Report
from tests.transports.test_loopback import BenchInHand
from transports.conformance import ConformanceError, check_lossy_transport, check_transport
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.transport import BoundDevice, Sink, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable


class DeafAfterSecondOpening(LoopbackTransport):
    openings = 0

    async def open(self, sink: Sink) -> None:
        self.openings += 1
        await super().open(sink if self.openings == 1 else lambda _: None)


class StillTalksAfterClosing(LoopbackTransport):
    sinks: tuple[Sink, ...] = ()

    async def open(self, sink: Sink) -> None:
        self.sinks += (sink,)

        def to_all(report: Report) -> None:
            for each in self.sinks:
                each(report)

        await super().open(to_all)


class SaysNothingOfAnAbsentPeer(LoopbackTransport):
    async def open(self, sink: Sink) -> None:
        with contextlib.suppress(LinkError):
            await super().open(sink)


class SwallowsOrdersWhenClosed(LoopbackTransport):
    async def send(self, orders: Iterable[Order]) -> None:
        with contextlib.suppress(LinkError):
            await super().send(orders)


class SendsBackwards(LoopbackTransport):
    held: tuple[Order, ...] = ()

    async def send(self, orders: Iterable[Order]) -> None:
        orders = tuple(orders)
        await super().send(orders + self.held)
        self.held = orders


class DoesNotNotice(LoopbackTransport):
    async def wait_lost(self) -> None:
        await asyncio.Event().wait()


class AlwaysLost(LoopbackTransport):
    async def wait_lost(self) -> None:
        return


class LeavesATaskBehind(LoopbackTransport):
    async def open(self, sink: Sink) -> None:
        self.task = asyncio.create_task(asyncio.sleep(3600), name="left behind")
        await super().open(sink)


class DoesNotCount(LoopbackTransport):
    async def send(self, orders: Iterable[Order]) -> None:
        orders = tuple(orders)
        await super().send(orders)
        self.counters.sent -= len(orders)


class LosesSomeValues(LoopbackTransport):
    async def open(self, sink: Sink) -> None:
        await super().open(lambda report: report.value == "moving" or sink(report))


class InventsDevices(LoopbackTransport):
    async def open(self, sink: Sink) -> None:
        await super().open(sink)
        sink(Report(Device("detector", "d9"), "clear"))


class ForgetsAMember(LoopbackTransport):
    def __getattribute__(self, name: str) -> Any:
        if name == "wait_lost":
            raise AttributeError(name)
        return super().__getattribute__(name)


class NoticesOnlyBySending(LoopbackTransport):
    """Believes in the other end as long as nothing is to be sent."""

    def __init__(self, settings: TransportSettings, bench: LoopbackBench) -> None:
        super().__init__(settings, bench)
        self._lost_after = 3600.0


class NeverFails(NoticesOnlyBySending):
    """Neither blocks nor fails while the other end is frozen."""

    async def send(self, orders: Iterable[Order]) -> None:
        if not self.bench.frozen:
            await super().send(orders)


BROKEN: list[tuple[type[LoopbackTransport], str]] = [
    (DeafAfterSecondOpening, "after opening again"),
    (StillTalksAfterClosing, "earlier opening"),
    (SaysNothingOfAnAbsentPeer, "without the other end"),
    (SwallowsOrdersWhenClosed, "raises LinkError"),
    (SendsBackwards, "in their order"),
    (DoesNotNotice, "wait_lost returns"),
    (AlwaysLost, "does not return while"),
    (LeavesATaskBehind, "leaves no tasks behind"),
    (DoesNotCount, "is counted"),
    (LosesSomeValues, "'moving'"),
    (InventsDevices, "only devices that report"),
    (ForgetsAMember, "missing: .*wait_lost"),
    (NeverFails, "does not answer is lost"),
    (NoticesOnlyBySending, "though nothing is sent"),
]


@pytest.mark.parametrize(("kind", "sentence"), BROKEN, ids=[kind.__name__ for kind, _ in BROKEN])
async def test_a_broken_promise_is_found(kind: type[LoopbackTransport], sentence: str) -> None:
    made: list[LoopbackTransport] = []

    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[LoopbackTransport, BenchInHand]]:
        in_hand = BenchInHand()
        settings = TransportSettings(name="bench", options={}, devices=devices)
        made.append(kind(settings, in_hand.bench))
        yield made[-1], in_hand

    try:
        with pytest.raises(ConformanceError, match=sentence):
            await check_transport(make)
    finally:
        for transport in made:
            if isinstance(transport, LeavesATaskBehind) and hasattr(transport, "task"):
                transport.task.cancel()


async def test_tasks_of_the_far_end_are_not_laid_at_the_transports_door() -> None:
    with_tasks: list[asyncio.Task[None]] = []

    class Busy(BenchInHand):
        async def report(self, device: Device, value: str) -> None:
            with_tasks.append(asyncio.create_task(asyncio.sleep(3600)))
            await super().report(device, value)

    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[LoopbackTransport, BenchInHand]]:
        in_hand = Busy()
        settings = TransportSettings(name="bench", options={}, devices=devices)
        yield LoopbackTransport(settings, in_hand.bench), in_hand
        for task in with_tasks:
            task.cancel()

    await check_transport(make)
    assert with_tasks


class BelievesLateReports(BenchInHand):
    """A far end whose reports may undo newer ones."""

    def __init__(self) -> None:
        super().__init__()
        self.late: list[tuple[Device, str]] = []

    async def report(self, device: Device, value: str) -> None:
        await super().report(device, value)
        if self.troubled:
            self.late.append((device, value))

    troubled = False

    async def trouble(self, kind: str) -> None:
        self.troubled = kind == "reorder"

    async def calm(self) -> None:
        if self.troubled:
            self.troubled = False
            for device, value in self.late:
                asyncio.get_running_loop().call_later(0.5, self.bench.report, device, value)


async def test_a_late_report_that_undoes_a_newer_one_is_found() -> None:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[LoopbackTransport, BenchInHand]]:
        in_hand = BelievesLateReports()
        settings = TransportSettings(name="bench", options={}, devices=devices)
        yield LoopbackTransport(settings, in_hand.bench), in_hand

    with pytest.raises(ConformanceError, match="undoes a newer report"):
        await check_lossy_transport(make)
