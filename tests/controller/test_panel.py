"""Buttons of a running layout, over the loopback: pressed, asked, told, lit."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import pytest

from signalling.controller import Controller
from signalling.errors import ConfigurationError
from signalling.layout.words import Device
from tests.rig import table_from
from transports.loopback import LoopbackBench

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from signalling.table.table import Table

CURLEW = """
[layout]
name = "Curlew Bay"
sequence = false
[blocks]
a = {}
j = {}
b = {}
bay = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > b"
bay = "a > j[t reverse] > bay"
[signals]
A = { at = "a > j", controlled = true }
[buttons]
a = { entry = "A", lamp = true }
b = { exit = "b", lamp = true }
bay = { exit = "bay" }
take-back = { cancel = true }
stop = { ask = "hold all" }
"""
SIGNAL = Device("signal", "A")
TURNOUT = Device("turnout", "t")


@pytest.fixture(scope="module")
def table() -> Table:
    return table_from(CURLEW)


class Hand(LoopbackBench):
    """The bench, with a hand for the buttons, and what was told of what they asked."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[tuple[str, str, str]] = []

    async def press(self, *names: str) -> None:
        for name in names:
            self.report(Device("button", name), "pressed")
            await asyncio.sleep(0.2)
            self.report(Device("button", name), "released")
            await asyncio.sleep(0.3)

    def lamp(self, name: str) -> str | None:
        return self.orders.get(Device("button", name))


@contextlib.asynccontextmanager
async def running(table: Table) -> AsyncIterator[tuple[Controller, Hand]]:
    hand = Hand()
    for name in table.layout.buttons:
        hand.report(Device("button", name), "released")
    for name in table.layout.detectors:
        hand.report(Device("detector", name), "clear")
    hand.report(TURNOUT, "normal")

    async def watch(controller: Controller) -> None:
        async for change in controller.changes():
            for answer in change.answers:
                asked, outcome = answer.asked, answer.outcome
                hand.told.append((asked.by, asked.text, outcome.stage.value))

    async with Controller(table, hand) as controller:
        watching = asyncio.create_task(watch(controller))
        await asyncio.sleep(5)
        yield controller, hand
    await watching


async def test_entry_and_exit_set_the_route_between(table: Table) -> None:
    async with running(table) as (_, hand):
        assert (hand.orders[SIGNAL], hand.lamp("a"), hand.lamp("b")) == ("danger", "dark", "dark")
        await hand.press("a")
        assert (hand.lamp("a"), hand.lamp("b")) == ("flashing", "dark")
        await hand.press("b")
        assert hand.orders[SIGNAL] == "caution"
        assert (hand.lamp("a"), hand.lamp("b")) == ("lit", "lit")
        assert hand.told == [("button a and button b", "set A/main", "set")]
        hand.report(Device("detector", "j"), "occupied")
        await asyncio.sleep(1)
        assert (hand.lamp("a"), hand.lamp("b")) == ("dark", "dark")
    assert hand.told == [("button a and button b", "set A/main", "set")]


async def test_the_turnout_is_moved_first(table: Table) -> None:
    async with running(table) as (_, hand):
        await hand.press("a", "bay")
        assert (hand.orders[TURNOUT], hand.orders[SIGNAL]) == ("reverse", "danger")
        assert hand.lamp("a") == "flashing"
        hand.report(TURNOUT, "reverse")
        await asyncio.sleep(2)
        assert (hand.orders[SIGNAL], hand.lamp("a")) == ("caution", "lit")
        assert [stage for *_, stage in hand.told] == ["taken", "set"]


async def test_what_cannot_be_set_is_refused(table: Table) -> None:
    async with running(table) as (_, hand):
        hand.report(Device("detector", "b"), "occupied")
        await asyncio.sleep(1)
        await hand.press("a", "b")
        assert hand.orders[SIGNAL] == "danger"
        assert hand.lamp("a") == "dark"
        assert hand.told == [("button a and button b", "set A/main", "refused")]
        await hand.press("b")
        assert hand.told[1:] == [("button b", "", "refused")]


@pytest.mark.parametrize("names", [("a", "a"), ("a", "take-back"), ("take-back", "a")])
async def test_what_was_set_is_taken_back(table: Table, names: tuple[str, str]) -> None:
    async with running(table) as (_, hand):
        await hand.press("a", "b")
        assert hand.orders[SIGNAL] == "caution"
        await hand.press(*names)
        assert hand.orders[SIGNAL] == "danger"
        by = " and ".join(f"button {name}" for name in dict.fromkeys(names))
        assert hand.told[1:] == [
            (by, "cancel A/main", "taken"),
            (by, "cancel A/bay", "taken"),
        ]


async def test_a_press_is_forgotten_in_time(table: Table) -> None:
    async with running(table) as (_, hand):
        await hand.press("a")
        assert hand.lamp("a") == "flashing"
        await asyncio.sleep(4.8)
        assert hand.lamp("a") == "dark"


async def test_a_button_for_one_request_makes_it(table: Table) -> None:
    async with running(table) as (_, hand):
        await hand.press("a", "b", "stop")
        assert hand.orders[SIGNAL] == "danger"
        assert hand.told[-1] == ("button stop", "hold all", "taken")


async def test_a_button_that_was_stuck_when_the_link_came_asks_for_nothing(table: Table) -> None:
    hand = Hand()
    for name in table.layout.buttons:
        hand.report(Device("button", name), "pressed")
    async with Controller(table, hand) as controller:
        await asyncio.sleep(5)
        hand.cut()
        await asyncio.sleep(1)
        hand.mend()
        await asyncio.sleep(5)
        assert not controller.interlocking.value("hold all")


async def test_a_press_while_the_link_goes_is_none(table: Table) -> None:
    async with running(table) as (_, hand):
        await hand.press("a")
        hand.cut()
        await asyncio.sleep(0.1)
        hand.mend()
        await asyncio.sleep(1)
        await hand.press("b")
        assert [stage for *_, stage in hand.told] == ["refused"]
        assert hand.orders[SIGNAL] == "danger"


async def test_all_lamps_are_dark_when_everything_stops(table: Table) -> None:
    async with running(table) as (controller, hand):
        await hand.press("a", "b")
        lit = {order.device: order.value for order in controller.status().orders}
        assert lit[Device("button", "a")] == "lit"
    assert (hand.lamp("a"), hand.lamp("b")) == ("dark", "dark")


def test_a_button_for_what_is_no_request_is_refused() -> None:
    with pytest.raises(ConfigurationError, match=r"button stop.*not a request"):
        Controller(table_from(CURLEW.replace("hold all", "open the gate")), LoopbackBench())
