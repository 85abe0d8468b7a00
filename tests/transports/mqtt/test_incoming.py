"""What counts of what arrives: presence, retained messages, clears and rubbish."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import ConfigurationError
from signalling.layout.words import BoundDevice, Device, Report
from transports.mqtt.incoming import Incoming
from transports.mqtt.presence import Publisher
from transports.mqtt.topics import Routes

D1, D2, D3 = (Device("detector", name) for name in ("d1", "d2", "d3"))


class Rig:
    """Devices d1 and d2 of publisher ``bridge``, d3 of nobody; time by hand."""

    def __init__(self, **publisher: Any) -> None:
        table = {"topic": "bridge/state", **publisher}
        publishers = {"bridge": Publisher.make("club", "bridge", table)}
        devices = [
            BoundDevice(
                device=device,
                reports=("clear", "occupied"),
                report={"topic": device.name, "publisher": "bridge"},
            )
            for device in (D1, D2)
        ]
        devices.append(
            BoundDevice(device=D3, reports=("clear", "occupied"), report={"topic": "d3"})
        )
        routes = Routes.make("club", "gannet", devices, publishers, "gannet/controller")
        self.said: list[Report] = []
        self.rejected: Counter[str] = Counter()
        self.polled: list[str] = []
        self.now = 0.0
        self.incoming = Incoming(
            routes.reports,
            publishers,
            say=self.said.append,
            rejected=self.rejected,
            poll=lambda publisher: self.polled.append(publisher.name),
            limit=1000,
        )

    def live(self, topic: str, payload: str | bytes) -> Rig:
        return self._take(topic, payload, retained=False)

    def retained(self, topic: str, payload: str | bytes) -> Rig:
        return self._take(topic, payload, retained=True)

    def _take(self, topic: str, payload: str | bytes, *, retained: bool) -> Rig:
        data = payload.encode() if isinstance(payload, str) else payload
        self.incoming.take(topic, data, self.now, retained=retained)
        return self

    def wait(self, seconds: float) -> Rig:
        self.now += seconds
        self.incoming.presence.check(self.now)
        return self

    @property
    def known(self) -> dict[str, str | None]:
        return {report.device.name: report.value for report in self.said}


def test_presence_is_subscribed_to_before_reports() -> None:
    assert Rig().incoming.topics == ("bridge/state", "d1", "d2", "d3")


def test_a_retained_report_without_a_publisher_never_counts() -> None:
    rig = Rig().retained("d3", "clear")
    assert rig.known == {}
    assert rig.rejected == {"retained": 1}
    assert rig.live("d3", "clear").known == {"d3": "clear"}


def test_a_retained_report_is_held_back_until_its_publisher_is_alive() -> None:
    rig = Rig().retained("d1", "clear").retained("bridge/state", "online")
    assert rig.known == {}
    assert rig.live("bridge/state", "online").known == {"d1": "clear"}
    assert rig.retained("d2", "occupied").known == {"d1": "clear", "d2": "occupied"}


def test_a_live_report_of_one_device_shows_that_the_publisher_is_alive() -> None:
    rig = Rig().retained("d1", "occupied").live("d2", "clear")
    assert rig.known == {"d1": "occupied", "d2": "clear"}


def test_a_retained_online_counts_only_where_the_publisher_says_so() -> None:
    assert Rig().retained("bridge/state", "online").retained("d1", "clear").known == {}
    rig = Rig(retained=True).retained("bridge/state", "online").retained("d1", "clear")
    assert rig.known == {"d1": "clear"}


@pytest.mark.parametrize("payload", ["offline", "", "zzz", b"\xff"])
@pytest.mark.parametrize("how", ["live", "retained"])
def test_a_publisher_that_goes_takes_its_devices_with_it(payload: str, how: str) -> None:
    rig = Rig().live("d1", "clear").live("d3", "clear")
    getattr(rig, how)("bridge/state", payload)
    assert rig.known == {"d1": None, "d2": None, "d3": "clear"}


def test_what_was_retained_before_the_publisher_went_does_not_come_back_with_it() -> None:
    rig = Rig().retained("d1", "clear").live("bridge/state", "offline")
    assert rig.live("bridge/state", "online").known["d1"] is None
    rig.live("d1", "clear").live("bridge/state", "offline").live("bridge/state", "online")
    assert rig.known["d1"] is None


def test_a_publisher_must_be_heard_within_its_time() -> None:
    rig = Rig(within=5).live("d1", "clear").wait(4.9)
    assert rig.known == {"d1": "clear"}
    rig.live("bridge/state", "online").wait(4.9)
    assert rig.known == {"d1": "clear"}
    assert rig.wait(0.2).known == {"d1": None, "d2": None}
    assert rig.live("bridge/state", "online").known["d1"] is None
    assert rig.live("d1", "clear").known["d1"] == "clear"


def test_a_publisher_that_is_overdue_is_gone_before_anything_else_counts() -> None:
    rig = Rig(within=5).live("d1", "clear")
    rig.now += 6
    assert rig.live("d2", "clear").known == {"d1": None, "d2": "clear"}


def test_a_publisher_that_comes_alive_is_asked_for_the_state_of_its_devices() -> None:
    rig = Rig(poll={"topic": "bridge/ask", "payload": "?"})
    rig.live("bridge/state", "online").live("bridge/state", "online")
    assert rig.polled == ["bridge"]
    rig.live("bridge/state", "offline").live("bridge/state", "online")
    assert rig.polled == ["bridge", "bridge"]


def test_words_and_a_place_for_presence_can_be_given() -> None:
    rig = Rig(online=True, offline=False, pointer="/up")
    rig.retained("d1", "clear").live("bridge/state", '{"up": true}')
    assert rig.known == {"d1": "clear"}
    assert rig.live("bridge/state", '{"up": false}').known["d1"] is None


def test_an_empty_payload_clears_and_is_not_counted_as_rubbish() -> None:
    rig = Rig().live("d3", "clear").live("d3", "")
    assert rig.known == {"d3": None}
    assert rig.rejected == {}
    rig.retained("d1", "clear").live("d1", "").live("bridge/state", "online")
    assert rig.known["d1"] is None


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("purple", "unknown-value"),
        ("3", "unknown-value"),
        (b"\xff", "not-text"),
        ("x" * 1001, "oversized"),
    ],
)
def test_rubbish_is_counted_and_its_device_is_unknown(payload: str | bytes, reason: str) -> None:
    rig = Rig().live("d3", "clear").live("d3", payload)
    assert rig.known == {"d3": None}
    assert rig.rejected == {reason: 1}


def test_rubbish_is_no_sign_of_life_and_drops_what_was_held_back() -> None:
    rig = Rig().retained("d1", "clear").retained("d2", "clear").live("d1", "purple")
    assert rig.known == {"d1": None}
    assert rig.live("bridge/state", "online").known == {"d1": None, "d2": "clear"}


def test_a_message_on_another_topic_says_nothing() -> None:
    assert Rig().live("elsewhere", "clear").known == {}


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, "Nothing would tell that it has gone"),
        ({"topic": "a/#"}, "is not the topic of a message"),
        ({"topic": "a", "within": 0}, "within is 0"),
        ({"topic": "a", "within": float("nan")}, "within is nan"),
        ({"topic": "a", "within": True}, "within is True"),
        ({"topic": "a", "retained": "yes"}, "retained is 'yes'"),
        ({"topic": "a", "online": "x", "offline": "x"}, "stands for both"),
        ({"topic": "a", "poll": "x"}, "poll is 'x'"),
        ({"topic": "a", "poll": {}}, "topic is None"),
        ({"topic": "a", "poll": {"topic": "b", "payload": 1}}, "payload is 1"),
        ({"topic": "a", "poll": {"topic": "b", "text": ""}}, "text means nothing here"),
        ({"topic": "a", "witin": 3}, "witin means nothing here"),
    ],
)
def test_publishers_that_cannot_be_used_are_refused(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        Publisher.make("club", "bridge", table)


MESSAGES = st.tuples(
    st.sampled_from(["bridge/state", "d1", "d2", "d3"]),
    st.sampled_from(["online", "offline", "clear", "occupied", "", "zzz"]),
    st.booleans(),
    st.sampled_from([0.0, 1.0, 3.0]),
)


@given(st.lists(MESSAGES, max_size=30))
def test_nothing_is_known_that_was_not_said_while_it_could_be_believed(
    messages: list[tuple[str, str, bool, float]],
) -> None:
    """Checked against a plain account of who said what when."""
    rig = Rig(within=5)
    alive_until = -1.0
    said: dict[str, str] = {}
    kept: dict[str, str] = {}  # retained, of a publisher that has not been heard yet

    def gone() -> None:
        kept.clear()
        said.pop("d1", None)
        said.pop("d2", None)

    def heard() -> float:
        said.update(kept)
        kept.clear()
        return rig.now + 5

    for topic, payload, retained, passed in messages:
        rig.now += passed
        if 0 <= alive_until <= rig.now:
            alive_until = -1.0
            gone()
        rig._take(topic, payload, retained=retained)
        if topic == "bridge/state":
            if payload != "online":
                alive_until = -1.0
                gone()
            elif not retained:
                alive_until = heard()
        elif topic == "d3" and retained:
            pass  # it has no publisher, so nothing can prove that it still holds
        elif payload in {"clear", "occupied"}:
            if topic != "d3" and not retained:
                alive_until = heard()
            waits = topic != "d3" and alive_until < 0
            (kept if waits else said)[topic] = payload
        else:
            said.pop(topic, None)
            kept.pop(topic, None)
        for name, value in rig.known.items():
            if value is not None:
                assert said.get(name) == value
                assert name == "d3" or rig.now < alive_until
