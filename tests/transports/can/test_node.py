"""The node does what docs/can-bus.md asks of one, rule by rule ("What a node does")."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings

from signalling.errors import RejectedInputError
from tests.transports.can.node_runs import Player, Run, heard, played
from tests.transports.can.node_strategies import runs
from tests.transports.can.node_vectors import EVERYTHING, Scene, changed
from transports.can.frames import Frame, decode, encode
from transports.can.node import Node
from transports.can.protect import Sequence, Tracker, Verdict
from transports.can.schema import load_schema

SCHEMA = load_schema()
PERIOD, GAP, TIMEOUT = 250, 10, 1000
"""Milliseconds, from the page's table of times."""
RED, YELLOW, YELLOW_2, GREEN, LEFT, RIGHT, LIFT, FREE, NORMAL, REVERSE, LIGHT = (
    *(1, 2, 3, 4, 5, 6),
    *(10, 12, 13, 14, 25),
)


class Seen:
    """What a node did in a run."""

    def __init__(self, run: Run) -> None:
        self.pins: list[tuple[int, int, bool]] = []
        self.frames: list[tuple[int, Frame]] = []
        for line in played(run):
            at, what, first, second = line.split()
            if what == "pin":
                self.pins.append((int(at), int(first), second == "on"))
            else:
                self.frames.append((int(at), decode(int(first, 16), bytes.fromhex(second))))

    def on(self, at: int) -> set[int]:
        """Return the pins that are on after all that happens at a time."""
        state = {pin: on for when, pin, on in self.pins if when <= at}
        return {pin for pin, on in state.items() if on}

    def of(self, name: str, group: int = 0) -> list[tuple[int, Frame]]:
        return [
            (at, frame)
            for at, frame in self.frames
            if (frame.shape.name, frame.group) == (name, group)
        ]

    def last(self, name: str, field: str, at: int, group: int = 0) -> int:
        """Return what was said last of a port until a time."""
        return [frame[field] for when, frame in self.of(name, group) if when <= at][-1]


def seen(scene: Scene, until: int, **how: Any) -> Seen:
    scene.say(until, "until")
    return Seen(scene.run("", **how))


# -- rules 1 to 4: what it says


def test_from_power_on_everything_is_most_restrictive() -> None:
    done = seen(Scene().begin(), 2000)
    assert {pin for _, pin, _ in done.pins} == set(Scene().run("").settings.outputs)
    assert {at for at, _, _ in done.pins} == {0}
    assert done.on(2000) == {RED, 7}


def test_what_goes_off_goes_off_before_anything_goes_on() -> None:
    scene = Scene().begin()
    scene.three(400, "SignalOrder", {"Aspect0": 3})
    done = seen(scene, 500)
    assert [each for each in done.pins if each[0] == 400] == [(400, RED, False), (400, GREEN, True)]


def test_who_it_is_comes_first_three_times_and_then_each_report_three_times() -> None:
    done = seen(Scene().begin(), 45)
    first = [(at, frame.shape.name, frame.group) for at, frame in done.frames]
    assert first[:3] == [(at, "NodeStatus", 0) for at in (0, 10, 20)]
    assert done.frames[0][1]["Serial"] == 0xC0FFEE
    streams = {
        *(("DetectorReport", 0), ("DetectorReport", 1), ("InputReport", 0)),
        *(("TurnoutReport", 0), ("SignalProof", 0), ("StopProof", 0)),
    }
    assert sorted(first[3:]) == sorted((at, *each) for at in (20, 30, 40) for each in streams)


def test_what_is_most_urgent_goes_first() -> None:
    done = seen(Scene().begin(), 5000)
    by_time = defaultdict(list)
    for at, frame in done.frames:
        by_time[at].append((frame.shape.name == "NodeStatus", frame.shape.number))
    assert all(each == sorted(each) for at, each in by_time.items() if at > 20)


def test_a_receiver_is_in_step_at_once_and_stays_so() -> None:
    done = seen(Scene().begin(), 6000)
    trackers: dict[tuple[str, int], Tracker] = {}
    for _, frame in done.frames:
        key = (frame.shape.name, frame.group)
        tracker = trackers.setdefault(key, Tracker(SCHEMA.largest_step, SCHEMA.frames_to_sync))
        assert tracker.take(frame.counter, frame.content) in (Verdict.SYNCING, Verdict.GOOD)
    assert all(tracker.synced and not tracker.lost for tracker in trackers.values())


