"""A CAN transport's table in the layout file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from signalling.errors import ConfigurationError
from signalling.layout.words import Device
from transports.can import CanTransport
from transports.can.options import Options
from transports.registry import make_transport
from transports.transport import BoundDevice, TransportSettings

D1, S1 = Device("detector", "d1"), Device("stop", "S1")
HERE = str(Path(__file__).parent)
PORT = {"node": 3, "port": 0}


def settings(*devices: BoundDevice, **options: Any) -> TransportSettings:
    return TransportSettings(name="club", options=options, devices=devices, folder=HERE)


def read(*devices: BoundDevice, **options: Any) -> Options:
    return Options.read(settings(*devices, **options))


STOP = BoundDevice(device=S1, orders=("applied", "lifted"), order=PORT)
DETECTOR = BoundDevice(device=D1, reports=("clear", "occupied"), report=PORT)


def test_a_table_with_nothing_but_the_interface() -> None:
    options = read(interface="virtual")
    assert dict(options.arguments) == {}
    assert options.timing.refresh == 0.25  # what nodes need, whatever other links do
    assert options.timing.lost_after == 1.5


def test_everything_for_the_interface_goes_to_python_can() -> None:
    options = read(
        interface="slcan",
        channel="/dev/ttyACM0",
        bitrate=125_000,
        options={"sleep_after_open": 0.5, "timeout": 0.1},
    )
    assert options.arguments == {
        "channel": "/dev/ttyACM0",
        "bitrate": 125_000,
        "sleep_after_open": 0.5,
        "timeout": 0.1,
    }
    # A serial port is not waited for on the loop, unless somebody says so.
    assert read(interface="slcan").arguments == {"timeout": 0}


def test_orders_are_repeated_often_enough_for_nodes() -> None:
    assert read(STOP, interface="virtual", refresh=0.5).timing.refresh == 0.5
    with pytest.raises(ConfigurationError, match=r"refresh is 0\.6.*danger.*for 1 s.*than 0\.5"):
        read(STOP, interface="virtual", refresh=0.6)
    assert read(DETECTOR, interface="virtual", refresh=2).timing.refresh == 2


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "It has no interface"),
        ({"interface": "carrier-pigeon"}, "no interface 'carrier-pigeon'.*plug-in.*socketcan"),
        ({"interface": 5}, "interface is 5"),
        ({"bitrate": 0}, "bitrate is 0"),
        ({"bitrate": "125k"}, "bitrate is '125k'"),
        ({"bitrate": 2_000_000}, "bitrate is 2000000"),
        ({"options": 5}, "options is 5"),
        ({"options": {"channel": "can0"}}, "options has channel"),
        ({"chanel": "can0"}, "chanel means nothing here.*channel"),
        ({"dbc": {"mine.dbc": True}}, "dbc is not a table of tables"),
        ({"publishers": 5}, "publishers is not a table of tables"),
        ({"lost_after": 0}, "lost_after is 0"),
    ],
)
def test_what_cannot_be_used_is_refused(given: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        read(**({} if given == {} else {"interface": "virtual"} | given))


def test_it_is_a_kind_of_transport() -> None:
    transport = make_transport("can", settings(DETECTOR, interface="virtual", channel="x"))
    assert isinstance(transport, CanTransport)
    assert transport.timing.refresh == 0.25


@pytest.mark.parametrize(
    ("report", "said"),
    [
        ({}, "neither node nor dbc.*report = { node = 3, port = 5 }.*mine.dbc"),
        ({"node": 3, "dbc": "merrow.dbc"}, "both node and dbc"),
        ({"topic": "d1"}, "neither node nor dbc"),
    ],
)
def test_a_binding_is_to_a_node_or_to_a_file(report: dict[str, Any], said: str) -> None:
    bound = BoundDevice(device=D1, reports=("clear", "occupied"), report=report)
    with pytest.raises(ConfigurationError, match=f"transport club, detector d1, report.*{said}"):
        CanTransport(settings(bound, interface="virtual"))


FOREIGN = BoundDevice(
    device=D1,
    reports=("clear", "occupied"),
    report={
        "dbc": "low.dbc",
        "message": "Low",
        "signal": "State",
        "values": {"occupied": 1, "clear": 0},
    },
    fresh=2,
)


def test_a_foreign_message_may_not_look_like_one_of_ours(tmp_path: Path) -> None:
    (tmp_path / "low.dbc").write_text(
        'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 515 Low: 1 A\n SG_ State : 0|1@1+ (1,0) [0|1] "" A\n'
    )
    options = {"interface": "virtual"}
    alone = TransportSettings(
        name="club", options=options, devices=(FOREIGN,), folder=str(tmp_path)
    )
    CanTransport(alone)
    mixed = TransportSettings(
        name="club", options=options, devices=(FOREIGN, STOP), folder=str(tmp_path)
    )
    with pytest.raises(ConfigurationError, match=r"message Low: Its identifier, 203 hex.*600 hex"):
        CanTransport(mixed)


def test_a_bus_of_foreign_devices_only_lets_through_what_is_bound(tmp_path: Path) -> None:
    from transports.can.bindings import Bindings

    (tmp_path / "low.dbc").write_text(
        'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 515 Low: 1 A\n'
        ' SG_ State : 0|1@1+ (1,0) [0|1] "" A\nBO_ 2566852608 Beat: 1 A\n'
        ' SG_ Beat : 0|1@1+ (1,0) [0|1] "" A\n'
    )
    options = {
        "interface": "virtual",
        "publishers": {"a": {"dbc": "low.dbc", "message": "Beat", "within": 1}},
    }
    alone = TransportSettings(
        name="club", options=options, devices=(FOREIGN,), folder=str(tmp_path)
    )
    assert Bindings(alone, Options.read(alone)).filters == {
        "can_filters": [
            {"can_id": 0x203, "can_mask": 0x7FF, "extended": False},
            {"can_id": 0x18FF1000, "can_mask": 0x1FFFFFFF, "extended": True},
        ]
    }
    own = settings(STOP, interface="virtual")
    assert Bindings(own, Options.read(own)).filters == {}
