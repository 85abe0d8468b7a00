"""Signals whose link is down are at danger, for those in rear too."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from signalling import Controller, device
from signalling.controller.changes import Watcher
from transports import LoopbackBench

LAYOUT = """
[layout]
name = "Two links"
hold_off = 0.0
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
A = { at = "a > b", aspects = 3 }
B = { at = "b > c", aspects = 3, hidden = [] }
[transports.one]
kind = "loopback"
[transports.two]
kind = "loopback"
[[bindings]]
device = "*"
transport = "one"
[[bindings]]
device = "signal B"
transport = "two"
"""


async def settle(controller: Controller) -> dict[str, str]:
    await asyncio.sleep(10)
    return {str(order.device): order.value for order in controller.status().orders}


async def test_the_signal_in_rear_of_one_that_cannot_be_told_does_not_promise(
    tmp_path: Path,
) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(LAYOUT)
    one, two = LoopbackBench(), LoopbackBench()
    two.cut()
    async with Controller(file, {"one": one, "two": two}) as controller:
        assert isinstance(controller.changes(), Watcher)
        for block in ("a", "b", "c"):
            one.report(device(f"detector {block}"), "clear")
        assert await settle(controller) == {"signal A": "caution", "signal B": "danger"}
        two.mend()
        assert await settle(controller) == {"signal A": "clear", "signal B": "clear"}
        two.cut()
        assert await settle(controller) == {"signal A": "caution", "signal B": "danger"}
        two.mend()
        assert await settle(controller) == {"signal A": "clear", "signal B": "clear"}


PARTS = """
[layout]
name = "Two heads"
practice = "ks"
hold_off = 0.0
[blocks]
a = {}
b = {}
c = {}
j = {}
m = {}
q = {}
[turnouts]
t = { block = "j" }
[lines]
main = "a > b > c > j[t normal] > m"
quay = "a > b > c > j[t reverse] > q"
[signals]
A = { at = "a > b", aspects = 3 }
B = { at = "b > c", aspects = 3, splitting = "quay", announces = [4] }
J = { at = "c > j", aspects = 3, routes = { quay = { indicator = 4 } } }
[transports.one]
kind = "loopback"
[transports.two]
kind = "loopback"
[[bindings]]
device = "*"
transport = "one"
[[bindings]]
device = "PART"
transport = "two"
"""


@pytest.mark.parametrize("part", ["signal B/quay", "indicator B/ahead"])
async def test_a_signal_counts_as_told_only_with_all_its_parts(tmp_path: Path, part: str) -> None:
    """Its second head, and the indicator that announces the next signal's."""
    file = tmp_path / "layout.toml"
    file.write_text(PARTS.replace("PART", part))
    one, two = LoopbackBench(), LoopbackBench()
    async with Controller(file, {"one": one, "two": two}) as controller:
        for block in ("a", "b", "c", "j", "m", "q"):
            one.report(device(f"detector {block}"), "clear")
        one.report(device("turnout t"), "reverse")
        whole = await settle(controller)
        assert whole["signal A"] == "clear"
        assert (whole["signal B"], whole["signal B/quay"]) == ("caution", "expect-speed")
        assert whole["indicator B/ahead"] == "4"
        two.cut()
        broken = await settle(controller)
        assert (broken["signal B"], broken["signal B/quay"]) == ("danger", "danger")
        assert (broken["signal A"], broken["indicator B/ahead"]) == ("caution", "dark")