def test_each_report_is_said_every_period() -> None:
    done = seen(Scene().begin(), 5000)
    for name, group in {(frame.shape.name, frame.group) for _, frame in done.frames}:
        times = [at for at, _ in done.of(name, group)]
        if name != "NodeStatus":
            assert {after - before for before, after in pairwise(times[2:])} == {PERIOD}


def test_pages_of_the_status_take_turns() -> None:
    done = seen(Scene().begin(), 5000)
    pages = [(at, frame.group) for at, frame in done.frames if frame.shape.name == "NodeStatus"]
    assert [page for _, page in pages[3:19]] == [1, 0, 2, 0, 1, 0, 3, 0] * 2
    assert {after - before for (before, _), (after, _) in pairwise(pages[2:])} == {PERIOD}


def test_page_1_is_said_when_a_flag_has_changed() -> None:
    scene = Scene().begin()
    scene.say(400, "supply", 9000)
    scene.say(405, "supply", 11000)
    done = seen(scene, 1000)
    flags = [(at, frame["SupplyLow"]) for at, frame in done.of("NodeStatus", 1)]
    assert flags[:3] == [(270, 0), (400, 1), (410, 0)]
    firmware = {"FirmwareMajor": 1, "FirmwareMinor": 4, "FirmwarePatch": 2}
    page = done.of("NodeStatus", 1)[0][1]
    assert page.values() == firmware | {
        "OrdersLost": 1,
        "SupplyLow": 0,
        "OutputFault": 0,
        "Unanswered": 0,
    }


def test_a_change_is_said_at_once_but_not_closer_than_the_gap() -> None:
    scene = Scene().begin()
    scene.read(0, p37=True)
    for at, level in ((100, False), (103, True), (106, False), (200, True)):
        scene.read(at, p37=level)
    done = seen(scene, 300)
    times = [at for at, _ in done.of("DetectorReport")]
    assert times == [20, 30, 40, 100, 200]
    for at in (105, 109, 199):
        assert done.last("DetectorReport", "Port0", at) == 2
    scene.read(303, p37=False)
    scene.read(305, p37=True)
    done = seen(scene, 400)
    assert [(at, f["Port0"]) for at, f in done.of("DetectorReport")][-2:] == [(303, 2), (313, 1)]


@given(runs())
def test_no_two_frames_of_a_stream_are_closer_than_the_gap(run: Run) -> None:
    times: dict[tuple[str, int], int] = {}
    for at, frame in Seen(run).frames:
        key = (frame.shape.name, frame.group)
        assert frame.node == run.number
        assert (at - times.get(key, at - GAP)) % 2**32 >= GAP
        times[key] = at


@pytest.mark.parametrize(
    ("levels", "name", "field", "value"),
    [
        ({}, "DetectorReport", "Port0", 0),
        ({"p37": True}, "DetectorReport", "Port0", 1),
        ({"p37": False}, "DetectorReport", "Port0", 2),
        ({"p37": None}, "DetectorReport", "Port0", 0),
        ({"p40": True}, "InputReport", "Port0", 1),
        ({"p40": False}, "InputReport", "Port0", 2),
        ({"p41": True, "p42": False, "p43": False}, "InputReport", "Port1", 1),
        ({"p41": False, "p42": True, "p43": False}, "InputReport", "Port1", 2),
        ({"p41": False, "p42": False, "p43": True}, "InputReport", "Port1", 3),
        ({"p41": False, "p42": False, "p43": False}, "InputReport", "Port1", 0),
        ({"p41": True, "p42": True, "p43": False}, "InputReport", "Port1", 0),
        ({"p41": True, "p42": False}, "InputReport", "Port1", 0),
        ({"p34": True, "p35": False}, "TurnoutReport", "Port0", 1),
        ({"p34": False, "p35": True}, "TurnoutReport", "Port0", 2),
        ({"p34": True, "p35": True}, "TurnoutReport", "Port0", 0),
        ({"p34": False, "p35": False}, "TurnoutReport", "Port0", 0),
        ({"p34": True}, "TurnoutReport", "Port0", 0),
        ({"p36": True}, "TurnoutReport", "Port1", 1),
        ({"p36": False}, "TurnoutReport", "Port1", 0),
        ({"p32": True, "p33": False}, "StopProof", "Port0", 1),
        ({"p32": False, "p33": True}, "StopProof", "Port0", 2),
        ({"p32": True, "p33": True}, "StopProof", "Port0", 0),
        ({"p30": True}, "SignalProof", "Lamps0", 0),  # alight, and nobody orders it
        ({"p30": False}, "SignalProof", "Lamps0", 1),
        ({}, "SignalProof", "Lamps0", 0),
        ({"p31": False}, "SignalProof", "IndicatorLit0", 8),
        ({"p31": True}, "SignalProof", "IndicatorLit0", 0),
    ],
)
def test_what_an_input_says(
    levels: dict[str, bool | None], name: str, field: str, value: int
) -> None:
    scene = Scene().begin()
    scene.read(1, **levels)
    assert seen(scene, 400).last(name, field, 400) == value


