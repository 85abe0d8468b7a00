from __future__ import annotations

import asyncio
import contextlib
import logging
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import BoundDevice, Device, Order, Report
from transports.link import LinkState, Timing
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.supervise import Supervisor
from transports.transport import Sink, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable

D1, D2 = Device("detector", "d1"), Device("detector", "d2")
M1, S1 = Device("signal", "M1"), Device("stop", "S1")

DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), fresh=10.0),
    BoundDevice(device=D2, reports=("clear", "occupied")),
    BoundDevice(device=M1, orders=("danger", "caution", "clear")),
    BoundDevice(device=S1, orders=("applied", "lifted")),
)
SETTINGS = TransportSettings(name="bench", options={}, devices=DEVICES)


class Rig:
    """A supervisor over a loopback, and what it delivers."""

    def __init__(
        self, kind: type[LoopbackTransport] = LoopbackTransport, timing: Timing | None = None
    ) -> None:
        self.bench = LoopbackBench()
        self.received: list[tuple[float, Order]] = []
        self.bench.on_order = lambda order: self.received.append((self.now, order))
        self.delivered: list[Report] = []
        self.states: list[tuple[float, LinkState]] = []
        self.transport = kind(SETTINGS, self.bench)
        self.supervisor = Supervisor(
            self.transport,
            DEVICES,
            deliver=self.delivered.append,
            timing=timing,
            changed=lambda link: self.states.append((self.now, link.state)),
            jitter=lambda: 1.0,
        )

    @property
    def now(self) -> float:
        return asyncio.get_running_loop().time()

    @property
    def known(self) -> dict[Device, str | None]:
        return {report.device: report.value for report in self.delivered}

    @property
    def error(self) -> str:
        return self.supervisor.status().error

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Rig]:
        task = asyncio.create_task(self.supervisor.run(), name="the link")
        try:
            yield self
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


async def test_an_absent_peer_is_tried_for_ever_with_growing_pauses() -> None:
    rig = Rig()
    rig.bench.cut()
    async with rig.running():
        await asyncio.sleep(100)
        tries = [at for at, state in rig.states if state is LinkState.OPENING]
        pauses = [later - before for before, later in pairwise(tries)]
        assert pauses[:7] == pytest.approx([0.25, 0.5, 1, 2, 3, 3, 3])
        assert rig.supervisor.status().failures == len(tries)
        assert rig.error == "the bench is cut off"
        rig.bench.mend()
        await asyncio.sleep(3)
        assert rig.supervisor.state is LinkState.UP
        assert rig.error == ""


async def test_pauses_are_spread() -> None:
    rig = Rig()
    rig.supervisor._jitter = lambda: 0.0
    rig.bench.cut()
    async with rig.running():
        await asyncio.sleep(0.2)
        tries = [at for at, state in rig.states if state is LinkState.OPENING]
        assert tries[1] - tries[0] == pytest.approx(0.125)


async def test_a_link_that_keeps_going_down_is_tried_less_and_less() -> None:
    class Flaps(LoopbackTransport):
        async def wait_lost(self) -> None:
            await asyncio.sleep(0.01)

    rig = Rig(Flaps)
    async with rig.running():
        await asyncio.sleep(100)
        assert rig.transport.counters.opened < 40


async def test_an_opening_that_hangs_is_given_up_and_tried_again() -> None:
    rig = Rig()
    rig.bench.freeze()
    async with rig.running():
        await asyncio.sleep(5.1)
        assert rig.supervisor.state is LinkState.LOST
        assert "opening took too long (over 5 s)" in rig.error
        rig.bench.thaw()
        await asyncio.sleep(1)
        assert rig.supervisor.state is LinkState.UP


async def test_orders_are_sent_again_within_the_period_and_spread_over_it() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.received.clear()
        await asyncio.sleep(10)
        for device in (M1, S1):
            times = [at for at, order in rig.received if order.device == device]
            gaps = [later - before for before, later in pairwise(times)]
            assert len(times) >= 9
            assert max(gaps) <= 1.0 + 1e-6
        signal = {at for at, order in rig.received if order.device == M1}
        stop = {at for at, order in rig.received if order.device == S1}
        assert not signal & stop


async def test_a_report_that_is_not_repeated_in_time_is_unknown() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.report(D1, "clear")
        rig.bench.report(D2, "clear")
        await asyncio.sleep(9.9)
        assert rig.known == {D1: "clear", D2: "clear"}
        rig.bench.report(D1, "clear")
        await asyncio.sleep(9.9)
        assert rig.known[D1] == "clear"
        await asyncio.sleep(0.2)
        assert rig.known == {D1: None, D2: "clear"}
        rig.bench.report(D1, "occupied")
        await asyncio.sleep(5)
        assert rig.known[D1] == "occupied"
        assert rig.supervisor.status().heard[D1].value == "occupied"


async def test_what_is_overdue_is_unknown_even_before_its_timer_has_fired() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.report(D1, "clear")
        rig.supervisor.check_fresh(rig.now + 10.0)
        assert rig.known[D1] is None


async def test_a_loss_makes_everything_unknown_and_a_return_does_not_bring_it_back() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.report(D1, "clear")
        rig.bench.report(D2, "occupied")
        # A far end that does not say the state of its devices on connecting.
        rig.bench._state.clear()
        rig.bench.cut()
        await asyncio.sleep(0.001)
        assert rig.known == {D1: None, D2: None}
        rig.bench.mend()
        await asyncio.sleep(60)
        assert rig.supervisor.state is LinkState.UP
        assert rig.known == {D1: None, D2: None}
        assert rig.transport.counters.lost == 1


