"""Requests in plain JSON, and through a real broker to a running controller and back."""

from __future__ import annotations

import asyncio
import json
import math
from collections import Counter
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from signalling.controller import Controller
from signalling.core.buttons import BOUNCE
from signalling.errors import ConfigurationError
from signalling.layout.asking import Answer, Asked, Outcome, Stage
from signalling.layout.words import Device
from tests.conftest import until
from transports.desk import OLDEST
from transports.link import LinkState
from transports.mqtt import MqttTransport
from transports.mqtt.requests import LONGEST, SCHEMAS, SETTLE, PlainRequests, RequestTopics
from transports.transport import BoundDevice, TransportSettings

if TYPE_CHECKING:
    from tests.conftest import Broker

TOPICS = RequestTopics.under("gannet")
LATER = SETTLE + 1


class Link:
    """One opening, from 0 s on."""

    def __init__(self) -> None:
        self.asked: list[Asked] = []
        self.rejected: Counter[str] = Counter()
        self.requests = PlainRequests(TOPICS, self.asked.append, self.rejected)
        self.said = self.listening(0.0)

    def listening(self, now: float) -> dict[str, Any]:
        said: dict[str, Any] = json.loads(self.requests.listening(now).payload)
        return said

    def take(self, document: Any, now: float = LATER, *, retained: bool = False) -> None:
        payload = document if isinstance(document, bytes) else json.dumps(document).encode()
        self.requests.take(payload, now, retained=retained)


PLAIN = {"id": "1", "request": "hold M1"}


def test_a_request_is_what_its_members_say() -> None:
    link = Link()
    link.take(PLAIN | {"by": "the hall clock", "more": [1]})
    assert link.asked == [Asked(id="1", by="the hall clock", text="hold M1", at=LATER)]
    assert not link.rejected


def test_a_retained_request_is_none() -> None:
    link = Link()
    link.take(PLAIN, retained=True)
    assert not link.asked
    assert link.rejected == {"retained": 1}


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (b"", "not-json"),
        (b"hold M1", "not-json"),
        (b'{"id": "1", "id": "2", "request": "hold M1"}', "repeated-key"),
        (b"x" * (LONGEST + 1), "oversized"),
        ([], "not-in-schema"),
        ({"request": "hold M1"}, "not-in-schema"),
        ({"id": "1"}, "not-in-schema"),
        ({"id": "", "request": "hold M1"}, "not-in-schema"),
        ({"id": 1, "request": "hold M1"}, "not-in-schema"),
        ({"id": "1", "request": ""}, "not-in-schema"),
        ({"id": "1", "request": "x" * 201}, "not-in-schema"),
        (PLAIN | {"by": 3}, "not-in-schema"),
        (PLAIN | {"heard": None}, "not-in-schema"),
        (PLAIN | {"heard": {"session": "0" * 16}}, "not-in-schema"),
    ],
)
def test_what_is_no_request_is_counted(said: Any, reason: str) -> None:
    link = Link()
    link.take(said)
    assert not link.asked
    assert link.rejected == {reason: 1}


@given(st.binary(max_size=200))
def test_whatever_arrives_nothing_breaks(payload: bytes) -> None:
    link = Link()
    link.take(payload)
    assert len(link.asked) + sum(link.rejected.values()) == 1


def test_what_comes_just_after_opening_may_be_from_before() -> None:
    link = Link()
    link.take(PLAIN, SETTLE - 0.01)
    link.take(PLAIN, SETTLE)
    assert [each.at for each in link.asked] == [-math.inf, SETTLE]


def test_a_request_that_repeats_our_number_is_as_old_as_that_at_most() -> None:
    link = Link()
    second = link.listening(0.5)
    link.take(PLAIN | {"heard": link.said}, 0.2)
    link.take(PLAIN | {"heard": second}, 2.0)
    assert [each.at for each in link.asked] == [0.0, 0.5]


def test_a_number_that_proves_nothing_is_as_old_as_can_be() -> None:
    link = Link()
    other = Link()
    link.take(PLAIN | {"heard": other.said})
    link.take(PLAIN | {"heard": link.said | {"seq": 2}})
    link.listening(0.1 + OLDEST)
    link.take(PLAIN | {"heard": link.said}, 0.1 + OLDEST)
    assert [each.at for each in link.asked] == [-math.inf] * 3


def test_an_outcome_is_told_as_the_schema_has_it() -> None:
    link = Link()
    outcome = Outcome(Stage.REFUSED, "There is no signal 'M9'.")
    answer = Answer(Asked(id="1", by="page", text="hold M9", at=0.0), outcome)
    [said] = link.requests.answers([answer])
    assert (said.topic, said.retain, said.qos) == ("gannet/outcome", False, 1)
    document = json.loads(said.payload)
    assert document == {
        "id": "1",
        "by": "page",
        "request": "hold M9",
        "outcome": "refused",
        "reason": "There is no signal 'M9'.",
        "final": True,
    }
    Draft7Validator(SCHEMAS["outcome"]).validate(document)
    Draft7Validator(SCHEMAS["listening"]).validate(link.said)
    Draft7Validator(SCHEMAS["request"]).validate(PLAIN | {"heard": link.said})


