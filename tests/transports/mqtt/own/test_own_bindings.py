"""What of a layout's tables can be used with the schema, and what is said of the rest."""

from __future__ import annotations

from typing import Any

import pytest

from signalling.errors import ConfigurationError
from signalling.layout.words import BoundDevice, Device
from transports.mqtt import MqttTransport
from transports.mqtt.options import Options
from transports.mqtt.own.bindings import bind
from transports.mqtt.own.conversation import OwnBindings
from transports.transport import LinkCounters, TransportSettings

D1 = Device("detector", "d1")
M2 = Device("signal", "M2")
ASPECTS = ("danger", "caution", "clear")


def detector(which: str = "d1", /, **report: Any) -> BoundDevice:
    return BoundDevice(
        device=Device("detector", which), reports=("clear", "occupied"), report=report
    )


def signal(**order: Any) -> BoundDevice:
    return BoundDevice(device=M2, orders=ASPECTS, order=order)


def indicator(**order: Any) -> BoundDevice:
    return BoundDevice(device=Device("indicator", "M2"), orders=("dark", "4"), order=order)


def made(*devices: BoundDevice, **options: Any) -> MqttTransport:
    options = {"schema": 1, **options}
    return MqttTransport(TransportSettings(name="club", options=options, devices=devices))


def test_devices_by_their_nodes() -> None:
    nodes = bind(
        "club",
        [
            detector(node="shed"),
            signal(node="shed"),
            indicator(node="shed"),
            detector("d2", node="x"),
        ],
    )
    assert set(nodes) == {"shed", "x"}
    assert nodes["shed"].reports == {("detector", "d1"): D1}
    state: dict[str, dict[str, Any]] = {}
    for device, word in ((M2, "caution"), (Device("indicator", "M2"), "4")):
        nodes["shed"].orders[device].put(state, word)
    assert state == {"signal": {"M2": {"aspect": "caution", "indicator": "4"}}}


def test_a_device_may_have_another_name_at_its_node() -> None:
    nodes = bind("club", [detector(node="shed", name="in-3")])
    assert nodes["shed"].reports == {("detector", "in-3"): D1}


def test_a_node_may_have_reports_alone_or_orders_alone_or_nothing() -> None:
    made(detector(node="shed"))
    made(signal(node="shed"))
    made()


@pytest.mark.parametrize(
    ("devices", "options", "said"),
    [
        ([detector()], {}, 'It has no node.*node = "shed-1"'),
        ([detector(topic="x")], {}, "topic does not say which node it is.*without schema"),
        ([detector(node="shed", topic="x")], {}, "topic means nothing here.*node, name"),
        ([detector(node="she/d")], {}, "node is 'she/d'"),
        ([detector(node="")], {}, "node is ''"),
        ([detector(node=3)], {}, "node is 3"),
        ([detector(node="+")], {}, r"node is '\+'"),
        ([detector(node="shed", name="a b")], {}, "name is 'a b'"),
        ([detector(node="shed", name=1)], {}, "name is 1"),
        (
            [detector(node="shed", name="x"), detector("d2", node="shed", name="x")],
            {},
            "'x' of node shed is bound to detector d1 already",
        ),
        (
            [
                signal(node="shed"),
                BoundDevice(
                    device=Device("signal", "M3"),
                    orders=ASPECTS,
                    order={"node": "shed", "name": "M2"},
                ),
            ],
            {},
            "'M2' of node shed is bound to signal M2 already",
        ),
        ([signal(node="a"), indicator(node="b")], {}, "to one node, under one name"),
        ([signal(node="a"), indicator(node="a", name="x")], {}, "to one node, under one name"),
        (
            [BoundDevice(device=M2, orders=("danger", "x" * 65), order={"node": "a"})],
            {},
            "is too long",
        ),
        (
            [
                BoundDevice(
                    device=Device("stop", f"S{number}"),
                    orders=("applied", "lifted"),
                    order={"node": "shed"},
                )
                for number in range(250)
            ],
            {},
            "node shed: Its orders take up to .* bytes.*among two nodes",
        ),
        ([], {"schema": 2}, "schema is 2"),
        ([], {"schema": "1"}, "schema is '1'"),
        ([], {"schema": True}, "schema is True"),
        ([], {"publishers": {}}, "both publishers and schema"),
        ([], {"payload_limit": 100}, "both payload_limit and schema"),
        ([], {"refresh": 0}, "refresh is 0"),
        ([], {"within": 0}, "within is 0"),
        ([], {"within": "1"}, "within is '1'"),
        ([], {"within": 61}, "within is 61"),
        ([], {"within": float("nan")}, "within is nan"),
        ([], {"base": "a/#"}, "is not the topic"),
    ],
)
def test_what_cannot_be_used_is_refused(
    devices: list[BoundDevice], options: dict[str, Any], said: str
) -> None:
    with pytest.raises(ConfigurationError, match=said):
        made(*devices, **options)


def test_words_of_the_schema_mean_nothing_without_it() -> None:
    def plain(*devices: BoundDevice, **options: Any) -> None:
        MqttTransport(TransportSettings(name="club", options=options, devices=devices))

    with pytest.raises(ConfigurationError, match="It has within, and no schema"):
        plain(within=2)
    for each in (detector(node="shed"), signal(node="shed")):
        with pytest.raises(ConfigurationError, match=r"It names a node.*schema = 1"):
            plain(each)


@pytest.mark.parametrize(
    ("options", "period"),
    [({}, 0.25), ({"within": 0.4}, 0.1), ({"refresh": 0.125}, 0.125), ({"refresh": 60}, 0.25)],
)
def test_orders_are_said_again_within_what_was_asked_for(
    options: dict[str, float], period: float
) -> None:
    devices = (signal(node="shed"),)
    settings = TransportSettings(name="club", options={"schema": 1, **options}, devices=devices)
    conversation = OwnBindings(settings, Options.read(settings)).converse(
        lambda _: None, LinkCounters(), lambda: None
    )
    assert len(conversation.opening(100.0)) == 2
    assert conversation.next_turn == 100.0 + period
    assert len(conversation.turn(conversation.next_turn)) == 1


def test_nodes_are_found_only_where_there_are_some() -> None:
    transport = made(detector(node="shed"))
    assert transport.nodes == {}
