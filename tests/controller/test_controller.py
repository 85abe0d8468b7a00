from __future__ import annotations

import asyncio
import contextlib
import logging
from typing import TYPE_CHECKING, Any

import pytest

from signalling.controller import Controller
from signalling.core.interlocking import Interlocking
from signalling.core.words import ConfirmBlock, FreeSignal, HoldSignal, Refusal
from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Order, Report
from tests.rig import table_from
from transports.link import LinkState
from transports.loopback import LoopbackBench

if TYPE_CHECKING:
    from signalling.controller import Change
    from signalling.table.table import Table

GANNET = """
[layout]
name = "Gannet Point"
practice = "uk"
sequence = false
[blocks]
d1 = {}
d2 = {}
d3 = {}
[lines]
main = "d1 > d2 > d3 > d1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > d3", aspects = 4 }
M3 = { at = "d3 > d1", aspects = 3 }
[stops]
S1 = { signal = "M1" }
[transports.club]
kind = "loopback"
[[bindings]]
device = ["detector *", "signal *"]
transport = "club"
fresh = 10
[[bindings]]
device = "stop *"
transport = "club"
"""


class Faulty:
    """A part of the interlocking that fails, be it called or looked at."""

    def __get__(self, *_: object) -> object:
        raise KeyError("a fault in the logic")


STOP = Device("stop", "S1")


def signal(name: str) -> Device:
    return Device("signal", name)


def detector(name: str) -> Device:
    return Device("detector", name)


@pytest.fixture(scope="module")
def table() -> Table:
    return table_from(GANNET)


def all_clear(bench: LoopbackBench) -> None:
    for name in ("d1", "d2", "d3"):
        bench.report(detector(name), "clear")


def aspects(bench: LoopbackBench) -> list[str | None]:
    return [bench.orders.get(signal(name)) for name in ("M1", "M2", "M3")]


DANGER = ["danger"] * 3
CLEAR = ["clear"] * 3


async def test_it_starts_with_everything_at_danger(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench):
        await asyncio.sleep(60)
        assert aspects(bench) == DANGER
        assert bench.orders[STOP] == "applied"


async def test_signals_come_off_once_reports_are_in(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench):
        await asyncio.sleep(1)
        all_clear(bench)
        await asyncio.sleep(1.4)
        assert aspects(bench) == DANGER, "a block clears after the hold-off of 1.5 s only"
        await asyncio.sleep(0.2)
        assert aspects(bench) == CLEAR
        assert bench.orders[STOP] == "lifted"
        bench.report(detector("d2"), "occupied")
        await asyncio.sleep(0)
        await asyncio.sleep(0.01)
        # M1 guards d2; the signals before it show what comes: 3 aspects caution, 4 preliminary.
        assert aspects(bench) == ["danger", "preliminary-caution", "caution"]
        assert bench.orders[STOP] == "applied"