# -- rule 5: what it takes


def rejected(*frames: tuple[int, bytes]) -> tuple[dict[str, int], Node]:
    """Return what a node with everything rejected, by reason, after an order that it obeys."""
    node = node_of(EVERYTHING)
    answer(node, 100)
    scene = Scene()
    for _ in range(3):
        node.take(*scene.made("StopOrder", {"Port0": 1}), 100)
    assert not node.rejected
    for frame in frames:
        node.take(*frame, 101)
    return dict(node.rejected), node


def node_of(board: dict[str, Any]) -> Node:
    file = Run(board=board, happens=()).settings
    return Node(file, number=3, serial=0xC0FFEE, firmware=(1, 4, 2), start=100, now=0)


def answer(node: Node, now: int) -> None:
    """Take all that a node says at a time, and answer each page of its status."""
    node.advance(now)
    while (frame := node.frame(now)) is not None:
        node.sent(now)
        said = decode(*frame)
        if said.shape.name == "NodeStatus":
            node.take(*heard(node.number, said.group, said.counter), now)


def lifted(node: Node) -> bool:
    return LIFT in node.on


SCENE = Scene()
SCENE.three(0, "StopOrder", {"Port0": 1})
NEXT = SCENE.made("StopOrder", {"Port0": 1})
"""The frame that comes next, all being well."""


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (changed(NEXT, 0, NEXT[1][0] ^ 1, sealed=False), "crc"),
        (changed(NEXT, 4, 0, sealed=False), "crc"),
        ((NEXT[0], NEXT[1][:-1]), "truncated"),
        ((NEXT[0], b""), "truncated"),
        ((NEXT[0], NEXT[1] + b"\0"), "oversized"),
        (changed(NEXT, 3, 0x20, sealed=True), "version"),
        (changed((NEXT[0] & ~0x7F, NEXT[1]), 4, 1, sealed=True), "wrong-node"),
        (encode("StopOrder", 3, counter=1, group=1, values={"Port0": 1}), "unknown-group"),
        (encode("TurnoutOrder", 3, counter=1, group=2), "unknown-group"),
        (encode("StopOrder", 3, counter=502, values={"Port0": 1}), "repeated"),
        (encode("StopOrder", 3, counter=500, values={"Port0": 1}), "late"),
    ],
)
def test_a_frame_that_is_dropped_changes_nothing(frame: tuple[int, bytes], reason: str) -> None:
    reasons, node = rejected(frame)
    assert reasons == {reason: 1}
    assert lifted(node)
    for now in range(150, 100 + TIMEOUT, 50):
        answer(node, now)
    node.advance(100 + TIMEOUT - 1)
    assert lifted(node)
    node.advance(100 + TIMEOUT)  # nor was it a sign of life
    assert not lifted(node)


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (changed(NEXT, 4, 2, sealed=True), "out-of-range"),
        (changed(NEXT, 7, 0xC0, sealed=True), "out-of-range"),
        (encode("StopOrder", 3, counter=503, values={"Port1": 1}), "out-of-range"),
        (encode("StopOrder", 3, counter=502, values={"Port0": 0}), "contradictory"),
        (encode("StopOrder", 3, counter=507, values={"Port0": 1}), "wrong-sequence"),
        (encode("StopOrder", 3, counter=100, values={"Port0": 1}), "wrong-sequence"),
    ],
)
def test_a_frame_that_gives_cause_for_doubt_ends_its_orders(
    frame: tuple[int, bytes], reason: str
) -> None:
    reasons, node = rejected(frame)
    assert reasons == {reason: 1}
    assert not lifted(node)
    assert node.orders_lost
    more = Sequence(20_000)
    for _ in range(3):
        assert not lifted(node)
        node.take(*encode("StopOrder", 3, counter=more.counter, values={"Port0": 1}), 200)
        more.advance()
    assert lifted(node)


