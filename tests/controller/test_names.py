"""Names of trains in a running controller."""

from __future__ import annotations

import asyncio

from signalling.controller import Controller
from signalling.core.words import HoldAll, NameTrain, Refusal, StepTrain
from signalling.describe.words import Cause
from signalling.layout.asking import Stage
from signalling.layout.words import Device
from tests.describe.named import RING
from tests.rig import table_from
from transports.loopback import LoopbackBench

READERS = RING + '\n[readers]\nshed = { block = "d", reads = { "04:A1" = "1A23" } }\n'
A, B, D = (Device("berth", block) for block in "abd")


def clear(bench: LoopbackBench) -> None:
    for block in "abcdefg":
        bench.report(Device("detector", block), "clear")


def occupied(bench: LoopbackBench, block: str) -> None:
    bench.report(Device("detector", block), "occupied")


async def test_names_go_to_berths_and_to_those_who_watch() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(READERS), bench) as controller:
        clear(bench)
        await asyncio.sleep(3)
        occupied(bench, "a")
        await asyncio.sleep(0.1)
        changes = controller.changes()
        first = await anext(changes)
        assert {order.device for order in first.orders} >= {A, B, D}
        assert not isinstance(controller.request(NameTrain("a", "1A23")), Refusal)
        change = await anext(changes)
        assert [(step.train, step.ahead, step.cause) for step in change.names] == [
            ("1A23", "a", Cause.SET)
        ]
        assert [order.value for order in change.orders] == ["1A23"]
        await asyncio.sleep(0.1)
        assert bench.orders[A] == "1A23"
        occupied(bench, "b")
        await asyncio.sleep(0.1)
        assert (bench.orders[A], bench.orders[B]) == ("empty", "1A23")
        assert controller.describer is not None
        assert controller.describer.where("1A23") == "b"
        statuses = {order.device: order.value for order in controller.status().orders}
        assert (statuses[A], statuses[B]) == ("empty", "1A23")
    assert bench.orders[B] == "empty"


async def test_a_doubt_is_an_alarm() -> None:
    bench = LoopbackBench()
    async with Controller(table_from(READERS), bench) as controller:
        clear(bench)
        await asyncio.sleep(3)
        occupied(bench, "d")
        bench.report(Device("reader", "shed"), "04:A1")
        await asyncio.sleep(0.1)
        assert bench.orders[D] == "1A23"
        changes = controller.changes()
        await anext(changes)
        bench.report(Device("detector", "d"), "clear")
        await asyncio.sleep(3)
        assert bench.orders[D] == "1A23?"
        [alarm] = controller.status().alarms
        assert (alarm.kind, alarm.thing) == ("name-doubtful", "train 1A23")
        seen = (await anext(changes)).alarms
        while not seen:
            seen = (await anext(changes)).alarms
        assert seen == (alarm,)
        outcome = await controller.ask("name d 1A23")
        assert outcome.stage is Stage.TAKEN
        outcome = await controller.ask("step 2B40 d")
        assert (outcome.stage, outcome.reason[:29]) == (
            Stage.REFUSED,
            "No train is called '2B40'. Sa",
        )


async def test_names_come_first_over_no_signal() -> None:
    """What people say of names reaches the describer only."""
    bench = LoopbackBench()
    async with Controller(table_from(READERS), bench) as controller:
        clear(bench)
        await asyncio.sleep(3)
        before = controller.interlocking.orders()
        for request in (NameTrain("a", "1A23"), StepTrain("1A23", "b")):
            orders = controller.request(request)
            assert not isinstance(orders, Refusal)
            assert {order.device.kind for order in orders} == {"berth"}
        assert controller.interlocking.orders() == before
        assert not isinstance(controller.request(HoldAll()), Refusal)


async def test_a_layout_that_keeps_no_names_says_how_to() -> None:
    bench = LoopbackBench()
    text = RING.replace("describer = true\n", "")
    async with Controller(table_from(text), bench) as controller:
        assert controller.describer is None
        refusal = controller.request(NameTrain("a", "1A23"))
        assert isinstance(refusal, Refusal)
        assert "`describer = true`" in refusal.reason
        await asyncio.sleep(0.1)
        assert not {device for device in bench.orders if device.kind == "berth"}
