"""Entry and exit buttons, and the lamp in one, at a node of our own schema."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from signalling.controller import Controller
from signalling.core.buttons import BOUNCE
from signalling.layout.words import Device
from tests.conftest import until
from tests.mqtt_node import PyNode

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Broker

CURLEW = """
[layout]
name = "Curlew Bay"
hold_off = 0.1
sequence = false
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
A = { at = "a > b", controlled = true }
[buttons]
begin = { entry = "A", lamp = true }
end = { exit = "b" }
[transports.club]
kind = "mqtt"
port = PORT
base = "curlew"
schema = 1
[[bindings]]
device = "*"
transport = "club"
report = { node = "panel" }
[[bindings]]
device = ["signal *", "button *"]
transport = "club"
order = { node = "panel" }
"""

AT_REST = {"signal": {"A": {"aspect": "danger"}}, "button": {"begin": "dark"}}


async def test_a_press_of_each_sets_the_route(broker: Broker, tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(CURLEW.replace("PORT", str(broker.port)))
    node = PyNode("curlew", "panel", "GP-17", AT_REST, port=broker.port)
    async with node, Controller(file) as controller:
        node.report("detector", a="clear", b="clear")
        # Stuck from the start, and so no press.
        node.report("button", begin="pressed", end="released")

        def heard(name: str) -> str | None:
            return controller.status().links[0].heard[Device("button", name)].value

        async def put(name: str, value: str) -> None:
            node.report("button", **{name: value})
            await until(lambda: heard(name) == value, f"{name} {value}")

        await until(lambda: heard("begin") == "pressed", "the node is believed")
        await until(lambda: controller.interlocking.value("route A/main possible"), "it can be set")
        assert node.shown["button"] == {"begin": "dark"}
        await put("begin", "released")
        await asyncio.sleep(2 * BOUNCE / 1e9)
        await put("begin", "pressed")
        await until(lambda: node.shown["button"] == {"begin": "flashing"}, "flashing", node.shown)
        await put("begin", "released")
        await put("end", "pressed")
        await until(lambda: node.shown["button"] == {"begin": "lit"}, "lit", node.shown)
        await until(lambda: node.shown["signal"]["A"]["aspect"] == "caution", "off", node.shown)
    assert node.shown["button"] == {"begin": "dark"}