@pytest.mark.parametrize(
    "frame",
    [
        encode("StopOrder", 4, counter=503),
        encode("AllDanger", 4, counter=503),
        encode("DetectorReport", 3, counter=503),
        encode("NodeStatus", 3, counter=503, values={"Serial": 1}),
        (0x603, bytes(8)),
        (0x7FF, b"\1"),
        (NEXT[0] | 0x04, NEXT[1]),
    ],
)
def test_what_is_not_for_it_is_not_its_business(frame: tuple[int, bytes]) -> None:
    reasons, node = rejected(frame)
    assert not reasons
    assert lifted(node)


@pytest.mark.parametrize(
    "values",
    [{"Aspect0": 4}, {"Indicator0": 2}, {"Indicator0": 7}, {"Aspect2": 1}, {"Indicator3": 1}],
)
def test_what_a_signal_cannot_show_is_rejected_as_a_whole(values: dict[str, int]) -> None:
    scene = Scene().begin()
    scene.three(300, "SignalOrder", {"Aspect0": 2})
    scene.order(400, "SignalOrder", {"Aspect0": 1} | values)
    done = seen(scene, 500)
    assert done.on(399) == {YELLOW, YELLOW_2, 7}
    assert done.on(400) == {RED, 7}


def test_rejected_and_lost_frames_are_counted_on_page_3() -> None:
    scene = Scene().begin()
    scene.three(300, "StopOrder")
    scene.order(310, "StopOrder", skip=3)
    scene.order(320, "StopOrder", skip=1)
    frame = scene.order(330, "StopOrder")
    scene.frame(340, *frame)
    scene.frame(350, *changed(frame, 0, frame[1][0] ^ 0xFF, sealed=False))
    _, page = seen(scene, 2000).of("NodeStatus", 3)[0]
    assert (page["FramesRejected"], page["FramesLost"]) == (2, 4)


@given(runs())
def test_all_that_is_for_it_and_is_no_frame_is_counted(run: Run) -> None:
    expected: Counter[str] = Counter()
    player, stopped = Player(run), False
    for line in run.happens:
        player.happen(line)
        _, what, *rest = line.split()
        stopped = stopped or what == "stop"
        if what != "take" or stopped:
            continue
        identifier, data = int(rest[0], 16), bytes.fromhex(rest[1].strip("-"))
        shape = SCHEMA.shapes.get(identifier >> 7)
        if shape is None or not shape.by_controller or identifier & 127 not in (0, run.number):
            continue
        try:
            decode(identifier, data)
        except RejectedInputError as error:
            expected[error.reason] += 1
    for reason in ("crc", "truncated", "oversized", "version", "wrong-node"):
        assert player.node.rejected[reason] == expected[reason]
    assert player.node.rejected["out-of-range"] >= expected["out-of-range"]


# -- rules 6 and 7: orders


def test_an_order_counts_with_the_third_frame_as_a_whole_and_at_once() -> None:
    scene = Scene().begin()
    for at in (300, 310, 320):
        scene.order(at, "StopOrder", {"Port0": 1, "Port2": 1})
    scene.order(330, "StopOrder", {"Port2": 1})
    done = seen(scene, 400)
    assert [each for each in done.pins if each[0] > 0] == [
        *((320, LIFT, True), (320, 11, True)),
        (330, LIFT, False),
    ]


def test_what_each_order_does() -> None:
    scene = Scene().begin()
    scene.three(300, "SignalOrder", {"Aspect0": 2, "Indicator0": 4})
    scene.three(300, "SignalOrder", {"Aspect1": 2}, group=1)
    scene.three(300, "LockOrder", {"Port0": 1})
    done = seen(scene, 301)
    assert done.on(301) == {YELLOW, YELLOW_2, RIGHT, 9, FREE}


