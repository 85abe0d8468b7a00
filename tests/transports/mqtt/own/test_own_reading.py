"""What a message of our own schema says, told to one who listens."""

from __future__ import annotations

from typing import Any

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.words import BoundDevice, Device, Report
from transports.listen import Arrival, Meaning
from transports.mqtt.options import Options
from transports.mqtt.own.codec import (
    AllDanger,
    Gone,
    Heard,
    Identify,
    Message,
    NodeOrder,
    NodeReport,
    NodeStatus,
    encode,
)
from transports.mqtt.own.conversation import OwnBindings
from transports.mqtt.own.reading import OwnReader, own_topics
from transports.transport import LinkCounters, TransportSettings

D1, M1, S1 = Device("detector", "d1"), Device("signal", "M1"), Device("stop", "S1")
I1 = Device("indicator", "M1")
DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report={"node": "east"}),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order={"node": "east"}),
    BoundDevice(device=I1, orders=("dark", "4"), order={"node": "east"}),
    BoundDevice(device=S1, orders=("applied", "lifted"), order={"node": "east"}),
)
SESSION = "0123456789abcdef"
REPORT = NodeReport(
    node="east",
    session=SESSION,
    seq=7,
    heard=Heard(session="fedcba9876543210", seq=3),
    status=NodeStatus(serial="17", start="0" * 16, firmware="1.0"),
    reports={"detector": {"d1": "occupied"}},
)
ORDER = NodeOrder(
    node="east",
    session=SESSION,
    seq=9,
    heard=Heard(session="fedcba9876543210", seq=3),
    ttl=1000,
    orders={"signal": {"M1": {"aspect": "clear", "indicator": "4"}}, "stop": {"S1": "lifted"}},
)


class Rig:
    def __init__(self) -> None:
        table: dict[str, Any] = {"base": "gannet", "schema": 1, "within": 30}
        settings = TransportSettings(name="club", options=table, devices=DEVICES)
        self.bindings = OwnBindings(settings, Options.read(settings))
        self.said: list[Report] = []
        self.counters = LinkCounters()
        self.reader = OwnReader(self.bindings, self.said.append, self.counters)

    def __call__(self, topic: str, message: Message | bytes, *, retained: bool = False) -> Arrival:
        payload = message if isinstance(message, bytes) else encode(message)
        return self.reader.read(f"gannet/v1/{topic}", payload, 0.0, retained=retained)


def test_a_report_tells_its_devices_and_how_its_node_fares() -> None:
    rig = Rig()
    arrival = rig("node/east/report", REPORT)
    assert arrival.meanings == (Meaning(device=D1, value="occupied"),)
    assert arrival.message == "report"
    assert dict(arrival.values) == {"serial": "17", "firmware": "1.0", "detector d1": "occupied"}
    assert arrival.bound
    assert rig.said == [Report(D1, "occupied")]


def test_a_number_that_only_counts_on_is_nothing_new() -> None:
    rig = Rig()
    first = rig("node/east/report", REPORT)
    again = rig("node/east/report", evolve(REPORT, seq=8))
    other = rig("node/east/report", evolve(REPORT, reports={"detector": {"d1": "clear"}}))
    assert first.raw != again.raw
    assert first.content == again.content != other.content


def test_a_node_that_hears_no_controller_is_not_believed() -> None:
    rig = Rig()
    (meaning,) = rig("node/east/report", evolve(REPORT, heard=None)).meanings
    assert (meaning.value, meaning.reason) == ("occupied", "its node hears no controller")
    assert rig.said == [Report(D1, None)]


def test_faults_of_a_node_are_told() -> None:
    status = evolve(REPORT.status, supply_low=True, output_fault=True)
    values = Rig()("node/east/report", evolve(REPORT, status=status)).values
    assert values["faults"] == ["supply_low", "output_fault"]


def test_what_a_bound_node_says_beyond_its_bindings_is_bound_to_nothing() -> None:
    reports = {"detector": {"d1": "clear", "spare": "clear"}, "turnout": {"t9": None}}
    arrival = Rig()("node/east/report", evolve(REPORT, reports=reports))
    assert arrival.unbound == ("detector spare", "turnout t9")
    assert set(arrival.unbound) <= set(arrival.values)


def test_a_node_that_no_binding_names_is_found_with_all_that_it_says() -> None:
    rig = Rig()
    arrival = rig("node/attic/report", evolve(REPORT, node="attic"))
    assert not arrival.bound
    assert not arrival.reason
    assert arrival.unbound == ("detector d1",)
    assert rig.said == []


def test_an_order_is_told_device_by_device() -> None:
    arrival = Rig()("node/east/order", ORDER)
    assert {(each.device, each.order, each.value) for each in arrival.meanings} == {
        (M1, True, "clear"),
        (I1, True, "4"),
        (S1, True, "lifted"),
    }
    short = Rig()("node/east/order", evolve(ORDER, orders={"stop": {"S1": "lifted"}}))
    assert {each.reason for each in short.meanings if each.device != S1} == {"not named"}


@pytest.mark.parametrize(
    ("topic", "message", "name"),
    [
        ("node/east/gone", Gone(node="east", session=SESSION), "gone"),
        ("node/east/identify", Identify(node="east", session=SESSION), "identify"),
        ("all-danger", AllDanger(session=SESSION), "all-danger"),
    ],
)
def test_the_other_messages_are_known_and_about_no_device(
    topic: str, message: Message, name: str
) -> None:
    arrival = Rig()(topic, message)
    assert (arrival.message, arrival.meanings, arrival.bound) == (name, (), True)


@pytest.mark.parametrize(
    ("message", "retained", "reason"),
    [
        (b"{}", False, "check-sum"),
        (encode(REPORT)[:-1] + b" ", False, "check-sum"),
        (encode(evolve(REPORT, node="west")), False, "another-node: west"),
        (encode(REPORT), True, "retained"),
        (b"x" * 100_000, False, "oversized"),
    ],
)
def test_what_cannot_be_believed_is_turned_away_and_counted(
    message: bytes,
    retained: bool,  # noqa: FBT001
    reason: str,
) -> None:
    rig = Rig()
    arrival = rig("node/east/report", message, retained=retained)
    assert (arrival.reason, arrival.meanings) == (reason, ())
    assert rig.counters.rejected == {reason.partition(":")[0]: 1}
    assert rig.said == []


def test_other_topics_are_bound_to_nothing() -> None:
    arrival = Rig().reader.read("shed/1", b"ON", 0.0, retained=True)
    assert (arrival.bound, arrival.kept, arrival.message) == (False, True, "")
    arrival = Rig().reader.read("shed/1", b'{"occ": true}', 0.0, retained=False)
    assert (arrival.message, arrival.unbound, arrival.bound) == ("JSON", ("/occ",), False)


def test_every_topic_of_a_bound_node_is_listened_to() -> None:
    topics = own_topics(Rig().bindings)
    assert len(set(topics)) == len(topics)
    assert {"gannet/v1/node/east/report", "gannet/v1/node/east/order", "gannet/v1/all-danger"} <= {
        *topics
    }


@given(
    st.sampled_from(["node/east/report", "node/east/order", "all-danger", "node/x/gone", "?"]),
    st.binary(max_size=60),
    st.booleans(),
)
def test_nothing_that_arrives_is_too_much(topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
    assert Rig()(topic, payload, retained=retained).raw == payload
