"""What goes over a bus, as its bindings have it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from signalling.cli.bus import _ACTS, _SEES
from signalling.layout.words import device
from transports.can import CanTransport
from transports.can.schema import load_schema
from transports.can.traffic import _EVERY_NODE, _PROOFS, Traffic
from transports.transport import BoundDevice, TransportSettings

DBC = """\
VERSION ""
NS_ :
BS_:
BU_: Board Signalling
BO_ 1700 Beams: 2 Board
 SG_ Beam1 : 0|1@1+ (1,0) [0|1] "" Signalling
 SG_ Beam2 : 1|1@1+ (1,0) [0|1] "" Signalling
BO_ 2365587457 Switches: 4 Board
 SG_ Switch : 0|1@1+ (1,0) [0|1] "" Signalling
BO_ 1701 Lamps: 3 Signalling
 SG_ Lamp : 0|2@1+ (1,0) [0|3] "" Board
BO_ 1702 Query: 1 Signalling
 SG_ What : 0|8@1+ (1,0) [0|255] "" Board
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 2365587457 100;
"""


def detector(name: str, *, fresh: float | None = None, **report: Any) -> BoundDevice:
    return BoundDevice(
        device=device(f"detector {name}"),
        reports=("clear", "occupied"),
        report=report,
        fresh=fresh,
    )


def ordered(what: str, *orders: str, **order: Any) -> BoundDevice:
    return BoundDevice(device=device(what), orders=orders, order=order)


def traffic(*devices: BoundDevice, folder: Path | str = ".", **options: Any) -> list[Traffic]:
    settings = TransportSettings(
        name="bus",
        options={"interface": "virtual", **options},
        devices=devices,
        folder=str(folder),
    )
    return list(CanTransport(settings).traffic)


def shown(found: list[Traffic]) -> set[tuple[str, int, float | None, bool]]:
    return {(each.name, each.identifier, each.period, each.ours) for each in found}


ON_DEMAND = {("AllDanger", 0, None, True), ("Identify", 11 << 7, None, True)}


def test_a_node_sends_its_status_besides_its_reports() -> None:
    found = traffic(detector("d1", node=3, port=0), detector("d2", node=3, port=15))
    assert shown(found) == ON_DEMAND | {
        ("DetectorReport", 4 << 7 | 3, 0.25, False),
        ("NodeStatus", 10 << 7 | 3, 0.25, False),
        ("Heard", 13 << 7 | 3, 0.25, True),
    }
    assert {each.name: each.gap for each in found if not each.ours} == {
        "DetectorReport": 0.01,
        "NodeStatus": 0.01,
    }


def test_each_group_of_ports_is_a_stream() -> None:
    found = traffic(detector("d1", node=3, port=0), detector("d2", node=3, port=16))
    assert [each.name for each in found].count("DetectorReport") == 2
    assert [each.name for each in found].count("NodeStatus") == 1


def test_orders_are_repeated_as_the_layout_says_and_proved_by_the_node() -> None:
    devices = (
        ordered("signal M1", "danger", "clear", node=4, port=5),
        ordered("stop S1", "applied", "lifted", node=4, port=17),
        ordered("turnout t1", "normal", "reverse", node=5, port=0),
    )
    assert shown(traffic(*devices, refresh=0.5)) == ON_DEMAND | {
        ("SignalOrder", 2 << 7 | 4, 0.5, True),
        ("SignalProof", 8 << 7 | 4, 0.25, False),
        ("StopOrder", 1 << 7 | 4, 0.5, True),
        ("StopProof", 9 << 7 | 4, 0.25, False),
        ("TurnoutOrder", 7 << 7 | 5, 0.5, True),
        ("TurnoutReport", 6 << 7 | 5, 0.25, False),
        ("NodeStatus", 10 << 7 | 4, 0.25, False),
        ("Heard", 13 << 7 | 4, 0.25, True),
        ("NodeStatus", 10 << 7 | 5, 0.25, False),
        ("Heard", 13 << 7 | 5, 0.25, True),
    }


def test_frames_are_as_long_as_the_schema_says() -> None:
    found = traffic(ordered("signal M1", "danger", "clear", node=4, port=5))
    lengths = {name: shape.length for name, shape in load_schema().named.items()}
    assert all(each.data == lengths[each.name] and not each.extended for each in found)


def test_foreign_messages_are_counted_by_their_files(tmp_path: Path) -> None:
    (tmp_path / "shed.dbc").write_text(DBC)
    values = {"clear": 0, "occupied": 1}
    beams: dict[str, Any] = {"dbc": "shed.dbc", "message": "Beams", "values": values}
    switches: dict[str, Any] = {
        "dbc": "shed.dbc",
        "message": "Switches",
        "signal": "Switch",
        "values": values,
    }
    lamps = {"dbc": "shed.dbc", "message": "Lamps", "signal": "Lamp"}
    found = traffic(
        detector("d1", fresh=3, signal="Beam1", **beams),
        detector("d2", fresh=6, signal="Beam2", **beams),
        detector("d3", publisher="board", **switches),
        ordered("signal M1", "danger", "clear", values={"danger": 0, "clear": 1}, **lamps),
        folder=tmp_path,
        publishers={
            "board": {
                "dbc": "shed.dbc",
                "message": "Switches",
                "within": 30,
                "poll": {"message": "Query", "signals": {"What": 1}},
            }
        },
        refresh=0.5,
    )
    assert shown(found) == {
        # Nothing says how often it is sent: three times within the shortest `fresh`.
        ("Beams", 1700, 1.0, False),
        ("Switches", 2365587457 & 0x1FFF_FFFF, 0.1, False),
        ("Lamps", 1701, 0.5, True),
        ("board poll", 1702, None, True),
    }
    assert {each.name: (each.data, each.extended) for each in found} == {
        "Beams": (2, False),
        "Switches": (4, True),
        "Lamps": (3, False),
        "board poll": (1, False),
    }


def test_the_frames_that_are_named_are_those_of_the_schema() -> None:
    named = load_schema().named
    for order, proof in _PROOFS.items():
        assert named[order].by_controller
        assert not named[proof].by_controller
    assert {name for name, shape in named.items() if shape.period is None} == set(_EVERY_NODE)
    assert {_SEES, *_ACTS} <= named.keys()