def test_orders_not_repeated_are_not_obeyed_any_more() -> None:
    scene = Scene().begin()
    scene.three(300, "StopOrder", {"Port0": 1})
    scene.three(300, "SignalOrder", {"Aspect0": 3, "Indicator0": 1})
    scene.order(700, "SignalOrder", {"Aspect0": 3, "Indicator0": 1})
    done = seen(scene, 3000)
    assert LIFT in done.on(300 + TIMEOUT - 1)
    assert LIFT not in done.on(300 + TIMEOUT)
    assert {GREEN, LEFT} <= done.on(700 + TIMEOUT - 1)
    assert done.on(700 + TIMEOUT) == {RED, 7}


def test_it_says_at_once_that_orders_are_lost() -> None:
    board = {"stops": {"0": {"lift": LIFT}}}
    scene = Scene().begin()
    scene.three(300, "StopOrder", {"Port0": 1})
    done = seen(scene, 1500, board=board)
    flags = [(at, frame["OrdersLost"]) for at, frame in done.of("NodeStatus", 1)]
    assert [each for each in flags if each[0] in (270, 300, 300 + TIMEOUT)] == [
        *((270, 1), (300, 0), (300 + TIMEOUT, 1)),
    ]
    changes = [at for (_, before), (at, now) in pairwise(flags) if before != now]
    assert changes == [300, 300 + TIMEOUT]


# -- how old what it is told can be


def lift_for_ever(until: int) -> Scene:
    scene = Scene().begin()
    scene.three(300, "StopOrder", {"Port0": 1})
    for at in range(550, until, PERIOD):
        scene.order(at, "StopOrder", {"Port0": 1})
    return scene


def test_without_an_answer_no_order_counts() -> None:
    done = seen(lift_for_ever(3000), 3000, deaf=lambda _: True)
    assert LIFT not in {pin for _, pin, on in done.pins if on}
    flags = {(frame["OrdersLost"], frame["Unanswered"]) for _, frame in done.of("NodeStatus", 1)}
    assert flags == {(1, 1)}


def test_orders_end_when_the_newest_answer_is_too_old_however_they_come() -> None:
    done = seen(lift_for_ever(5000), 5000, deaf=lambda at: 1000 <= at < 3000)
    last = max(at for at, frame in done.frames if frame.shape.name == "NodeStatus" and at < 1000)
    assert [(at, on) for at, pin, on in done.pins if pin == LIFT and at] == [
        *((300, True), (last + TIMEOUT, False), (3550, True)),
    ]
    flags = [(at, frame["Unanswered"]) for at, frame in done.of("NodeStatus", 1)]
    changes = [at for (_, before), (at, now) in pairwise(flags) if before != now]
    assert changes[0] == last + TIMEOUT


@pytest.mark.parametrize("delay", [0, 500, 700, 1000, 3000, 60_000])
def test_orders_that_are_late_count_while_they_are_younger_than_their_time(delay: int) -> None:
    """Whatever a controller says arrives so late, in its order, for ever."""
    node = node_of({"stops": {"0": {"lift": LIFT}}})
    stream, under_way = Sequence(1), []
    done = []
    for now in range(0, 70_000, 10):
        while under_way and under_way[0][0] <= now:
            node.take(*under_way.pop(0)[1], now)
        node.advance(now)
        while (frame := node.frame(now)) is not None:
            node.sent(now)
            said = decode(*frame)
            if said.shape.name == "NodeStatus":
                under_way.append((now + delay, heard(3, said.group, said.counter)))
        if now % PERIOD == 0:
            order = encode("StopOrder", 3, counter=stream.counter, values={"Port0": 1})
            stream.advance()
            under_way.append((now + delay, order))
        done.append(lifted(node))
    assert any(done) is (delay < TIMEOUT)