def test_the_schemas_are_those_that_are_published() -> None:
    folder = Path(__file__).parents[3] / "shared" / "mqtt-plain"
    published = {path.name: json.loads(path.read_text("utf-8")) for path in folder.iterdir()}
    assert published == {f"{name}.schema.json": schema for name, schema in SCHEMAS.items()}
    for schema in SCHEMAS.values():
        Draft7Validator.check_schema(schema)
        for name, member in schema["properties"].items():
            assert member["description"], name


@pytest.mark.parametrize("topic", TOPICS.all)
@pytest.mark.parametrize("way", ["report", "order"])
def test_no_device_may_have_a_topic_of_requests(topic: str, way: str) -> None:
    detector = BoundDevice(
        device=Device("detector", "d1"), reports=("clear", "occupied"), report={"topic": topic}
    )
    signal = BoundDevice(
        device=Device("signal", "M1"), orders=("danger", "clear"), order={"topic": topic}
    )
    devices = (detector if way == "report" else signal,)

    def make(**options: object) -> MqttTransport:
        options |= {"base": "gannet"}
        return MqttTransport(TransportSettings(name="club", options=options, devices=devices))

    with pytest.raises(ConfigurationError, match="is not for"):
        make(requests=True)
    make()


LAYOUT = """
[layout]
name = "Gannet Point"
hold_off = 0.1
sequence = false
[blocks]
d1 = {}
d2 = {}
[lines]
main = "d1 > d2"
[signals]
M1 = { at = "d1 > d2", aspects = 3, hidden = false }
[transports.club]
kind = "mqtt"
port = PORT
base = "gannet"
requests = true
[[bindings]]
device = "*"
transport = "club"
"""


async def test_from_a_broker_to_the_logic_and_back(broker: Broker, tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(LAYOUT.replace("PORT", str(broker.port)))
    listener = await broker.listen("gannet/outcome", "-t", "gannet/order/#")
    await broker.publish("gannet/request", json.dumps({"id": "kept", "request": "hold M1"}), "-r")

    def outcomes() -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for topic, said in listener.lines:
            if topic == "gannet/outcome":
                document = json.loads(said)
                found.setdefault(document["id"], []).append(document["outcome"])
        return found

    async with Controller(file) as controller:
        await until(lambda: controller.status().links[0].state is LinkState.UP, "the link is up")
        await asyncio.sleep(SETTLE)
        for name in ("d1", "d2"):
            await broker.publish(f"gannet/report/detector/{name}", "clear")
        await listener.until("gannet/order/signal/M1", "caution")
        said = json.dumps({"id": "a", "request": "hold M1"})
        await broker.publish("gannet/request", said)
        await listener.until("gannet/order/signal/M1", "danger")
        await broker.publish("gannet/request", json.dumps({"id": "b", "request": "free M1"}))
        await listener.until("gannet/order/signal/M1", "caution")
        # What QoS 1 delivers twice is told again, and not done again.
        await broker.publish("gannet/request", said)
        await until(lambda: outcomes().get("a") == ["taken", "taken"], "told again", outcomes())
        await broker.publish("gannet/request", json.dumps({"id": "c", "request": "hold M9"}))
        await until(lambda: outcomes().get("c") == ["refused"], "refused", outcomes())
        assert listener.latest["gannet/order/signal/M1"] == "caution"
        assert "kept" not in outcomes()
        rejected = controller.transports["club"].counters.rejected
        assert rejected["retained"] == 1
        assert rejected["repeated-request"] == 1


BUTTONS = """
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
[[bindings]]
device = "*"
transport = "club"
[[bindings]]
device = "button *"
transport = "club"
report = { topic = "panel/{name}", values = { pressed = "ON", released = "OFF" } }
"""


async def test_entry_and_exit_buttons_in_words_of_their_own(broker: Broker, tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(BUTTONS.replace("PORT", str(broker.port)))
    listener = await broker.listen("curlew/order/#")
    async with Controller(file) as controller:
        status = controller.status

        def heard(device: Device, value: str) -> bool:
            return status().links[0].heard[device].value == value

        await until(lambda: status().links[0].state is LinkState.UP, "the link is up")
        for name in ("a", "b"):
            await broker.publish(f"curlew/report/detector/{name}", "clear")
        # Kept by the broker, a press is none.
        await broker.publish("panel/begin", "ON", "-r")
        for name in ("begin", "end"):
            await broker.publish(f"panel/{name}", "OFF")
        for name in ("begin", "end"):
            await until(partial(heard, Device("button", name), "released"), name)
        await until(lambda: controller.interlocking.value("route A/main possible"), "it can be set")
        await asyncio.sleep(2 * BOUNCE / 1e9)
        for name in ("begin", "end"):
            await broker.publish(f"panel/{name}", "ON")
            await broker.publish(f"panel/{name}", "OFF")
        await listener.until("curlew/order/signal/A", "caution")
        await listener.until("curlew/order/button/begin", "lit")
    await listener.until("curlew/order/button/begin", "dark")