async def test_what_time_changes_with_a_refused_confirmation_is_ordered(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await asyncio.sleep(1)
        all_clear(bench)
        await asyncio.sleep(1)
        times = iter(
            [2.0, 60.0]
        )  # the hold-off runs out after it was looked, and before it is asked
        with monkeypatch.context() as patch:
            patch.setattr(controller, "_now", lambda: next(times, 60.0))
            assert isinstance(controller.request(ConfirmBlock("d2")), Refusal)
        for _ in range(5):
            await asyncio.sleep(0)
        assert aspects(bench) == CLEAR


async def test_leaving_puts_everything_to_danger(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench):
        all_clear(bench)
        await asyncio.sleep(3)
        assert aspects(bench) == CLEAR
    assert aspects(bench) == DANGER
    assert bench.orders[STOP] == "applied"


async def test_an_error_in_the_body_puts_everything_to_danger(table: Table) -> None:
    bench = LoopbackBench()
    with pytest.raises(ZeroDivisionError):  # noqa: PT012 - where it appears
        async with Controller(table, bench):
            all_clear(bench)
            await asyncio.sleep(3)
            raise ZeroDivisionError
    assert aspects(bench) == DANGER


async def test_cancelling_puts_everything_to_danger(table: Table) -> None:
    bench = LoopbackBench()

    async def work() -> None:
        async with Controller(table, bench):
            all_clear(bench)
            await asyncio.sleep(3600)

    task = asyncio.create_task(work())
    await asyncio.sleep(3)
    assert aspects(bench) == CLEAR
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert task.cancelled()
    assert aspects(bench) == DANGER


@pytest.mark.parametrize("where", ["observe", "orders", "alarms"])
async def test_an_error_in_the_interlocking_puts_everything_to_danger_and_is_raised(
    table: Table, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    bench = LoopbackBench()
    with pytest.raises(KeyError, match="a fault in the logic"):  # noqa: PT012 - where it appears
        async with Controller(table, bench) as controller:
            watcher = controller.changes()
            all_clear(bench)
            await asyncio.sleep(3)
            assert aspects(bench) == CLEAR
            monkeypatch.setattr(Interlocking, where, Faulty())
            bench.report(detector("d1"), "occupied")
            if where == "orders":
                controller.status()
            await asyncio.sleep(3600)
    assert aspects(bench) == DANGER
    assert bench.orders[STOP] == "applied"
    del watcher


async def test_an_error_on_a_request_does_the_same(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = LoopbackBench()
    with pytest.raises(KeyError):  # noqa: PT012 - where it appears
        async with Controller(table, bench) as controller:
            all_clear(bench)
            await asyncio.sleep(3)
            monkeypatch.setattr(Interlocking, "request", Faulty())
            controller.request(HoldSignal("M1"))
    assert aspects(bench) == DANGER


async def test_a_cut_link_makes_its_devices_unknown_until_they_report_again(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        all_clear(bench)
        await asyncio.sleep(3)
        assert aspects(bench) == CLEAR
        bench.cut()
        await asyncio.sleep(0.01)
        assert set(controller.interlocking.snapshot().aspects.values()) == {"danger"}
        bench.mend()
        await asyncio.sleep(3)
        assert controller.status().links[0].state is LinkState.UP
        assert aspects(bench) == CLEAR, "the bench says the state of its devices on connecting"


async def test_a_stale_report_does_not_hold_a_signal_off() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(GANNET), {"club": bench}):
        all_clear(bench)
        await asyncio.sleep(3)
        assert aspects(bench) == CLEAR
        for _ in range(3):
            await asyncio.sleep(6)
            bench.report(detector("d1"), "clear")
            bench.report(detector("d3"), "clear")
        # d2 was not repeated within its 10 s; M1 guards it.
        assert aspects(bench)[0] == "danger"
        bench.report(detector("d2"), "clear")
        await asyncio.sleep(3)
        assert aspects(bench) == CLEAR


async def test_what_arrives_in_one_pass_is_one_instant(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await asyncio.sleep(1)
        seen: list[tuple[Report, ...]] = []
        observe = controller.interlocking.observe

        def watch(reports: Any, now: int) -> tuple[Order, ...]:
            reports = tuple(reports)
            seen.append(reports)
            return observe(reports, now)

        monkeypatch.setattr(controller.interlocking, "observe", watch)
        all_clear(bench)
        await asyncio.sleep(0.01)
        assert [len(reports) for reports in seen] == [3]


async def test_a_short_pulse_is_two_instants(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench):
        all_clear(bench)
        await asyncio.sleep(3)
        assert aspects(bench) == CLEAR
        bench.report(detector("d2"), "occupied")
        bench.report(detector("d2"), "clear")
        await asyncio.sleep(0.01)
        assert aspects(bench)[0] == "danger", "an occupied block holds for the hold-off"
        await asyncio.sleep(1.6)
        assert aspects(bench) == CLEAR


async def test_requests_only_ask(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        all_clear(bench)
        await asyncio.sleep(3)
        orders = controller.request(HoldSignal("M1"))
        assert Order(signal("M1"), "danger") in orders  # type: ignore[operator]
        await asyncio.sleep(0.01)
        assert aspects(bench)[0] == "danger"
        controller.request(FreeSignal("M1"))
        await asyncio.sleep(0.01)
        assert aspects(bench)[0] == "clear"
        refusal = controller.request(HoldSignal("M9"))
        assert isinstance(refusal, Refusal)
        assert "M9" in refusal.reason
    with pytest.raises(RuntimeError, match="not running"):
        controller.request(HoldSignal("M1"))


async def test_a_watcher_gets_everything_first_and_then_each_step(table: Table) -> None:
    bench = LoopbackBench()
    seen: list[Change] = []
    async with Controller(table, bench) as controller:

        async def watch() -> None:
            async for change in controller.changes():
                seen.append(change)  # noqa: PERF401 - to be looked at meanwhile

        task = asyncio.create_task(watch())
        await asyncio.sleep(1)
        assert seen[0].resync
        assert {order.value for order in seen[0].orders} == {"danger", "applied"}
        seen.clear()
        bench.report(detector("d1"), "clear")
        await asyncio.sleep(0.01)
        assert [(change.reports, change.resync) for change in seen] == [
            ((Report(detector("d1"), "clear"),), False)
        ]
    await task
    last = {order.device: order.value for change in seen for order in change.orders}
    assert set(last.values()) == {"danger", "applied"}


async def test_a_slow_watcher_holds_nothing_up_and_gets_the_latest_only(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        watcher = controller.changes()
        await anext(watcher)
        for _ in range(1000):
            bench.report(detector("d1"), "clear")
            await asyncio.sleep(0.01)
            bench.report(detector("d1"), "occupied")
            await asyncio.sleep(0.01)
        change = await anext(watcher)
        assert change.resync
        assert change.reports == (Report(detector("d1"), "occupied"),)


async def test_the_clock_of_the_logic_is_the_loops(table: Table) -> None:
    """Hours pass in no time, and nothing waits for real."""
    bench = LoopbackBench()
    async with Controller(table, bench):
        all_clear(bench)
        await asyncio.sleep(4 * 3600)
        assert aspects(bench) == CLEAR


async def test_a_controller_runs_once(table: Table) -> None:
    controller = Controller(table, LoopbackBench())
    async with controller:
        pass
    with pytest.raises(RuntimeError, match="runs once"):
        async with controller:
            pass


def test_a_layout_without_transports_is_refused() -> None:
    text = GANNET.partition("[transports.club]")[0]
    with pytest.raises(ConfigurationError, match="names no transport"):
        Controller(table_from(text))


def test_a_transport_that_the_layout_does_not_name_is_refused(table: Table) -> None:
    with pytest.raises(ConfigurationError, match="no transport of that name"):
        Controller(table, {"clbu": LoopbackBench()})


async def test_the_file_names_the_transport(table: Table, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        async with Controller(table) as controller:
            await asyncio.sleep(1)
            status = controller.status()
    assert [(link.name, link.state) for link in status.links] == [("club", LinkState.UP)]
    assert "club: the link is up" in caplog.text