def test_what_an_adapter_kept_back_counts_for_no_moment() -> None:
    """It takes frames for three seconds and then lets them go, all at once, the oldest first."""
    node = node_of({"stops": {"0": {"lift": LIFT}}})
    stream, kept = Sequence(1), []
    shown = []
    for now in range(0, 8000, 10):
        if now == 5000:
            for each in kept:
                node.take(*each, now)
                shown.append(lifted(node))
            kept.clear()
        told = []
        node.advance(now)
        while (frame := node.frame(now)) is not None:
            node.sent(now)
            said = decode(*frame)
            if said.shape.name == "NodeStatus":
                told.append(heard(3, said.group, said.counter))
        if now % PERIOD == 0:
            # Lifted until 2.5 s, and applied ever since.
            values = {"Port0": int(now < 2500)}
            told.append(encode("StopOrder", 3, counter=stream.counter, values=values))
            stream.advance()
        if 2000 <= now < 5000:
            kept += told
        else:
            for each in told:
                node.take(*each, now)
        if now == 1990:
            assert lifted(node)
        if now >= 3000:
            shown.append(lifted(node))
    assert len(shown) > 500
    assert not any(shown)
    assert not node.orders_lost


def test_an_answer_proves_nothing_about_another_page_or_counter() -> None:
    node = node_of(EVERYTHING)
    node.advance(0)
    frame = node.frame(0)
    assert frame is not None
    node.sent(0)
    said = decode(*frame)
    for page, counter in ((1, said.counter), (0, said.counter + 1), (0, said.counter - 1)):
        node.take(*heard(3, page, counter), 5)
        assert node.unanswered
    assert node.rejected == {"stale": 3}
    node.take(*heard(3, 0, said.counter), TIMEOUT - 1)
    assert not node.unanswered
    node.advance(TIMEOUT)
    assert node.unanswered
    node.take(*heard(3, 0, said.counter), TIMEOUT)
    assert node.unanswered


def test_frames_that_are_far_apart_never_count() -> None:
    scene = Scene().begin()
    for at in range(1000, 9000, TIMEOUT):
        scene.order(at, "StopOrder", {"Port0": 1})
    assert LIFT not in seen(scene, 9000).on(9000)


def test_lamps_flash_from_being_lit_and_a_refresh_does_not_disturb_them() -> None:
    scene = Scene().begin()
    order = {"Aspect0": 1, "Flash0": 1}
    scene.three(300, "SignalOrder", order)
    for at in range(550, 2550, PERIOD):
        scene.order(at, "SignalOrder", order)
    scene.order(2600, "SignalOrder", {"Aspect0": 1})
    done = seen(scene, 3000)
    assert [(at, on) for at, pin, on in done.pins if pin == YELLOW and at] == [
        *((300, True), (800, False), (1300, True), (1800, False), (2300, True)),
    ]


def test_danger_does_not_flash() -> None:
    scene = Scene().begin()
    scene.three(300, "SignalOrder", {"Flash0": 1})
    assert [at for at, *_ in seen(scene, 1200).pins if at] == []


@settings(max_examples=200)
@given(runs())
def test_nothing_is_lifted_without_a_whole_order_within_its_time(run: Run) -> None:
    """A stop that is lifted was ordered so within the time, and no all danger was heard since."""
    lifts = {each.lift: int(port) for port, each in run.settings.stops.items()}
    ordered: dict[int, int] = {}
    player = Player(run)
    for line in run.happens:
        at, what, *rest = line.split()
        if what == "take":
            _note(ordered, lifts, int(at), int(rest[0], 16), bytes.fromhex(rest[1].strip("-")))
        player.happen(line)
        for pin in player.node.on & lifts.keys():
            assert int(at) - ordered[pin] < TIMEOUT


def _note(
    ordered: dict[int, int], lifts: dict[int, int], now: int, identifier: int, data: bytes
) -> None:
    try:
        frame = decode(identifier, data)
    except RejectedInputError:
        return
    if frame.shape.name == "AllDanger" and frame.node in (0, 3):
        ordered.clear()
    elif frame.shape.name == "StopOrder" and frame.node == 3:
        ports = {frame.group * 16 + at for at in range(16) if frame[f"Port{at}"]}
        ordered.update({pin: now for pin, port in lifts.items() if port in ports})


# -- rule 8: all danger