async def test_a_report_from_before_the_loss_does_not_count_after_it() -> None:
    class Late(LoopbackTransport):
        sink: Sink

        async def open(self, sink: Sink) -> None:
            if not hasattr(self, "sink"):
                self.sink = sink
            await super().open(sink)

    rig = Rig(Late)
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.cut()
        await asyncio.sleep(0.1)
        rig.bench.mend()
        await asyncio.sleep(10)
        assert isinstance(rig.transport, Late)
        rig.transport.sink(Report(D1, "clear"))
        assert D1 not in rig.known


async def test_what_a_device_cannot_say_makes_it_unknown_and_is_counted() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.report(D1, "clear")
        rig.bench.report(D1, "purple")
        assert rig.known[D1] is None
        assert rig.transport.counters.rejected == {"unknown-value": 1}
        assert rig.transport.counters.received == 1


async def test_a_report_of_a_device_that_is_not_bound_is_counted_and_dropped() -> None:
    class Invents(LoopbackTransport):
        async def open(self, sink: Sink) -> None:
            await super().open(sink)
            sink(Report(Device("detector", "d9"), "clear"))

    rig = Rig(Invents)
    async with rig.running():
        await asyncio.sleep(1)
        assert rig.delivered == []
        assert rig.transport.counters.rejected == {"unknown-device": 1}


async def test_a_blocked_link_is_lost_in_time_and_makes_no_order_late() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.freeze()
        frozen = rig.now
        for value in ("clear", "caution", "clear"):
            rig.supervisor.post([Order(M1, value)])
            await asyncio.sleep(0.01)
        await asyncio.sleep(1.5)
        lost = next(at for at, state in rig.states if state is LinkState.LOST)
        assert lost - frozen <= 1.5
        rig.received.clear()
        rig.supervisor.post([Order(M1, "danger")])
        rig.bench.thaw()
        await asyncio.sleep(10)
        assert {order.value for _, order in rig.received if order.device == M1} == {"danger"}


async def test_a_silent_death_is_noticed_in_time_without_any_new_order() -> None:
    rig = Rig()
    async with rig.running():
        for _ in range(20):
            await asyncio.sleep(0.77)
            rig.bench.freeze()
            frozen = rig.now
            rig.states.clear()
            await asyncio.sleep(1.5)
            assert rig.states[0][1] is LinkState.LOST
            assert rig.states[0][0] - frozen <= 1.5
            rig.bench.thaw()
            await asyncio.sleep(20)
            assert rig.supervisor.state is LinkState.UP


async def test_shutting_down_sends_the_most_restrictive_orders_and_closes() -> None:
    rig = Rig()
    async with rig.running():
        rig.supervisor.post([Order(M1, "clear"), Order(S1, "lifted")])
        await asyncio.sleep(1.1)
        assert rig.bench.orders == {M1: "clear", S1: "lifted"}
        rig.received.clear()
    assert [order for _, order in rig.received] == [Order(S1, "applied"), Order(M1, "danger")]
    assert rig.supervisor.state is LinkState.CLOSED
    with pytest.raises(LinkError):
        await rig.transport.send([])


async def test_shutting_down_over_a_blocked_link_takes_a_bounded_time() -> None:
    rig = Rig()
    async with rig.running():
        await asyncio.sleep(1)
        rig.bench.freeze()
        stopped = rig.now
    assert rig.now - stopped <= 2 * Timing().farewell
    assert rig.supervisor.state is LinkState.CLOSED


async def test_restricting_sends_at_once_and_takes_no_more() -> None:
    rig = Rig()
    async with rig.running():
        rig.supervisor.post([Order(M1, "clear"), Order(S1, "lifted")])
        await asyncio.sleep(1)
        rig.supervisor.restrict()
        rig.supervisor.post([Order(M1, "clear")])
        await asyncio.sleep(0.01)
        assert rig.bench.orders == {M1: "danger", S1: "applied"}
        await asyncio.sleep(30)
        assert rig.bench.orders == {M1: "danger", S1: "applied"}


class FailsOnce(LoopbackTransport):
    where = ""
    failed = False

    def _fail(self, where: str) -> None:
        if where == self.where and not self.failed:
            type(self).failed = True
            raise ZeroDivisionError("a fault of its author's")

    async def open(self, sink: Sink) -> None:
        self._fail("open")
        await super().open(sink)

    async def wait_lost(self) -> None:
        self._fail("wait_lost")
        await super().wait_lost()

    async def send(self, orders: Iterable[Order]) -> None:
        self._fail("send")
        await super().send(orders)

    async def close(self) -> None:
        self._fail("close")
        await super().close()


@pytest.mark.parametrize("where", ["open", "wait_lost", "send", "close"])
async def test_a_fault_in_a_transport_is_logged_and_the_link_comes_back(
    where: str, caplog: pytest.LogCaptureFixture
) -> None:
    kind = type("FailsOnceHere", (FailsOnce,), {"where": where})
    rig = Rig(kind)
    async with rig.running():
        await asyncio.sleep(60)
        assert rig.supervisor.state is LinkState.UP
    [record] = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert record.exc_info
    assert "a fault of its author's" in caplog.text


async def test_a_configuration_found_wrong_on_opening_ends_it() -> None:
    class Refuses(LoopbackTransport):
        async def open(self, _: Sink) -> Any:
            raise ConfigurationError("transport bench", "It is wrong.", "Put it right.")

    rig = Rig(Refuses)
    with pytest.raises(ConfigurationError):
        await rig.supervisor.run()
    assert rig.supervisor.state is LinkState.CLOSED
