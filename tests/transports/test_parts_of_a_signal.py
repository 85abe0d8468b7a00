"""Distant signals, second heads and announcing indicators on the protocols of our own."""

from __future__ import annotations

from attrs import evolve

from signalling.layout.read import examine_text
from signalling.layout.words import BoundDevice, Device
from signalling.practice.load import load_practice
from signalling.table.devices import bindings
from transports.can.own import own_orders
from transports.mqtt.own.bindings import bind

LAYOUT = """
[layout]
name = "Dunlin Halt"
practice = "ks"
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
V = { at = "a > b", distant = true, aspects = 2, announces = [4], splitting = "main" }
F = { at = "b > c", aspects = 2, routes = { main = { indicator = 4 } } }
[transports.x]
kind = "loopback"
[[bindings]]
device = "*"
transport = "x"
"""
HEAD, SECOND, AHEAD = (
    Device("signal", "V"),
    Device("signal", "V/main"),
    Device("indicator", "V/ahead"),
)
WORDS = ("caution", "expect-speed", "clear")


def parts() -> dict[Device, BoundDevice]:
    layout = examine_text(LAYOUT).layout
    assert layout is not None
    found = {each.device: each for each in bindings(layout, load_practice("ks"))["x"]}
    return {device: found[device] for device in (HEAD, SECOND, AHEAD)}


def test_the_words_of_each_part() -> None:
    found = parts()
    assert {device: each.orders for device, each in found.items()} == {
        HEAD: WORDS,
        SECOND: WORDS,
        AHEAD: ("dark", "4"),
    }


def test_on_mqtt_each_part_has_a_name_of_its_own() -> None:
    bound = [evolve(each, order={"node": "post-1"}) for each in parts().values()]
    orders = bind("x", bound)["post-1"].orders
    state: dict[str, dict[str, object]] = {}
    for device, word in ((HEAD, "caution"), (SECOND, "clear"), (AHEAD, "4")):
        orders[device].put(state, word)
    assert state == {
        "signal": {
            "V": {"aspect": "caution"},
            "V/main": {"aspect": "clear"},
            "V/ahead": {"indicator": "4"},
        }
    }


def test_on_can_each_part_has_a_port_and_nought_is_its_most_restrictive_word() -> None:
    flashing = {"flash": ["expect-speed"]}
    bound = [
        evolve(each, order={"node": 5, "port": port, **(flashing if port < 2 else {})})
        for port, each in enumerate(parts().values())
    ]
    for order in own_orders("x", bound):
        first = "dark" if order.device == AHEAD else "caution"
        assert (order.bits[first], order.ranks[first]) == (0, 0)
        assert len(set(order.bits.values())) == len(order.bits)