@pytest.mark.parametrize("number", [0, 3])
def test_all_danger_is_obeyed_at_once_whatever_its_counter(number: int) -> None:
    scene = Scene().begin()
    scene.three(300, "StopOrder", {"Port0": 1})
    scene.three(300, "SignalOrder", {"Aspect0": 3, "Indicator0": 1, "Flash0": 1})
    scene.three(300, "LockOrder", {"Port0": 1})
    for at in (400, 401):  # twice with one counter
        scene.frame(at, *encode("AllDanger", number, counter=9))
    for at in (410, 420, 430):
        scene.order(at, "StopOrder", {"Port0": 1})
    done = seen(scene, 500)
    assert done.on(399) == {GREEN, LEFT, LIFT, FREE, 7}
    assert done.on(400) == done.on(429) == {RED, 7}
    assert done.on(430) == {RED, LIFT, 7}
    assert done.of("NodeStatus", 1)[-1][1]["OrdersLost"] == 1


@pytest.mark.parametrize("spoilt", ["crc", "version", "truncated"])
def test_an_all_danger_that_is_not_whole_is_not_obeyed(spoilt: str) -> None:
    identifier, data = frame = encode("AllDanger", 0, counter=9)
    frame = {
        "crc": changed(frame, 0, data[0] ^ 1, sealed=False),
        "version": changed(frame, 3, 0x20, sealed=True),
        "truncated": (identifier, data[:3]),
    }[spoilt]
    reasons, node = rejected(frame)
    assert reasons == {spoilt: 1}
    assert lifted(node)


# -- rule 9: identify


@pytest.mark.parametrize(
    ("number", "serial", "blinks"),
    [(3, 0, True), (0, 0, True), (0, 0xC0FFEE, True), (3, 1, False), (4, 0, False)],
)
def test_it_blinks_when_it_is_meant(number: int, serial: int, blinks: bool) -> None:  # noqa: FBT001
    scene = Scene().begin()
    frame = encode("Identify", number, counter=1, values={"Serial": serial})
    scene.frame(1000, *frame)
    done = seen(scene, 20_000)
    times = [(at, on) for at, pin, on in done.pins if pin == LIGHT and at]
    if blinks:
        assert times == [(1000 + 250 * turn, turn % 2 == 0) for turn in range(40)] + (
            [(11_000, False)] if len(times) % 2 else []
        )
        assert times[-1][0] <= 1000 + SCHEMA.identify_seconds * 1000
    else:
        assert times == []
    assert {pin for at, pin, _ in done.pins if at} <= {LIGHT}


def test_asking_again_goes_on_without_a_break() -> None:
    scene = Scene().begin()
    for at in (1000, 5100):
        scene.frame(at, *encode("Identify", 3, counter=1))
    done = seen(scene, 20_000)
    times = [at for at, pin, _ in done.pins if pin == LIGHT and at]
    assert {after - before for before, after in pairwise(times)} <= {250, 100}
    assert times[-1] <= 15_100
    assert LIGHT not in done.on(15_100)


# -- rule 10, and turnouts


def test_after_bus_off_it_begins_again_with_who_it_is() -> None:
    scene = Scene().begin()
    scene.three(900, "StopOrder", {"Port0": 1})
    scene.say(1000, "restart")
    done = seen(scene, 1045)
    after = [(at, frame.shape.name) for at, frame in done.frames if at >= 1000]
    assert [name for _, name in after[:3]] == ["NodeStatus"] * 3
    assert sum(name == "DetectorReport" for _, name in after) == 2 * 3
    assert LIFT in done.on(1045)


def test_a_turnout_is_moved_once_and_left_alone_where_it_lies_right() -> None:
    scene = Scene().begin()
    scene.read(0, p34=True, p35=False)
    scene.three(300, "TurnoutOrder", {"Port0": 1})
    scene.order(400, "TurnoutOrder", {"Port0": 2})
    scene.read(410, p34=False)
    scene.read(450, p35=True)
    for at in (650, 900, 1150):
        scene.order(at, "TurnoutOrder", {"Port0": 2})
    done = seen(scene, 1200)
    moves = [(at, pin, on) for at, pin, on in done.pins if pin in (NORMAL, REVERSE) and at]
    assert moves == [(400, REVERSE, True), (600, REVERSE, False)]
    said = [(at, frame["Port0"]) for at, frame in done.of("TurnoutReport") if 400 <= at < 500]
    assert said == [(410, 3), (450, 2)]


