"""Signals whose link is down are at danger, for those in rear too."""

from __future__ import annotations

import asyncio
from pathlib import Path

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
