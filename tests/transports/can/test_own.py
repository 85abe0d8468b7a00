"""Bindings to ports: what a layout may say, and how it is told what it may not."""

from __future__ import annotations

from typing import Any

import pytest

from signalling.errors import ConfigurationError
from signalling.layout.words import Device
from transports.can.own import own_orders, own_reports
from transports.transport import BoundDevice

D1, D2, M1, I1, S1 = (
    Device("detector", "d1"),
    Device("detector", "d2"),
    Device("signal", "M1"),
    Device("indicator", "M1"),
    Device("stop", "S1"),
)
OCCUPANCY = ("clear", "occupied")
ASPECTS = ("danger", "caution", "preliminary-caution", "clear")


def report(device: Device = D1, words: tuple[str, ...] = OCCUPANCY, /, **table: Any) -> Any:
    return own_reports("club", [BoundDevice(device=device, reports=words, report=table)])[0]


def order(device: Device = M1, words: tuple[str, ...] = ASPECTS, /, **table: Any) -> Any:
    return own_orders("club", [BoundDevice(device=device, orders=words, order=table)])[0]


def test_a_port_and_its_group() -> None:
    place = report(node=3, port=5)
    assert (place.shape.name, place.node, place.group, place.field.name) == (
        "DetectorReport",
        3,
        0,
        "Port5",
    )
    place = report(node=127, port=255)
    assert (place.group, place.field.name) == (15, "Port15")
    place = order(node=1, port=63)
    assert (place.shape.name, place.group, place.field.name) == ("SignalOrder", 15, "Aspect3")


def test_the_ports_of_several_devices_by_their_names() -> None:
    assert report(node=3, ports={"d1": 4, "d2": 9}).port == 4
    assert report(D2, node=3, ports={"d1": 4, "d2": 9}).port == 9


def test_aspects_are_numbered_from_danger() -> None:
    assert order(node=3, port=0).bits == {
        "danger": 0 << 32,
        "caution": 1 << 32,
        "preliminary-caution": 2 << 32,
        "clear": 3 << 32,
    }


def test_aspects_with_numbers_of_the_node_s_own_and_flashing_ones() -> None:
    place = order(
        node=3,
        port=1,
        values={"preliminary-caution": 1, "caution": 2},
        flash=["preliminary-caution"],
    )
    assert place.bits == {
        "danger": 0,
        "caution": 2 << 40,
        "preliminary-caution": (1 << 40) | (1 << 47),
        "clear": 3 << 40,
    }
    assert place.mask == 0x8F << 40


def test_positions_are_their_own_numbers_and_letters_need_one() -> None:
    assert order(I1, ("dark", "1", "6"), node=3, port=0).bits == {
        "dark": 0,
        "1": 1 << 36,
        "6": 6 << 36,
    }
    assert order(I1, ("dark", "A"), node=3, port=0, values={"A": 7}).bits["A"] == 7 << 36
    assert report(I1, ("dark", "A"), node=3, port=0, values={"A": 7}).words == {8: "dark", 7: "A"}
    with pytest.raises(ConfigurationError, match=r"no number for the position 'A'.*A = 1"):
        order(I1, ("dark", "A"), node=3, port=0)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"port": 5}, "It has no node.*from 1 to 127"),
        ({"node": 0, "port": 5}, "node is 0"),
        ({"node": 128, "port": 5}, "node is 128"),
        ({"node": "3", "port": 5}, "node is '3'"),
        ({"node": True, "port": 5}, "node is True"),
        ({"node": 3}, "It has no port"),
        ({"node": 3, "port": -1}, "port is -1.*from 0 to 255"),
        ({"node": 3, "port": 256}, "port is 256"),
        ({"node": 3, "port": 1.5}, r"port is 1\.5"),
        ({"node": 3, "port": 5, "ports": {}}, "both port and ports"),
        ({"node": 3, "ports": {"d2": 5}}, r"does not name d1.*d1 = 5"),
        ({"node": 3, "ports": 5}, "ports is 5"),
        ({"node": 3, "ports": {"d1": 999}}, "d1 is 999"),
        ({"node": 3, "port": 5, "values": {}}, "values means nothing here"),
        ({"node": 3, "port": 5, "pin": 4}, "pin means nothing here.*node, port, ports"),
    ],
)
def test_a_report_that_cannot_be(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=f"transport club, detector d1, report.*{said}"):
        report(**table)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"port": 64}, "port is 64.*from 0 to 63"),
        ({"values": {"danger": 1}}, "number of 'danger' is 1.*must be 0"),
        ({"values": {"caution": 0}}, "Two words have the number 0"),
        ({"values": {"caution": 3}}, "Two words have the number 3"),
        ({"values": {"caution": 16}}, "caution is 16.*from 0 to 15"),
        ({"values": {"green": 1}}, "values is .*green.*words are: danger, caution"),
        ({"values": [1]}, "values is"),
        ({"flash": "caution"}, "flash is 'caution'"),
        ({"flash": ["danger"]}, "flash is.*caution, preliminary-caution, clear"),
        ({"flash": ["green"]}, "flash is"),
    ],
)
def test_an_order_that_cannot_be(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=f"transport club, signal M1, order.*{said}"):
        order(**({"node": 3, "port": 0} | table))


def test_more_aspects_than_a_frame_can_say() -> None:
    many = ("danger", *(f"aspect-{number}" for number in range(16)))
    with pytest.raises(ConfigurationError, match="number of 'aspect-15' is 16"):
        order(M1, many, node=3, port=0)


def test_two_devices_on_one_port_are_refused() -> None:
    devices = [
        BoundDevice(device=device, reports=("clear", "occupied"), report={"node": 3, "port": 5})
        for device in (D1, D2)
    ]
    with pytest.raises(ConfigurationError, match="d2, report: Port 5 of node 3 is bound to detec"):
        own_reports("club", devices)


def test_a_signal_and_its_indicator_share_a_port() -> None:
    places = own_orders(
        "club",
        [
            BoundDevice(device=M1, orders=ASPECTS, order={"node": 3, "port": 0}),
            BoundDevice(device=I1, orders=("dark", "4"), order={"node": 3, "port": 0}),
        ],
    )
    assert places[0].mask & places[1].mask == 0
