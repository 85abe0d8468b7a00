"""What a message in the user's own terms says, told to one who listens."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.words import BoundDevice, Device, Report
from transports.listen import Arrival, Meaning
from transports.mqtt.options import Options
from transports.mqtt.plain import PlainBindings
from transports.mqtt.reading import PlainReader, plain_topics
from transports.transport import LinkCounters, TransportSettings

D1, D2, M1, S1 = (
    Device("detector", "d1"),
    Device("detector", "d2"),
    Device("signal", "M1"),
    Device("stop", "S1"),
)
SHED = {"topic": "shed/1", "pointer": "/occ", "values": {"occupied": True, "clear": False}}
DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report=SHED),
    BoundDevice(
        device=D2, reports=("clear", "occupied"), report={"topic": "shed/2", "publisher": "bridge"}
    ),
    BoundDevice(
        device=M1,
        orders=("danger", "caution", "clear"),
        order={"topic": "head", "values": {"danger": "R", "caution": "G", "clear": "G"}},
    ),
    BoundDevice(device=S1, orders=("applied", "lifted")),
)


class Rig:
    def __init__(self, devices: tuple[BoundDevice, ...] = DEVICES, **options: Any) -> None:
        table = {"base": "gannet", "publishers": {"bridge": {"topic": "bridge/state"}}, **options}
        settings = TransportSettings(name="club", options=table, devices=devices)
        read = Options.read(settings)
        self.bindings = PlainBindings(settings, read)
        self.said: list[Report] = []
        self.counters = LinkCounters()
        self.reader = PlainReader(self.bindings, read, self.said.append, self.counters)

    def __call__(self, topic: str, payload: str | bytes, *, retained: bool = False) -> Arrival:
        data = payload.encode() if isinstance(payload, str) else payload
        return self.reader.read(topic, data, 0.0, retained=retained)

    def meaning(self, topic: str, payload: str | bytes, *, retained: bool = False) -> Meaning:
        (meaning,) = self(topic, payload, retained=retained).meanings
        return meaning


def test_a_report_is_told_raw_and_decoded() -> None:
    rig = Rig()
    arrival = rig("shed/1", '{"occ": true}')
    assert (arrival.place, arrival.raw, arrival.text) == ("shed/1", b'{"occ": true}', True)
    assert arrival.meanings == (Meaning(device=D1, value="occupied"),)
    assert arrival.bound
    assert rig.said == [Report(D1, "occupied")]


def test_what_is_bound_to_nothing_is_told_too() -> None:
    rig = Rig()
    arrival = rig("shed/17", "whatever")
    assert (arrival.raw, arrival.meanings, arrival.bound) == (b"whatever", (), False)
    assert not arrival.reason
    assert rig.said == []
    assert not rig.counters.rejected


def test_json_that_is_bound_to_nothing_is_told_by_what_a_binding_would_point_at() -> None:
    arrival = Rig()("shed/17", '{"occ": true, "more": {"battery": 81}}')
    assert (arrival.message, arrival.bound) == ("JSON", False)
    assert dict(arrival.values) == {"/occ": True, "/more/battery": 81}
    assert arrival.unbound == ("/occ", "/more/battery")


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ('{"occ": 7}', "unknown-value: 7"),
        ("{", "not-json"),
        ("", "empty"),
        ('{"off": true}', "no-such-place: /occ"),
        (b"\xff", "not-json"),
        (b"[" * 70_000, "oversized: over 65536 bytes"),
    ],
)
def test_why_a_report_does_not_count(payload: str | bytes, reason: str) -> None:
    rig = Rig()
    meaning = rig.meaning("shed/1", payload)
    assert meaning.value is None
    assert meaning.reason.startswith(reason), meaning.reason
    assert rig.said == [Report(D1, None)]


def test_a_retained_report_does_not_count_by_itself() -> None:
    rig = Rig()
    arrival = rig("shed/1", '{"occ": false}', retained=True)
    assert arrival.meanings == (Meaning(device=D1, value="clear", reason="retained"),)
    assert arrival.kept
    assert arrival.content != rig("shed/1", '{"occ": false}').content, "said again, live, is news"


def test_a_retained_report_counts_when_its_publisher_shows_that_it_lives() -> None:
    rig = Rig()
    meaning = rig.meaning("shed/2", "clear", retained=True)
    assert meaning.value == "clear"
    assert "publisher bridge is not known to be alive" in meaning.reason
    presence = rig("bridge/state", "online")
    assert (presence.message, dict(presence.values)) == ("publisher bridge", {"says": "online"})
    assert presence.bound
    assert rig.said == [Report(D2, "clear")]
    rig("bridge/state", "offline")
    assert rig.said[-1] == Report(D2, None)


def test_a_publisher_that_is_overdue_is_found_by_its_deadline() -> None:
    rig = Rig(publishers={"bridge": {"topic": "bridge/state", "within": 5}})
    rig("shed/2", "clear")
    assert rig.reader.next_deadline == 5.0
    rig.reader.check(5.0)
    assert rig.said == [Report(D2, "clear"), Report(D2, None)]


def test_an_order_is_told_as_one_and_of_two_words_alike_the_more_restrictive() -> None:
    rig = Rig()
    assert rig.meaning("head", "G") == Meaning(device=M1, order=True, value="caution")
    assert rig.meaning("head", "R") == Meaning(device=M1, order=True, value="danger")
    stranger = rig.meaning("head", "B")
    assert (stranger.value, stranger.reason) == (None, "unknown-value")
    assert rig.meaning("gannet/order/stop/S1", "lifted").value == "lifted"
    assert rig.said == []


def test_the_sign_of_life_of_who_runs_the_layout_is_known() -> None:
    arrival = Rig()("gannet/controller", "online")
    assert (arrival.message, dict(arrival.values)) == ("controller", {"says": "online"})
    assert arrival.bound


def test_requests_are_known_and_a_number_that_counts_on_is_nothing_new() -> None:
    rig = Rig(requests=True)
    assert {"gannet/request", "gannet/outcome", "gannet/listening"} < {*plain_topics(rig.bindings)}
    asked = rig("gannet/request", '{"id": "1", "request": "hold M1"}')
    assert (asked.message, asked.bound) == ("request", True)
    assert dict(asked.values) == {"/id": "1", "/request": "hold M1"}
    there, again, other = (
        rig("gannet/listening", f'{{"session": "{session}", "seq": {seq}}}')
        for session, seq in (("c2", 1), ("c2", 2), ("d7", 3))
    )
    assert there.bound
    assert there.content == again.content != other.content
    assert not Rig()("gannet/request", "{}").bound, "where the layout carries none"


def test_one_message_for_two_devices_tells_both() -> None:
    other = BoundDevice(
        device=Device("detector", "d9"),
        reports=("clear", "occupied"),
        report={**SHED, "pointer": "/far"},
    )
    arrival = Rig((*DEVICES, other))("shed/1", '{"occ": true, "far": 0}')
    assert [(each.device.name, each.value) for each in arrival.meanings] == [
        ("d1", "occupied"),
        ("d9", None),
    ]
    assert "unknown-value" in arrival.meanings[1].reason


def test_every_topic_that_is_bound_is_listened_to_once() -> None:
    assert sorted(plain_topics(Rig().bindings)) == sorted(
        ["gannet/controller", "bridge/state", "shed/1", "shed/2", "head", "gannet/order/stop/S1"]
    )


@given(
    st.sampled_from(["shed/1", "shed/2", "bridge/state", "head", "gannet/controller", "other"]),
    st.binary(max_size=30) | st.text(max_size=20).map(str.encode),
    st.booleans(),
)
def test_nothing_that_arrives_is_too_much(topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
    rig = Rig()
    arrival = rig(topic, payload, retained=retained)
    assert arrival.raw == payload
    for meaning in arrival.meanings:
        assert meaning.value is not None or meaning.reason
