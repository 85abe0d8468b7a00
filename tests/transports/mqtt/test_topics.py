from __future__ import annotations

from typing import Any

import pytest

from signalling.errors import ConfigurationError
from signalling.layout.words import BoundDevice, Device
from transports.mqtt.topics import Routes

STATUS = "gannet/controller"


def detector(name: str, **report: Any) -> BoundDevice:
    return BoundDevice(
        device=Device("detector", name), reports=("clear", "occupied"), report=report
    )


def signal(name: str, **order: Any) -> BoundDevice:
    return BoundDevice(device=Device("signal", name), orders=("danger", "clear"), order=order)


def routes(*devices: BoundDevice, publishers: tuple[str, ...] = ()) -> Routes:
    return Routes.make("club", "gannet", devices, publishers, (STATUS,))


def test_topics_where_a_binding_names_none() -> None:
    made = routes(detector("d1"), signal("M1"))
    assert list(made.reports) == ["gannet/report/detector/d1"]
    orders = made.orders[Device("signal", "M1")]
    assert {(order.topic, order.payload, order.qos, order.retain) for order in orders.values()} == {
        ("gannet/order/signal/M1", b"danger", 1, False),
        ("gannet/order/signal/M1", b"clear", 1, False),
    }


def test_several_devices_may_report_on_one_topic() -> None:
    made = routes(
        detector("d1", topic="bridge", pointer="/d1"), detector("d2", topic="bridge", pointer="/d2")
    )
    assert [route.device.name for route in made.reports["bridge"]] == ["d1", "d2"]


def test_several_devices_may_be_ordered_on_one_topic_when_they_can_be_told_apart() -> None:
    routes(signal("M1", topic="heads", pointer="/M1"), signal("M2", topic="heads", pointer="/M2"))


def test_options_of_an_order() -> None:
    orders = routes(signal("M1", retain=True, qos=0)).orders[Device("signal", "M1")]
    assert (orders["clear"].retain, orders["clear"].qos) == (True, 0)


@pytest.mark.parametrize(
    ("devices", "said"),
    [
        ([detector("d1", topic="a/+/b")], "report: 'a/.*/b' is not the topic of a message"),
        ([detector("d1", topic="a/#")], "is not the topic of a message"),
        ([signal("M1", topic="#")], "order: '#' is not the topic of a message"),
        ([detector("d1", topic="a\0b")], "is not the topic of a message"),
        ([detector("d1", topic="$SYS/uptime")], "is not the topic of a message"),
        ([detector("d1", topic="")], "topic is ''"),
        ([detector("d1", topic=7)], "topic is 7"),
        ([detector("d1", topic="x" * 70_000)], "topic is too long"),
        ([detector("d1", topics="x")], "topics means nothing here"),
        ([signal("M1", publisher="x")], "publisher means nothing here"),
        ([detector("d1", publisher="bridge")], "no publisher 'bridge'"),
        ([detector("d1", optional="yes")], "optional is 'yes'"),
        ([signal("M1", retain=1)], "retain is 1"),
        ([signal("M1", qos=3)], "qos is 3"),
        ([signal("M1", qos=True)], "qos is True"),
        (
            [signal("M1", topic="heads"), signal("M2", topic="heads")],
            "cannot be told from one for signal M1",
        ),
        ([detector("d1", topic="x"), signal("M1", topic="x")], "would be heard as reports"),
        ([signal("M1", topic=STATUS)], "would be heard as reports"),
    ],
)
def test_topics_that_cannot_be_used_are_refused(devices: list[BoundDevice], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        routes(*devices)
