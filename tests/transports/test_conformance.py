"""The conformance suite itself: a transport that breaks a promise is found out."""

from __future__ import annotations

import asyncio
import contextlib
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from attrs import evolve

from signalling.errors import LinkError
from signalling.layout.asking import Outcome, Stage
from signalling.layout.words import Device, Order, Report
from tests.transports.test_loopback import BenchInHand
from transports.conformance import ConformanceError, check_lossy_transport, check_transport
from transports.conformance_requests import check_requests
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.transport import BoundDevice, Sink, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable

    from transports.requests import Answer, Asked, RequestSink


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


class HearsNoRequest(LoopbackTransport):
    def take_requests(self, _sink: RequestSink) -> None:
        super().take_requests(lambda _: None)


class ChangesRequests(LoopbackTransport):
    def take_requests(self, sink: RequestSink) -> None:
        super().take_requests(lambda asked: sink(evolve(asked, text="free all")))


class NamesAllRequestsAnew(LoopbackTransport):
    count = 0

    def take_requests(self, sink: RequestSink) -> None:
        def take(asked: Asked) -> None:
            self.count += 1
            sink(evolve(asked, id=str(self.count)))

        super().take_requests(take)


class TellsNothing(LoopbackTransport):
    async def tell(self, answers: Iterable[Answer]) -> None:
        pass


class TellsTheEndFirst(LoopbackTransport):
    async def tell(self, answers: Iterable[Answer]) -> None:
        for answer in answers:
            await super().tell([evolve(answer, outcome=Outcome(Stage.SET)), answer])


class AsksAgainWithEachOpening(LoopbackTransport):
    asked: tuple[Asked, ...] = ()

    def take_requests(self, sink: RequestSink) -> None:
        self.anew = sink

        def take(asked: Asked) -> None:
            self.asked += (evolve(asked, id=f"{asked.id} again"),)
            sink(asked)

        super().take_requests(take)

    async def open(self, sink: Sink) -> None:
        await super().open(sink)
        for asked in self.asked:
            asyncio.get_running_loop().call_soon(self.anew, asked)


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        (HearsNoRequest, "request way-1 arrives"),
        (ChangesRequests, "request way-1 arrives"),
        (NamesAllRequestsAnew, "that it was taken is told|not another one"),
        (TellsNothing, "that it was taken is told"),
        (TellsTheEndFirst, "that it was taken is told"),
        (AsksAgainWithEachOpening, "nothing is asked again"),
    ],
)
async def test_a_broken_promise_of_one_that_carries_requests_is_found(
    kind: type[LoopbackTransport], sentence: str
) -> None:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[LoopbackTransport, BenchInHand]]:
        in_hand = BenchInHand()
        settings = TransportSettings(name="bench", options={}, devices=devices)
        yield kind(settings, in_hand.bench), in_hand

    with pytest.raises(ConformanceError, match=sentence):
        await check_requests(make)


async def test_one_that_carries_no_requests_is_told_so() -> None:
    @contextlib.asynccontextmanager
    async def make(
        devices: tuple[BoundDevice, ...],
    ) -> AsyncIterator[tuple[Any, BenchInHand]]:
        in_hand = BenchInHand()
        settings = TransportSettings(name="bench", options={}, devices=devices)
        transport = LoopbackTransport(settings, in_hand.bench)
        bare = SimpleNamespace(
            **{
                name: getattr(transport, name)
                for name in ("name", "counters", "open", "wait_lost", "send", "close")
            }
        )
        yield bare, in_hand

    with pytest.raises(ConformanceError, match="take_requests and tell"):
        await check_requests(make)


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
