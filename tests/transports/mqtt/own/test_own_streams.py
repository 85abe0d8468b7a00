"""Whatever happens to messages under way, nothing is believed but the newest that was said.

A controller's conversation and a node, joined by a network that delivers late,
twice, in any order, or not at all, with bits turned over, and says again what
it has recorded. Time is by hand.
"""

from __future__ import annotations

from typing import Any

import pytest
from attrs import define, evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.layout.words import BoundDevice, Device, Order, Report
from tests.mqtt_node import NodeEnd
from transports.mqtt.options import Options
from transports.mqtt.own.codec import AllDanger, Gone, NodeOrder, NodeReport, decode, encode
from transports.mqtt.own.conversation import OwnBindings, OwnConversation
from transports.mqtt.own.numbers import new_session
from transports.transport import LinkCounters, TransportSettings

WITHIN = 1.0
D1, D2, M1, S1 = (
    Device("detector", "d1"),
    Device("detector", "d2"),
    Device("signal", "M1"),
    Device("stop", "S1"),
)
TABLE = {"node": "shed"}
DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report=TABLE),
    BoundDevice(device=D2, reports=("clear", "occupied"), report=TABLE),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order=TABLE),
    BoundDevice(device=S1, orders=("applied", "lifted"), order=TABLE),
)
AT_REST: dict[str, dict[str, Any]] = {
    "signal": {"M1": {"aspect": "danger"}},
    "stop": {"S1": "applied"},
}
LIMITS = {"port": 1883, "base": "gannet", "schema": 1, "within": WITHIN}


@define(eq=False)
class Said:
    """A message as it was said, and whether a copy of it was heard while it proved to be new."""

    place: int
    at: float
    by: str
    topic: str
    payload: bytes
    content: Any
    proven: bool = False


