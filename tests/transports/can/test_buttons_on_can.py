"""An entry and an exit button at a node on a bus: from the press to the aspect."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import can
import pytest

from signalling.controller import Controller
from signalling.core.buttons import BOUNCE
from signalling.errors import ConfigurationError
from signalling.layout.words import Device
from tests.conftest import until
from tests.transports.can.played import PlayedBus, PlayedNode
from transports.can.own import own_orders, own_reports
from transports.link import LinkState
from transports.transport import BoundDevice

if TYPE_CHECKING:
    from pathlib import Path

CURLEW = """
[layout]
name = "Curlew Bay"
hold_off = 0.1
sequence = false
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
A = { at = "a > b", controlled = true }
B = { at = "b > c", controlled = true }
[buttons]
begin = { entry = "A" }
end = { exit = "B" }
take-back = { cancel = true }
[transports.bus]
kind = "can"
interface = "virtual"
channel = "buttons"
[[bindings]]
device = "detector *"
transport = "bus"
report = { node = 3, ports = { a = 0, b = 1, c = 2 } }
[[bindings]]
device = "button *"
transport = "bus"
report = { node = 3, ports = { begin = 0, end = 1, take-back = 2 } }
[[bindings]]
device = "signal *"
transport = "bus"
order = { node = 3, ports = { A = 0, B = 1 } }
"""

RELEASED, PRESSED = 1, 2


@pytest.mark.real_time
async def test_entry_and_exit_ask_for_a_route_and_cancel_takes_it_back(tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(CURLEW)
    bus = PlayedBus(can.Bus(interface="virtual", channel="buttons"))
    node = PlayedNode(3, bus.send, serial=3)
    bus.join(node)
    bus.start()
    node.start()
    for port in range(3):
        node.put("DetectorReport", f"Port{port}", 1)
    ports = {"begin": 0, "end": 1, "take-back": 2}

    def put(name: str, position: int) -> None:
        node.put("InputReport", f"Port{ports[name]}", position)

    try:
        async with Controller(file) as controller:
            status = controller.status

            def heard(name: str) -> str | None:
                return status().links[0].heard[Device("button", name)].value

            async def press(name: str) -> None:
                await asyncio.sleep(2 * BOUNCE / 1e9)
                put(name, PRESSED)
                await until(lambda: heard(name) == "pressed", f"{name} pressed")
                put(name, RELEASED)
                await until(lambda: heard(name) == "released", f"{name} released")

            def aspect() -> int | None:
                return node.outputs.get(("SignalOrder", "Aspect0"))

            # Stuck when the link comes up: it asks for nothing.
            put("begin", PRESSED)
            put("end", RELEASED)
            put("take-back", RELEASED)
            await until(lambda: status().links[0].state is LinkState.UP, "the link", status())
            await until(lambda: heard("begin") == "pressed", "it is stuck")
            await press("end")
            assert not controller.interlocking.value("route A/main permitted")
            put("begin", RELEASED)
            await until(lambda: heard("begin") == "released", "it is free again")

            await press("begin")
            await press("end")
            await until(lambda: aspect() == 1, "caution at A", node.outputs)
            await press("take-back")
            await press("begin")
            await until(lambda: aspect() == 0, "danger at A", node.outputs)
    finally:
        await node.stop()
        await bus.stop()


def test_where_a_button_stands_in_a_frame() -> None:
    button = Device("button", "begin")
    words = ("released", "pressed")
    [place] = own_reports(
        "bus", [BoundDevice(device=button, reports=words, report={"node": 3, "port": 17})]
    )
    assert (place.shape.name, place.group, place.field.name) == ("InputReport", 1, "Port1")
    assert dict(place.words) == {1: "released", 2: "pressed"}


def test_a_lamp_has_no_place_in_the_schema() -> None:
    lamp = BoundDevice(
        device=Device("button", "begin"),
        orders=("dark", "flashing", "lit"),
        order={"node": 3, "port": 0},
    )
    with pytest.raises(ConfigurationError, match="button begin, order: The schema has no frame"):
        own_orders("bus", [lamp])


def test_a_button_and_a_switch_cannot_have_one_port() -> None:
    table = {"node": 3, "port": 0}
    devices = [
        BoundDevice(device=Device("button", "b"), reports=("released",), report=table),
        BoundDevice(device=Device("danger", "d"), reports=("free",), report=table),
    ]
    with pytest.raises(ConfigurationError, match="bound to button b already"):
        own_reports("bus", devices)
