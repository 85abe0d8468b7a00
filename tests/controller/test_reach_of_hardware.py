"""What hardware does not obey counts as at danger for the signals before it."""

from __future__ import annotations

import asyncio

import pytest

from signalling.controller import Controller
from signalling.layout.words import Device
from tests.rig import table_from
from transports.loopback import LoopbackBench

GANNET = """
[layout]
name = "Gannet Point"
sequence = false
[blocks]
d1 = {}
d2 = {}
d3 = {}
q1 = {}
[turnouts]
t1 = { block = "d2" }
[lines]
main = "d1 > d2[t1 normal] > d3 > d1"
quay = "d1 > d2[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4, routes = { quay = { indicator = 4 } } }
M2 = { at = "d2 > d3", aspects = 4 }
M3 = { at = "d3 > d1", aspects = 4 }
[stops]
S2 = { signal = "M2" }
[transports.club]
kind = "loopback"
[transports.shed]
kind = "loopback"
[[bindings]]
device = "*"
transport = "club"
[[bindings]]
device = "indicator *"
transport = "shed"
"""

SIGNALS = ("M1", "M2", "M3")
CLEAR = ("clear", "clear", "clear")


class Railway:
    """A controller, and its two benches: the indicator is at one, all else at the other."""

    def __init__(self) -> None:
        self.club, self.shed = LoopbackBench(), LoopbackBench()
        self.controller = Controller(table_from(GANNET), {"club": self.club, "shed": self.shed})
        for name in ("d1", "d2", "d3", "q1"):
            self.club.report(Device("detector", name), "clear")
        self.club.report(Device("turnout", "t1"), "normal")

    def aspects(self) -> tuple[str | None, ...]:
        return tuple(self.club.orders.get(Device("signal", name)) for name in SIGNALS)


async def test_the_signal_before_one_that_cannot_be_told_is_at_caution() -> None:
    railway = Railway()
    async with railway.controller as controller:
        await asyncio.sleep(3)
        assert railway.aspects() == CLEAR
        railway.club.unreach(Device("signal", "M2"))
        await asyncio.sleep(0.01)
        assert railway.aspects() == ("caution", "danger", "preliminary-caution")
        assert controller.interlocking.snapshot().aspects["M2"] == "danger"
        (link, _) = controller.status().links
        assert link.unreached == {Device("signal", "M2")}
        railway.club.unreach()
        await asyncio.sleep(0.01)
        assert railway.aspects()[1:] == CLEAR[1:]
        await asyncio.sleep(3)
        assert railway.aspects() == CLEAR


async def test_a_signal_whose_indicator_cannot_be_told_is_at_danger() -> None:
    railway = Railway()
    async with railway.controller:
        await asyncio.sleep(3)
        railway.shed.unreach(Device("indicator", "M1"))
        await asyncio.sleep(0.01)
        assert railway.aspects() == ("danger", "preliminary-caution", "caution")
        # Both of its links must be able to tell it something.
        railway.club.unreach(Device("signal", "M1"))
        railway.shed.unreach()
        await asyncio.sleep(3)
        assert railway.aspects() == ("danger", "preliminary-caution", "caution")
        railway.club.unreach()
        await asyncio.sleep(3)
        assert railway.aspects() == CLEAR


async def test_what_cannot_be_told_when_a_link_comes_back_is_at_danger() -> None:
    railway = Railway()
    async with railway.controller:
        await asyncio.sleep(3)
        railway.club.cut()
        await asyncio.sleep(0.1)
        railway.club.unreach(Device("signal", "M3"))
        railway.club.mend()
        await asyncio.sleep(6)
        assert railway.aspects() == ("preliminary-caution", "caution", "danger")


@pytest.mark.parametrize("device", [Device("stop", "S2"), Device("turnout", "t1")])
async def test_other_devices_that_cannot_be_told_hold_no_signal(device: Device) -> None:
    """A stop is applied by itself then; how a turnout lies is detected."""
    railway = Railway()
    async with railway.controller:
        await asyncio.sleep(3)
        railway.club.unreach(device)
        await asyncio.sleep(1)
        assert railway.aspects() == CLEAR
