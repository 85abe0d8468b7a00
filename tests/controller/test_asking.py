"""Asking a running controller, from Python and over links, and hearing what becomes of it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from signalling.controller import Controller
from signalling.core.words import AskLock, HoldSignal, MoveTurnout, SetRoute
from signalling.errors import ConfigurationError
from signalling.layout.asking import Stage
from signalling.layout.words import Device
from tests.conftest import until
from tests.rig import table_from
from transports.loopback import LoopbackBench

if TYPE_CHECKING:
    from signalling.table.table import Table

TERN = """
[layout]
name = "Tern Bay"
sequence = false
[blocks]
a = {}
j = {}
b = {}
c = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > b"
quay = "a > j[t reverse] > c"
[signals]
A = { at = "a > j", aspects = 3 }
[transports.club]
kind = "loopback"
requests = true
[[bindings]]
device = "*"
transport = "club"
"""
CONTROLLED = TERN.replace("aspects = 3", "aspects = 3, controlled = true")
LOCKED = TERN.replace('moved_by = "us"', "lock = true")
SIGNAL = Device("signal", "A")
TURNOUT = Device("turnout", "t")


@pytest.fixture(scope="module")
def table() -> Table:
    return table_from(TERN)


def all_clear(bench: LoopbackBench) -> None:
    for name in "ajbc":
        bench.report(Device("detector", name), "clear")
    bench.report(TURNOUT, "normal")


def told(bench: LoopbackBench, name: str) -> list[str]:
    return [each.outcome.stage.value for each in bench.answers if each.asked.id == name]


async def running(bench: LoopbackBench) -> None:
    all_clear(bench)
    await asyncio.sleep(3)
    assert bench.orders[SIGNAL] == "caution"


# -- from Python


async def test_what_takes_no_time_is_taken_and_no_more(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await running(bench)
        outcome = await controller.ask(HoldSignal("A"))
        assert (outcome.stage, outcome.final) == (Stage.TAKEN, True)
        await asyncio.sleep(0.01)
        assert bench.orders[SIGNAL] == "danger"


async def test_a_refusal_says_why(table: Table) -> None:
    async with Controller(table, LoopbackBench()) as controller:
        outcome = await controller.ask("hold M9")
        assert outcome.stage is Stage.REFUSED
        assert "no signal 'M9'" in outcome.reason
        outcome = await controller.ask("open the gate")
        assert "is not a request" in outcome.reason


async def test_a_turnout_waits_then_moves_and_is_set_when_it_is_detected(table: Table) -> None:
    bench = LoopbackBench()
    heard: list[str] = []
    async with Controller(table, bench) as controller:
        await running(bench)
        bench.report(Device("detector", "j"), "occupied")
        await asyncio.sleep(1)
        asked = controller.ask("move t reverse", lambda outcome: heard.append(outcome.stage))
        assert asked.outcome.stage is Stage.WAITING
        assert asked.outcome.reason.startswith("Block j is occupied; ")
        bench.report(Device("detector", "j"), "clear")
        await until(lambda: bench.orders.get(TURNOUT) == "reverse", "the order to move")
        assert asked.outcome.stage is Stage.TAKEN
        bench.report(TURNOUT, "moving")
        await asyncio.sleep(1)
        bench.report(TURNOUT, "reverse")
        outcome = await asked
        assert (outcome.stage, outcome.final) == (Stage.SET, True)
    assert heard == ["waiting", "taken", "set"]


async def test_a_turnout_that_does_not_arrive_has_failed(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await running(bench)
        controller.request(HoldSignal("A"))
        await asyncio.sleep(60)
        outcome = await controller.ask("move t reverse")
        assert outcome.stage is Stage.FAILED
        assert "turnout t" in outcome.reason


async def test_a_route_is_taken_then_set_when_its_signal_is_off() -> None:
    bench = LoopbackBench()
    heard: list[tuple[str, str]] = []
    async with Controller(table_from(CONTROLLED), bench) as controller:
        all_clear(bench)
        await asyncio.sleep(5)
        asked = controller.ask(
            "set A/quay", lambda outcome: heard.append((outcome.stage, outcome.reason))
        )
        assert not asked.outcome.final
        bench.report(TURNOUT, "moving")
        await asyncio.sleep(1)
        bench.report(TURNOUT, "reverse")
        assert (await asked).stage is Stage.SET
        await asyncio.sleep(0.01)
        assert bench.orders[SIGNAL] == "caution"
    assert heard == [("taken", ""), ("set", "")]


async def test_a_route_that_cannot_be_set_waits_with_the_reason_or_is_refused_with_it() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(CONTROLLED), bench) as controller:
        all_clear(bench)
        await asyncio.sleep(5)
        bench.report(Device("detector", "c"), "occupied")
        await asyncio.sleep(1)
        refused = await controller.ask(SetRoute("A/quay"))
        assert refused.stage is Stage.REFUSED
        assert "block c is occupied" in refused.reason
        waiting = controller.ask(SetRoute("A/quay", wait=True))
        assert waiting.outcome.stage is Stage.WAITING
        assert waiting.outcome.reason == "Block c is occupied."
        bench.report(Device("detector", "c"), "clear")
        await asyncio.sleep(5)
        assert waiting.outcome.stage is Stage.TAKEN
        bench.report(TURNOUT, "reverse")
        assert (await waiting).stage is Stage.SET


@pytest.mark.parametrize("how", ["cancel A/quay", "hold A", "hold all"])
async def test_a_route_that_somebody_takes_back_is_cancelled(how: str) -> None:
    bench = LoopbackBench()
    async with Controller(table_from(CONTROLLED), bench) as controller:
        all_clear(bench)
        await asyncio.sleep(5)
        asked = controller.ask("set A/quay")
        assert asked.outcome.stage is Stage.TAKEN
        controller.ask(how)
        assert (await asked).stage is Stage.CANCELLED


async def test_a_route_into_which_something_runs_has_failed() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(CONTROLLED), bench) as controller:
        all_clear(bench)
        await asyncio.sleep(5)
        asked = controller.ask("set A/quay")
        bench.report(Device("detector", "j"), "occupied")
        outcome = await asked
        assert (outcome.stage, outcome.reason) == (
            Stage.FAILED,
            "It was given up before it was done.",
        )


async def test_automatic_working_is_set_when_its_signal_is_off_for_the_first_time() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(CONTROLLED), bench) as controller:
        all_clear(bench)
        await asyncio.sleep(5)
        assert (await controller.ask("work A/main")).stage is Stage.SET


async def test_what_somebody_takes_back_is_cancelled(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await running(bench)
        asked = controller.ask("move t reverse")
        assert asked.outcome.stage in (Stage.TAKEN, Stage.WAITING)
        controller.request(MoveTurnout("t", "normal"))
        assert (await asked).stage is Stage.CANCELLED


async def test_what_is_under_way_fails_when_everything_stops(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await running(bench)
        asked = controller.ask("move t reverse")
        assert not asked.outcome.final
        bench.ask("move t reverse", "over the link")
        await asyncio.sleep(0.1)
    outcome = await asked
    assert (outcome.stage, outcome.reason) == (Stage.FAILED, "The signalling was shut down.")
    assert told(bench, "over the link")[-1] == "failed"


async def test_a_lock_is_set_when_it_is_given() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(LOCKED), bench) as controller:
        await running(bench)
        outcome = await controller.ask(AskLock("t"))
        assert outcome.stage is Stage.SET
        await asyncio.sleep(0.01)
        assert bench.orders[Device("lock", "t")] == "free"


async def test_a_controller_that_does_not_run_takes_nothing(table: Table) -> None:
    controller = Controller(table, LoopbackBench())
    async with controller:
        pass
    with pytest.raises(RuntimeError, match="not running"):
        controller.ask("hold A")


async def test_so_many_are_followed_and_no_more(table: Table) -> None:
    bench = LoopbackBench()
    async with Controller(table, bench) as controller:
        await running(bench)
        asked = [controller.ask("move t reverse") for _ in range(501)]
        assert {each.outcome.stage for each in asked[:500]} == {Stage.TAKEN}
        assert asked[500].outcome.stage is Stage.REFUSED
        bench.report(TURNOUT, "reverse")
        await asyncio.sleep(3)
        assert {each.outcome.stage for each in asked[:500]} == {Stage.SET}
        assert controller.ask("move t reverse").outcome.stage is Stage.SET


# -- over a link


def over(text: str, bench: LoopbackBench) -> Controller:
    return Controller(table_from(text), {"club": bench})


async def test_a_request_over_a_link_is_made_and_its_outcome_told() -> None:
    bench = LoopbackBench()
    async with over(TERN, bench):
        await running(bench)
        bench.ask("hold A", "1")
        bench.ask("hold M9", "2")
        bench.ask("move t reverse", "3")
        await asyncio.sleep(0.1)
        assert bench.orders[SIGNAL] == "danger"
        assert told(bench, "1") == ["taken"]
        assert told(bench, "2") == ["refused"]
        assert told(bench, "3")[-1] == "taken"
        bench.report(TURNOUT, "reverse")
        await asyncio.sleep(3)
        assert told(bench, "3")[-1] == "set"


@pytest.mark.parametrize("more", ["", "requests = false\n"])
async def test_nobody_asks_over_a_link_that_is_not_given_leave(more: str) -> None:
    bench = LoopbackBench()
    async with over(TERN.replace("requests = true\n", more), bench):
        await running(bench)
        bench.ask("hold A", "1")
        await asyncio.sleep(5)
        assert bench.orders[SIGNAL] == "caution"
        assert not bench.answers


@pytest.mark.parametrize("text", ["hold A", " hold  A", "\thold all"])
async def test_over_a_link_only_what_is_allowed_may_be_asked(text: str) -> None:
    bench = LoopbackBench()
    async with over(TERN.replace("requests = true", 'requests = ["move", "ask"]'), bench):
        await running(bench)
        bench.ask(text, "1")
        bench.ask("move t normal", "2")
        await asyncio.sleep(1)
        assert bench.orders[SIGNAL] == "caution"
        [first] = [each.outcome for each in bench.answers if each.asked.id == "1"]
        assert first.stage is Stage.REFUSED
        assert "only for: ask, move" in first.reason
        assert told(bench, "2") == ["set"]


@pytest.mark.parametrize("given", ["1", '"yes"', '["open"]', "[1]"])
def test_what_requests_cannot_be_is_refused(given: str) -> None:
    with pytest.raises(ConfigurationError, match="requests is"):
        over(TERN.replace("requests = true", f"requests = {given}"), LoopbackBench())


def test_a_link_that_carries_no_requests_is_refused() -> None:
    class Deaf:
        def __init__(self, settings: object) -> None:
            inner = LoopbackBench()(settings)  # type: ignore[arg-type]
            for name in ("name", "counters", "open", "wait_lost", "send", "close"):
                setattr(self, name, getattr(inner, name))

    with pytest.raises(ConfigurationError, match="its kind carries none"):
        Controller(table_from(TERN), {"club": Deaf})


async def test_a_flood_of_requests_delays_no_order_to_danger() -> None:
    bench = LoopbackBench()
    passes: list[str] = []
    async with over(TERN, bench) as controller:
        await running(bench)
        before = bench.on_order
        assert before is None
        bench.on_order = lambda order: passes.append(f"{order.device}={order.value}")
        for number in range(5000):
            bench.ask("free all", f"flood {number}", by=f"who {number % 50}")
        bench.report(Device("detector", "j"), "occupied")
        # One pass for the report, which came last, and one for sending: so much is promised,
        # and none of the requests is looked at before.
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert "signal A=danger" in passes
        await asyncio.sleep(10)
        counters = controller.transports["club"].counters
        assert counters.rejected["too-many-requests"] > 4900
        assert len(bench.answers) <= 60


async def test_a_link_takes_up_so_many_requests_and_leaves_the_rest_to_others() -> None:
    bench = LoopbackBench()
    async with over(TERN, bench) as controller:
        await running(bench)
        bench.report(Device("detector", "j"), "occupied")
        for number in range(101):
            bench.ask("move t reverse", str(number), by=f"who {number % 30}")
            await asyncio.sleep(0.1)
        assert told(bench, "99") == ["waiting"]
        assert told(bench, "100") == ["refused"]
        mine = controller.ask("move t reverse")
        assert mine.outcome.stage is Stage.WAITING
        controller.ask("move t normal")
        assert (await mine).stage is Stage.CANCELLED
        await asyncio.sleep(1)
        assert told(bench, "99") == ["waiting", "cancelled"]
        bench.ask("move t reverse", "101")
        await asyncio.sleep(1)
        assert told(bench, "101") == ["waiting"]


async def test_the_state_of_requests_never_keeps_a_signal_off() -> None:
    """Whatever is asked over links, a signal over an occupied block stays on."""
    bench = LoopbackBench()
    async with over(TERN, bench):
        await running(bench)
        bench.report(Device("detector", "j"), "occupied")
        await asyncio.sleep(1)
        for number, text in enumerate(
            ["free A", "free all", "restore j", "acknowledge A", "move t normal", "move t reverse"]
        ):
            bench.ask(text, str(number))
        await asyncio.sleep(60)
        assert len({each.asked.id for each in bench.answers}) == 6
        assert bench.orders[SIGNAL] == "danger"
