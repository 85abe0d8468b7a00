"""From a layout file over a real broker to nodes that show aspects, and what happens to them."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

import pytest

from signalling.controller import Controller
from signalling.layout.words import Device
from tests.conftest import Broker, until
from tests.faults.post import Post, by_post
from tests.mqtt_node import PyNode
from transports.link import LinkState
from transports.mqtt import MqttTransport
from transports.mqtt.own.codec import NodeReport, decode

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

GANNET = """
[layout]
name = "Gannet Point"
practice = "uk"
hold_off = 0.1
sequence = false
[blocks]
d1 = { length = 2400 }
d2 = { length = 2400 }
j1 = { length = 900 }
d3 = { length = 2400 }
q1 = { length = 1800 }
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > j1[t1 normal] > d3 > d1"
quay = "d2 > j1[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > j1", aspects = 4, routes = { quay = { indicator = 4 } } }
M3 = { at = "d3 > d1", aspects = 3 }
[stops]
S2 = { signal = "M2" }
[transports.club]
kind = "mqtt"
port = PORT
base = "gannet"
schema = 1
within = WITHIN
[[bindings]]
device = ["detector *", "turnout t1"]
transport = "club"
report = { node = "west" }
[[bindings]]
device = ["detector d1", "detector d2"]
transport = "club"
report = { node = "east" }
[[bindings]]
device = ["signal *", "indicator *", "stop *"]
transport = "club"
order = { node = "west" }
[[bindings]]
device = "signal M1"
transport = "club"
order = { node = "east", name = "head-1" }
"""

EAST = {"signal": {"head-1": {"aspect": "danger"}}}
WEST = {
    "signal": {
        "M2": {"aspect": "danger", "indicator": "dark"},
        "M3": {"aspect": "danger"},
    },
    "stop": {"S2": "applied"},
}


class Hall:
    """Two nodes of the hall, and a controller."""

    def __init__(
        self, broker: Broker | None, folder: Path, within: float, *, more: str = ""
    ) -> None:
        self.port = 1 if broker is None else broker.port
        self.east = self.node("east", "GP-1", EAST, within)
        self.west = self.node("west", "GP-2", WEST, within)
        self.layout = folder / "gannet.toml"
        self.layout.write_text(
            GANNET.replace("PORT", str(self.port)).replace("WITHIN", f"{within}\n{more}")
        )
        self.controller = Controller(self.layout)

    def node(self, name: str, serial: str, at_rest: Any, within: float) -> PyNode:
        # The smallest interval, so that a node is quick where freshness is long.
        period = min(within / 4, 0.25)
        return PyNode("gannet", name, serial, at_rest, period=period, port=self.port)

    @property
    def club(self) -> MqttTransport:
        transport = self.controller.transports["club"]
        assert isinstance(transport, MqttTransport)
        return transport

    @property
    def rejected(self) -> dict[str, int]:
        return self.club.counters.rejected

    def everything_clear(self) -> None:
        self.east.report("detector", d1="clear", d2="clear")
        self.west.report("detector", j1="clear", d3="clear", q1="clear")
        self.west.report("turnout", t1="normal")

    @property
    def aspects(self) -> tuple[str, ...]:
        """What the heads of M1, M2 and M3 show."""
        west = self.west.shown["signal"]
        heads = (self.east.shown["signal"]["head-1"], west["M2"], west["M3"])
        return tuple(head["aspect"] for head in heads)

    async def shows(self, *aspects: str) -> None:
        await until(lambda: self.aspects == aspects, f"aspects {aspects}", self)

    def known(self, kind: str, name: str) -> str | None:
        [link] = self.controller.status().links
        return link.heard[Device(kind, name)].value

    async def unknown(self, *detectors: str) -> None:
        for each in detectors:
            await until(lambda each=each: self.known("detector", each) is None, f"{each} unknown")

    def __repr__(self) -> str:
        [link] = self.controller.status().links
        return f"shown {self.aspects}, link {link}, nodes {self.club.nodes}"


ALL_CLEAR = ("clear", "clear", "clear")


@contextlib.asynccontextmanager
async def running(broker: Broker, folder: Path, *, within: float = 1.0) -> AsyncIterator[Hall]:
    """A hall in which everything is clear, and shown so."""
    hall = Hall(broker, folder, within)
    async with hall.east, hall.west, hall.controller:
        hall.everything_clear()
        await hall.shows(*ALL_CLEAR)
        yield hall


LONG = 30.0
"""So long that nothing falls overdue in a test: what is noticed is noticed at once."""


async def test_reports_in_and_aspects_out(broker: Broker, tmp_path: Path) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        assert hall.west.shown["stop"]["S2"] == "lifted"
        hall.west.report("detector", j1="occupied")
        await hall.shows("caution", "danger", "clear")
        assert hall.west.shown["stop"]["S2"] == "applied"
        hall.west.report("detector", j1="clear")
        await hall.shows(*ALL_CLEAR)
        hall.west.report("turnout", t1="reverse")
        await until(
            lambda: hall.west.shown["signal"]["M2"] == {"aspect": "caution", "indicator": "4"},
            "aspect and indicator together",
            hall,
        )
        # At no time was the one there without the other.
        assert {node.known for node in hall.club.nodes.values()} == {True}
    assert hall.west.end.rejected["repeated"] == 0


async def test_leaving_puts_everything_to_danger(broker: Broker, tmp_path: Path) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        await hall.controller.__aexit__(None, None, None)
        await hall.shows("danger", "danger", "danger")
        assert hall.west.shown["stop"]["S2"] == "applied"


async def test_a_node_that_vanishes_is_missed_at_once(broker: Broker, tmp_path: Path) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        await hall.east.vanish()
        await hall.unknown("d1", "d2")
        # M3 leads into d1; M2 leads on to M3; and M1 is a head of the node itself.
        await until(
            lambda: (
                [head["aspect"] for head in hall.west.shown["signal"].values()]
                == ["caution", "danger"]
            ),
            "the neighbours restrict",
            hall,
        )
        assert hall.known("detector", "j1") == "clear"
        assert not hall.club.nodes["east"].known
        back = hall.node("east", "GP-1", EAST, LONG)
        async with back:
            hall.east = back
            back.report("detector", d1="clear", d2="clear")
            await hall.shows(*ALL_CLEAR)


async def test_a_node_that_falls_silent_is_missed_in_time(broker: Broker, tmp_path: Path) -> None:
    async with running(broker, tmp_path) as hall:
        hall.east.frozen = True
        await hall.unknown("d1", "d2")
        await until(
            lambda: hall.west.shown["signal"]["M3"]["aspect"] == "danger", "M3 restricts", hall
        )
        # Whoever is not heard is not obeyed either: its own signal shows danger by itself.
        await until(lambda: hall.aspects[0] == "danger", "M1 restricts", hall)
        hall.east.frozen = False
        await hall.shows(*ALL_CLEAR)


async def test_when_the_controller_vanishes_nodes_show_danger_at_once(
    broker: Broker, tmp_path: Path
) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        assert hall.club._link is not None
        await hall.club._link.session.break_off()
        await hall.shows("danger", "danger", "danger")
        # It comes back by itself, with another session.
        await hall.shows(*ALL_CLEAR)


async def test_when_the_controller_falls_silent_nodes_show_danger_in_time(
    broker: Broker, tmp_path: Path
) -> None:
    async with running(broker, tmp_path) as hall:
        link = hall.club._link
        assert link is not None
        assert link._telling is not None
        link._telling.cancel()
        await asyncio.wait({link._telling})
        await until(lambda: "danger" in hall.aspects, "danger", hall)


async def test_nodes_keep_their_orders_however_long_a_refresh_is_asked_for(tmp_path: Path) -> None:
    with by_post(Post()):
        hall = Hall(None, tmp_path, 1.0, more="refresh = 60")
        async with hall.east, hall.west, hall.controller:
            hall.everything_clear()
            await hall.shows(*ALL_CLEAR)
            for _ in range(1000):
                await asyncio.sleep(0.01)
                assert hall.aspects == ALL_CLEAR


@pytest.mark.parametrize("how", ["kill", "freeze"])
async def test_without_a_broker_everything_shows_danger_and_comes_back(
    broker: Broker, tmp_path: Path, how: str
) -> None:
    async with running(broker, tmp_path) as hall:
        getattr(broker, how)()
        await hall.shows("danger", "danger", "danger")
        await until(
            lambda: hall.controller.status().links[0].state is not LinkState.UP, "the loss", hall
        )
        if how == "kill":
            broker.start()
        else:
            broker.thaw()
        await hall.shows(*ALL_CLEAR)


async def test_recorded_messages_have_no_effect(broker: Broker, tmp_path: Path) -> None:
    """What was recorded says clear and proceed; it is played back while that is not so."""
    async with running(broker, tmp_path, within=LONG) as hall:
        reports = [
            (topic, payload)
            for topic, payload in hall.west.said
            if decode(NodeReport, payload).heard is not None
        ][-3:]
        orders = [("gannet/v1/node/west/order", payload) for payload in hall.west.ordered[-3:]]
        hall.west.report("detector", j1="occupied")
        await hall.shows("caution", "danger", "clear")
        count = len(reports)
        late = hall.rejected["late"]
        for topic, payload in reports + orders:
            await broker.publish(topic, payload)
            assert hall.known("detector", "j1") == "occupied"
            assert hall.aspects == ("caution", "danger", "clear")
        await until(lambda: hall.rejected["late"] >= late + count, "counted", hall.rejected)
        await until(lambda: hall.west.end.rejected["late"] >= 3, "and at the node", hall)
    # The same to a node that nobody speaks to, and to a controller whose node has gone.
    fresh = hall.node("west", "GP-2", WEST, LONG)
    async with fresh, asyncio.timeout(20):
        while len(fresh.ordered) < 3:  # again until it listens
            for topic, payload in orders:
                await broker.publish(topic, payload)
        assert fresh.shown == WEST
    again = Hall(broker, tmp_path, LONG)
    async with again.controller:
        await until(lambda: again.controller.status().links[0].state is LinkState.UP, "the link")
        for topic, payload in reports:
            await broker.publish(topic, payload)
        await until(lambda: again.rejected["another-session"] >= count, "counted", again.rejected)
        assert again.known("detector", "j1") is None


@pytest.mark.parametrize("serial", ["GP-9", "GP-1"])
async def test_two_nodes_of_one_name_are_named_and_neither_counts(
    broker: Broker, tmp_path: Path, caplog: pytest.LogCaptureFixture, serial: str
) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        hall.east.report("detector", d1="occupied")
        await until(lambda: hall.known("detector", "d1") == "occupied", "d1 occupied", hall)
        twin = hall.node("east", serial, EAST, LONG)
        said: set[str | None] = set()
        async with twin:
            twin.report("detector", d1="clear", d2="clear")
            async with asyncio.timeout(20):
                while len(hall.club.nodes["east"].boards) < 2:
                    said.add(hall.known("detector", "d1"))
                    await asyncio.sleep(0)
            await hall.unknown("d1", "d2")
            await until(lambda: hall.aspects[0] == "danger", "M1 restricts", hall)
            assert twin.shown == EAST
            assert hall.known("detector", "j1") == "clear"
            which = "serials GP-1 and GP-9" if serial == "GP-9" else "same serial GP-1"
            assert f"with the {which}, say that they are node east" in caplog.text
            # A person finds the board that is to have another name.
            hall.club.identify("east", serial)
            await until(lambda: twin.end.blinks == 1, "it blinks")
        assert "clear" not in said
        assert hall.east.end.blinks == (serial == "GP-1")
        await until(lambda: hall.known("detector", "d1") == "occupied", "d1 is known again", hall)
        hall.everything_clear()
        await hall.shows(*ALL_CLEAR)


async def test_what_is_retained_has_no_effect_and_nothing_of_ours_is(
    broker: Broker, tmp_path: Path
) -> None:
    async with running(broker, tmp_path) as hall:
        topic, payload = hall.east.said[-1]
    await broker.publish(topic, payload, "-r")
    again = Hall(broker, tmp_path, 1.0)
    async with again.controller:
        await until(lambda: again.rejected["retained"] == 1, "it is counted", again.rejected)
        assert again.known("detector", "d1") is None
    # Nobody is there any more: what a listener hears now is what the broker has retained.
    late = await broker.listen("gannet/#")
    await broker.publish("gannet/end", "x")
    await late.until("gannet/end", "x")
    assert set(late.latest) == {topic, "gannet/end"}


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"clear", "check-sum"),
        (b'{"node":"east"}', "check-sum"),
        (b"", "check-sum"),
        (b"x" * 5000, "oversized"),
    ],
)
async def test_rubbish_is_counted_and_moves_nothing(
    broker: Broker, tmp_path: Path, payload: bytes, reason: str
) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        await broker.publish("gannet/v1/node/east/report", payload)
        await broker.publish("gannet/v1/node/east/order", payload)
        await until(lambda: hall.rejected[reason] == 1, reason, hall.rejected)
        await until(lambda: hall.east.end.rejected[reason] == 1, reason, hall)
        assert hall.aspects == ALL_CLEAR


async def test_a_node_that_says_what_cannot_be_is_not_known(broker: Broker, tmp_path: Path) -> None:
    async with running(broker, tmp_path, within=LONG) as hall:
        hall.east.report("detector", d1="purple")
        await until(lambda: hall.rejected["not-in-schema"] >= 1, "counted", hall.rejected)
        await hall.unknown("d1", "d2")
        hall.east.report("detector", d1=None)
        await until(lambda: hall.known("detector", "d2") == "clear", "d2 is known again", hall)
        assert hall.known("detector", "d1") is None


async def test_there_is_no_node_to_identify_that_is_not_bound(
    broker: Broker, tmp_path: Path
) -> None:
    async with running(broker, tmp_path) as hall:
        with pytest.raises(ValueError, match="no node 'north'; the nodes are: east, west"):
            hall.club.identify("north")
        hall.club.identify("west", seconds=3)
        await until(lambda: hall.west.end.blinks == 1, "it blinks")