class World:
    """One controller after another, one node, and what is under way between them."""

    def __init__(self) -> None:
        self.now = 100.0
        self.node = NodeEnd("shed", "GP-1", AT_REST)
        self.node.reports = {"detector": {"d1": "clear", "d2": "clear"}}
        self.recorded: list[Said] = []
        self.under_way: list[Said] = []
        self.start_controller()

    # -- the two ends

    def start_controller(self) -> None:
        self.known: dict[Device, str | None] = {}
        self.counters = LinkCounters()
        settings = TransportSettings(name="club", options=LIMITS, devices=DEVICES)
        self.controller: OwnConversation = OwnBindings(settings, Options.read(settings)).converse(
            self._take, self.counters, lambda: None
        )
        self._say("controller", self.controller.opening(self.now))

    def connect_node_again(self) -> None:
        self._say_message("broker", "gone", self.node.gone())
        self.node.begin()

    def switch_node_on_again(self) -> None:
        self.node.start = new_session()
        self.connect_node_again()

    def _take(self, report: Report) -> None:
        self.known[report.device] = report.value

    def _say(self, by: str, publications: list[Any]) -> None:
        for each in publications:
            assert not each.retain
            content = None
            if each.topic.endswith("/order"):
                content = decode(NodeOrder, each.payload)
            elif each.topic.endswith("/all-danger"):
                content = decode(AllDanger, each.payload)
            self._put(by, each.topic, each.payload, content)

    def _say_message(self, by: str, kind: str, message: NodeReport | Gone) -> None:
        self._put(by, f"gannet/v1/node/shed/{kind}", encode(message), message)

    def _put(self, by: str, topic: str, payload: bytes, content: Any) -> None:
        said = Said(len(self.recorded), self.now, by, topic, payload, content)
        self.recorded.append(said)
        self.under_way.append(said)

    # -- what happens

    def wait(self, seconds: float) -> None:
        self.now += seconds
        self.controller.check(self.now)
        self._say("controller", self.controller.turn(self.now))
        self._say_message("node", "report", self.node.report(self.now))

    def read(self, detector: str, value: str) -> None:
        self.node.reports["detector"][detector] = value
        self._say_message("node", "report", self.node.report(self.now))

    def order(self, aspect: str, stop: str) -> None:
        orders = [Order(M1, aspect), Order(S1, stop)]
        self._say("controller", self.controller.orders(orders, self.now))

    def deliver(self, which: int, *, keep: bool = False) -> None:
        if self.under_way:
            said = self.under_way[which % len(self.under_way)]
            if not keep:
                self.under_way.remove(said)
            self._arrive(said)

    def lose(self, which: int) -> None:
        if self.under_way:
            self.under_way.pop(which % len(self.under_way))

    def replay(self, which: int) -> None:
        self._arrive(self._lately_said(which))

    def corrupt(self, which: int, bits: set[int]) -> None:
        said = self._lately_said(which)
        data = bytearray(said.payload)
        for bit in {bit % (len(data) * 8) for bit in bits}:
            data[bit // 8] ^= 1 << bit % 8
        if data != said.payload:
            self._hear(said.topic, bytes(data))

    def _lately_said(self, which: int) -> Said:
        return self.recorded[-1 - which % len(self.recorded)]

    def catch_up(self) -> None:
        """Deliver everything in order, with a reply to each."""
        while self.under_way:
            self.deliver(0)
            if self.node.due:
                self._say_message("node", "report", self.node.report(self.now))
            self._say("controller", self.controller.turn(self.now))

    def _arrive(self, said: Said) -> None:
        content = said.content
        if isinstance(content, NodeReport):
            numbers = self.controller._nodes["shed"]._numbers
        elif isinstance(content, NodeOrder):
            numbers = self.node.numbers
        else:
            numbers, said.proven = None, True
        if numbers is not None:
            given = numbers.given(content.heard)
            said.proven |= given is not None and given + WITHIN > self.now
        self._hear(said.topic, said.payload)

    def _hear(self, topic: str, payload: bytes) -> None:
        if topic.endswith(("/report", "/gone")):
            self.controller.receive(topic, payload, self.now, retained=False)
        elif topic.endswith("/order"):
            self.node.take_order(payload, self.now)
        else:
            self.node.take_all_danger(payload, self.now)

    # -- what must hold

    def newest_proven(self, cls: type) -> Said | None:
        proven = [each for each in self.recorded if each.proven and isinstance(each.content, cls)]
        return proven[-1] if proven else None

    def check(self) -> None:
        self.controller.check(self.now)
        self.node.check(self.now)
        newest = self.newest_proven(NodeReport)
        for device, value in self.known.items():
            if value is not None:
                assert newest is not None
                assert newest.content.reports[device.kind][device.name] == value
                assert self.now < newest.at + WITHIN
        if self.node.outputs != AT_REST:
            order = self.newest_proven(NodeOrder)
            assert order is not None
            assert order.content.orders == self.node.outputs
            assert self.now < order.at + WITHIN
            danger = self.newest_proven(AllDanger)
            assert danger is not None
            assert danger.place < order.place


INDEX = st.integers(0, 8) | st.integers(0, 200)
DETECTORS, VALUES = st.sampled_from(["d1", "d2"]), st.sampled_from(["clear", "occupied"])
ASPECTS = st.sampled_from(["danger", "caution", "clear"])
STEPS = {
    "wait": st.tuples(st.sampled_from([0.0, 0.01, 0.25, 0.5, 0.99, 1.0, 3.0])),
    "read": st.tuples(DETECTORS, VALUES),
    "read at once": st.tuples(DETECTORS, VALUES),
    "order": st.tuples(ASPECTS, st.sampled_from(["applied", "lifted"])),
    "order at once": st.tuples(ASPECTS),
    "deliver": st.tuples(INDEX),
    "deliver twice": st.tuples(INDEX),
    "lose": st.tuples(INDEX),
    "replay": st.tuples(INDEX),
    "corrupt": st.tuples(INDEX, st.sets(st.integers(0, 4000), min_size=1, max_size=3)),
    "catch up": st.tuples(),
    "node connects again": st.tuples(),
    "node is switched on again": st.tuples(),
    "controller restarts": st.tuples(),
}
OFTEN = ["replay", "replay", "order at once", "read at once", "deliver"]
STEP = st.sampled_from([*STEPS, *OFTEN]).flatmap(
    lambda name: STEPS[name].map(lambda values: (name, *values))
)


def take(world: World, step: tuple[Any, ...]) -> None:
    match step:
        case ("wait", seconds):
            world.wait(seconds)
        case ("read", detector, value):
            world.read(detector, value)
        case ("read at once", detector, value):
            world.read(detector, value)
            world.catch_up()
        case ("order", aspect, stop):
            world.order(aspect, stop)
        case ("order at once", aspect):
            world.order(aspect, "lifted")
            world.catch_up()
        case ("deliver", which):
            world.deliver(which)
        case ("deliver twice", which):
            world.deliver(which, keep=True)
        case ("lose", which):
            world.lose(which)
        case ("replay", which):
            world.replay(which)
        case ("corrupt", which, bits):
            world.corrupt(which, bits)
        case ("catch up",):
            world.catch_up()
        case ("node connects again",):
            world.connect_node_again()
        case ("node is switched on again",):
            world.switch_node_on_again()
        case ("controller restarts",):
            world.start_controller()


def at_work() -> World:
    """A world in which everything is clear, and shown so."""
    world = World()
    for _ in range(5):
        world.wait(0.25)
        world.catch_up()
    world.order("clear", "lifted")
    world.catch_up()
    assert world.known == {D1: "clear", D2: "clear"}
    assert world.node.outputs != AT_REST
    world.check()
    return world


@settings(max_examples=500)
@given(st.lists(STEP, max_size=60) | st.lists(STEP, min_size=20, max_size=60))
def test_nothing_is_believed_but_the_newest_that_was_said(steps: list[tuple[Any, ...]]) -> None:
    world = at_work()
    for step in steps:
        take(world, step)
        world.check()
    # However it went: when messages pass again, both ends find to each other by themselves.
    for _ in range(40):
        world.wait(0.25)
        world.catch_up()
        world.check()
    assert world.known == {
        Device("detector", name): value for name, value in world.node.reports["detector"].items()
    }
    world.order("clear", "lifted")
    world.catch_up()
    assert world.node.outputs == {"signal": {"M1": {"aspect": "clear"}}, "stop": {"S1": "lifted"}}


def test_a_node_that_connects_again_obeys_as_soon_as_both_have_answered() -> None:
    world = at_work()
    before = world.node.outputs
    world.connect_node_again()
    assert world.node.outputs == AT_REST
    world.read("d1", "clear")
    world.catch_up()
    world.check()
    assert world.known == {D1: "clear", D2: "clear"}
    assert world.node.outputs == before


def test_while_nothing_speaks_for_the_orders_danger_is_ordered() -> None:
    world = at_work()
    last = world.now
    while world.now < last + 1.5:
        assert world.node.outputs != AT_REST
        world.wait(0.25)
        world.catch_up()
    assert world.node.outputs == AT_REST
    assert world.known == {D1: "clear", D2: "clear"}
    world.order("clear", "lifted")
    world.catch_up()
    assert world.node.outputs != AT_REST


def test_what_is_for_another_node_is_turned_away() -> None:
    world = at_work()
    before = world.node.outputs
    world.read("d1", "occupied")
    world.order("danger", "applied")
    for said in world.under_way:
        assert isinstance(said.content, NodeReport | NodeOrder)
        world._hear(said.topic, encode(evolve(said.content, node="yard")))
    assert world.known == {D1: "clear", D2: "clear"}
    assert world.node.outputs == before
    assert world.counters.rejected["another-node"] == 1
    assert world.node.rejected["another-node"] == 1


# -- recordings, played to whoever is left

PLAYS = st.lists(
    st.tuples(
        st.integers(0, 200),
        st.integers(1, 200),
        st.booleans(),
        st.sampled_from([0.0, 0.01, 0.1, 0.3, 1.0]),
    ),
    min_size=1,
    max_size=8,
)
"""From which message on, how many, whether the last comes first, and seconds from one to the next.
"""


@pytest.mark.parametrize("silent", ["node", "controller"])
@pytest.mark.parametrize("other", ["listened", "is new"])
@settings(max_examples=60)
@given(plays=PLAYS)
def test_a_recording_of_any_length_shows_nothing_while_its_speaker_is_silent(
    silent: str, other: str, plays: list[tuple[int, int, bool, float]]
) -> None:
    world = at_work()
    for turn in range(12):
        world.read("d1", "occupied" if turn % 3 == 1 else "clear")
        world.order("clear" if turn % 3 else "caution", "lifted")
        world.wait(0.125)
        world.catch_up()
        world.check()
    # The last of each is on the tape, and was not heard.
    world.read("d1", "occupied")
    world.order("danger", "applied")
    world.under_way.clear()
    tape = [each for each in world.recorded if each.by == silent and each.content is not None]
    assert len(tape) > 20
    silent_since = world.now
    if other == "is new" and silent == "node":
        world.start_controller()
    elif other == "is new":
        world.node.begin()
    for first, length, backward, pause in plays:
        start = first % len(tape)
        for said in tape[start : start + length][:: -1 if backward else 1]:
            world.now += pause
            world.check()
            # Who is left speaks on, and nobody listens.
            if silent == "node":
                world._say("controller", world.controller.turn(world.now))
            else:
                world._say_message("node", "report", world.node.report(world.now))
            world._arrive(said)
            world.check()
            if other == "is new" or world.now >= silent_since + WITHIN:
                assert set(world.known.values()) <= {None} or silent == "controller"
                assert world.node.outputs == AT_REST or silent == "node"