def test_a_turnout_is_left_as_it_lies_when_orders_are_lost() -> None:
    scene = Scene().begin()
    scene.read(0, p34=False, p35=False)
    scene.three(300, "TurnoutOrder", {"Port0": 2})
    scene.frame(350, *encode("AllDanger", 0, counter=1))
    done = seen(scene, 1000)
    moves = [(at, pin, on) for at, pin, on in done.pins if pin in (NORMAL, REVERSE) and at]
    assert moves == [(300, REVERSE, True), (350, REVERSE, False)]
    assert done.last("TurnoutReport", "Port0", 349) == 3
    assert done.last("TurnoutReport", "Port0", 1000) == 0


# -- proof


def test_lamps_are_looked_at_once_they_have_settled_and_while_they_are_lit() -> None:
    scene = Scene().begin()
    scene.read(0, p30=True)
    scene.three(300, "SignalOrder", {"Aspect0": 1, "Flash0": 1})
    scene.read(310, p30=False)
    scene.read(350, p30=True)
    for at in (550, 800, 1050):
        scene.order(at, "SignalOrder", {"Aspect0": 1, "Flash0": 1})
    scene.read(805, p30=False)  # dark, as it should be
    scene.read(1310, p30=True)
    done = seen(scene, 1500)
    assert {frame["Lamps0"] for at, frame in done.of("SignalProof") if at >= 420} == {2}


def test_lamps_that_show_danger_because_nobody_orders_anything_are_not_proved_lit() -> None:
    scene = Scene().begin()
    scene.read(0, p30=True)
    scene.three(300, "SignalOrder", {"Aspect0": 3})
    scene.order(500, "SignalOrder", {"Aspect0": 3})
    scene.three(1700, "SignalOrder", {"Aspect0": 0})
    scene.read(1800, p30=False)
    done = seen(scene, 3100)
    assert done.last("SignalProof", "Lamps0", 299) == 0  # it is at danger by itself
    assert done.last("SignalProof", "Lamps0", 450) == 2
    assert done.last("SignalProof", "Lamps0", 1490) == 2
    assert done.last("SignalProof", "Lamps0", 1510) == 0  # nothing was heard for a second
    assert done.last("SignalProof", "Lamps0", 1690) == 0
    assert done.last("SignalProof", "Lamps0", 1790) == 2  # danger, as ordered
    assert done.last("SignalProof", "Lamps0", 3000) == 1  # dark is dark, ordered or not


@pytest.mark.parametrize(
    ("levels", "fault"),
    [
        ({"p30": True, "p31": False, "p32": True, "p33": False}, 0),
        ({}, 0),
        ({"p30": False}, 1),
        ({"p31": True}, 1),
        ({"p32": False}, 1),
        ({"p33": True}, 1),
    ],
)
def test_an_output_that_does_not_do_what_it_is_told_is_a_flag(
    levels: dict[str, bool | None], fault: int
) -> None:
    scene = Scene().begin()
    scene.read(0, **levels)
    _, page = seen(scene, 400).of("NodeStatus", 1)[-1]
    assert page["OutputFault"] == fault


def test_a_stop_that_stays_applied_when_it_is_lifted_is_a_flag() -> None:
    scene = Scene().begin()
    scene.read(0, p32=True, p33=False)
    scene.three(300, "StopOrder", {"Port0": 1})
    done = seen(scene, 500)
    flags = [(at, frame["OutputFault"]) for at, frame in done.of("NodeStatus", 1)]
    assert flags[-1] == (400, 1)


# -- the end


def test_a_node_that_is_stopped_is_at_danger_and_knows_nothing() -> None:
    scene = Scene().begin()
    scene.read(0, p37=True)
    scene.three(300, "StopOrder", {"Port0": 1})
    scene.say(400, "stop")
    scene.read(410, p37=True)
    scene.three(420, "StopOrder", {"Port0": 1})
    done = seen(scene, 900)
    assert done.on(399) == {RED, LIFT, 7}
    assert done.on(400) == done.on(900) == {RED, 7}
    assert done.last("DetectorReport", "Port0", 399) == 1
    assert done.last("DetectorReport", "Port0", 400) == 0
    assert done.last("DetectorReport", "Port0", 900) == 0


def test_two_starts_begin_with_other_counters() -> None:
    first, second = (
        Run(board=EVERYTHING, happens=("0 begin",), start=start) for start in (7, 9000)
    )
    assert [Seen(each).frames[0][1].counter for each in (first, second)] == [7, 9000]
