"""Which frame goes next, and what it says."""

from __future__ import annotations

from itertools import pairwise

import pytest

from signalling.layout.words import Device, Order
from transports.can.frames import Frame, decode, encode
from transports.can.outgoing import CanFrame, Outgoing, own_groups
from transports.can.own import own_orders
from transports.transport import BoundDevice

M1, M2, M3 = (Device("signal", name) for name in ("M1", "M2", "M3"))
S1, T1, I2, K1 = (
    Device("stop", "S1"),
    Device("turnout", "t1"),
    Device("indicator", "M2"),
    Device("lock", "t1"),
)
ASPECTS = ("danger", "caution", "clear")


def bound(device: Device, orders: tuple[str, ...], port: int, node: int = 3) -> BoundDevice:
    return BoundDevice(device=device, orders=orders, order={"node": node, "port": port})


DEVICES = (
    bound(M1, ASPECTS, 0),
    bound(M2, ASPECTS, 1),
    bound(I2, ("dark", "4"), 1),
    bound(M3, ASPECTS, 0, node=5),
    bound(S1, ("applied", "lifted"), 2),
    bound(T1, ("normal", "reverse"), 7),
    bound(K1, ("locked", "free"), 3),
)


def begun() -> Outgoing:
    """Return what is to be sent on a bus whose nodes are known."""
    outgoing = Outgoing(own_groups(own_orders("club", DEVICES)))
    outgoing.begin()
    drain(outgoing)
    for node in (3, 5):
        outgoing.hold(node, held=False)
    return outgoing


@pytest.fixture
def outgoing() -> Outgoing:
    outgoing = begun()
    outgoing.put(
        [
            *(Order(signal, "danger") for signal in (M1, M2, M3)),
            Order(I2, "dark"),
            Order(S1, "applied"),
            Order(K1, "locked"),
        ]
    )
    drain(outgoing)
    return outgoing


def drain(outgoing: Outgoing) -> list[Frame]:
    found = []
    while (frame := outgoing.next_frame()) is not None:
        outgoing.gone()
        found.append(decode(frame.identifier, frame.data))
    return found


def said(frame: Frame) -> tuple[str, int, dict[str, int]]:
    return frame.shape.name, frame.node, {k: v for k, v in frame.values().items() if v}


def test_it_begins_with_all_danger_and_each_stream_with_three_frames() -> None:
    outgoing = Outgoing(own_groups(own_orders("club", DEVICES)))
    outgoing.begin()
    assert [said(frame) for frame in drain(outgoing)] == [("AllDanger", 0, {})]
    outgoing.put([Order(S1, "applied")])
    frames = drain(outgoing)
    assert [said(frame) for frame in frames] == [("StopOrder", 3, {})] * 3
    assert {(b.counter - a.counter) % 65536 for a, b in pairwise(frames)} == {1}


def test_a_node_is_held_until_it_is_known_on_each_opening() -> None:
    outgoing = Outgoing(own_groups(own_orders("club", DEVICES)))
    for _ in range(2):
        outgoing.begin()
        outgoing.put([Order(S1, "lifted"), Order(M3, "clear")])
        assert not any(said(frame)[2] for frame in drain(outgoing))
        outgoing.hold(3, held=False)
        assert ("StopOrder", 3, {"Port2": 1}) in [said(frame) for frame in drain(outgoing)]
        outgoing.put([Order(S1, "applied"), Order(M3, "danger")])


def test_a_group_says_the_state_of_all_its_outputs(outgoing: Outgoing) -> None:
    outgoing.put([Order(M1, "clear"), Order(M2, "caution"), Order(I2, "4")])
    assert [said(frame) for frame in drain(outgoing)] == [
        ("SignalOrder", 3, {"Aspect0": 2, "Aspect1": 1, "Indicator1": 4})
    ]
    outgoing.put([Order(I2, "dark")])
    assert [said(frame) for frame in drain(outgoing)] == [
        ("SignalOrder", 3, {"Aspect0": 2, "Aspect1": 1})
    ]


def test_what_restricts_goes_first_and_of_that_what_stops_trains(outgoing: Outgoing) -> None:
    outgoing.put([Order(M3, "clear"), Order(M1, "clear"), Order(K1, "free"), Order(S1, "lifted")])
    drain(outgoing)
    outgoing.put(
        [
            Order(T1, "reverse"),
            Order(K1, "locked"),
            Order(M1, "danger"),
            Order(S1, "applied"),
            Order(M3, "caution"),
        ]
    )
    names = [(frame.shape.name, frame.node) for frame in drain(outgoing)]
    assert names[0] == ("StopOrder", 3)
    assert set(names[1:3]) == {("SignalOrder", 3), ("SignalOrder", 5)}
    assert names[3] == ("LockOrder", 3)
    assert names[4][0] == "TurnoutOrder"


def test_the_newest_order_goes_and_no_other(outgoing: Outgoing) -> None:
    for aspect in ("clear", "caution", "clear", "danger", "caution"):
        outgoing.put([Order(M1, aspect)])
    assert [said(frame) for frame in drain(outgoing)] == [("SignalOrder", 3, {"Aspect0": 1})]


def test_a_frame_that_was_not_taken_is_made_anew(outgoing: Outgoing) -> None:
    outgoing.put([Order(M1, "clear")])
    stuck = [outgoing.next_frame() for _ in range(9) if outgoing.stuck() is None]
    outgoing.stuck()
    outgoing.put([Order(M1, "danger")])
    frames = drain(outgoing)
    assert [said(frame) for frame in frames] == [("SignalOrder", 3, {})]
    # Trying does not use up the counter: the receiver would be out of step.
    assert all(decode(f.identifier, f.data).counter == frames[0].counter for f in stuck if f)


def test_an_order_that_comes_while_a_frame_is_under_way_is_not_forgotten(
    outgoing: Outgoing,
) -> None:
    outgoing.put([Order(M1, "clear")])
    assert outgoing.next_frame() is not None
    outgoing.put([Order(M1, "danger")])
    outgoing.gone()
    assert [said(frame) for frame in drain(outgoing)] == [("SignalOrder", 3, {})]


def test_a_group_is_sent_again_when_all_its_orders_were_given_again(outgoing: Outgoing) -> None:
    outgoing.put([Order(M1, "danger")])
    outgoing.put([Order(M2, "danger")])
    assert drain(outgoing) == []
    outgoing.put([Order(I2, "dark")])
    assert [frame.shape.name for frame in drain(outgoing)] == ["SignalOrder"]
    # One that is given again and again does not stand for the others.
    for _ in range(9):
        outgoing.put([Order(M1, "danger")])
    assert drain(outgoing) == []


def test_turnouts_are_left_as_they_lie_until_ordered(outgoing: Outgoing) -> None:
    assert not [frame for frame in drain(outgoing) if frame.shape.name == "TurnoutOrder"]
    outgoing.put([Order(T1, "normal")])
    assert said(drain(outgoing)[0]) == ("TurnoutOrder", 3, {"Port7": 1})


def test_a_node_that_is_held_gets_the_most_restrictive_orders(outgoing: Outgoing) -> None:
    outgoing.put([Order(M1, "clear"), Order(S1, "lifted"), Order(M3, "clear")])
    drain(outgoing)
    outgoing.hold(3, held=True)
    assert {said(frame)[0]: said(frame)[1:] for frame in drain(outgoing)} == {
        "StopOrder": (3, {}),
        "SignalOrder": (3, {}),
        "LockOrder": (3, {}),
        "TurnoutOrder": (3, {}),
    }
    outgoing.put([Order(M1, "caution"), Order(M3, "caution")])
    assert [said(frame) for frame in drain(outgoing)] == [
        ("SignalOrder", 3, {}),
        ("SignalOrder", 5, {"Aspect0": 1}),
    ]
    outgoing.hold(3, held=False)
    assert ("SignalOrder", 3, {"Aspect0": 1}) in [said(frame) for frame in drain(outgoing)]


def test_identify_and_single_frames(outgoing: Outgoing) -> None:
    outgoing.identify(5, 0xC0FFEE)
    assert said(drain(outgoing)[0]) == ("Identify", 5, {"Serial": 0xC0FFEE})
    poll = CanFrame(0x7A0, b"\x01")
    outgoing.single(poll)
    assert outgoing.next_frame() == poll
    outgoing.stuck()
    assert outgoing.next_frame() == poll
    outgoing.gone()
    assert outgoing.next_frame() is None


def test_an_answer_goes_after_all_that_waits_and_says_the_newest_page(outgoing: Outgoing) -> None:
    outgoing.answer(3, 0, 40_000)
    outgoing.answer(3, 1, 700)
    outgoing.answer(5, 2, 9)
    outgoing.put([Order(M1, "clear")])
    outgoing.identify(5, 1)
    frames = drain(outgoing)
    assert [frame.shape.name for frame in frames] == ["Identify", "SignalOrder", "Heard", "Heard"]
    told = [(frame.node, frame.group, frame["HeardCounter"]) for frame in frames[2:]]
    assert told == [(3, 1, 700), (5, 2, 9)]


def test_an_answer_that_the_bus_did_not_take_overtakes_nothing(outgoing: Outgoing) -> None:
    outgoing.answer(3, 0, 1)
    assert outgoing.next_frame() is not None
    outgoing.stuck()
    outgoing.put([Order(M1, "clear")])
    assert [frame.shape.name for frame in drain(outgoing)] == ["SignalOrder", "Heard"]
    outgoing.answer(3, 0, 1)
    outgoing.next_frame()
    outgoing.answer(3, 0, 2)
    outgoing.stuck()
    (frame,) = drain(outgoing)
    assert frame["HeardCounter"] == 2


def test_an_answer_does_not_outlive_an_opening(outgoing: Outgoing) -> None:
    outgoing.answer(3, 0, 1)
    outgoing.begin()
    assert "Heard" not in {frame.shape.name for frame in drain(outgoing)}


def test_a_node_that_lost_its_orders_is_in_step_with_three_frames(outgoing: Outgoing) -> None:
    outgoing.renew(5)
    frames = drain(outgoing)
    assert [(frame.shape.name, frame.node) for frame in frames] == [("SignalOrder", 5)] * 3
    assert [after.counter - before.counter for before, after in pairwise(frames)] == [1, 1]


def test_it_knows_its_own_frames(outgoing: Outgoing) -> None:
    outgoing.put([Order(S1, "lifted")])
    frame = outgoing.next_frame()
    assert frame is not None
    outgoing.gone()
    assert outgoing.ours(frame.identifier, frame.data)
    assert not outgoing.ours(*encode("StopOrder", 3, counter=1, values={"Port0": 1}))
    for _ in range(300):
        outgoing.identify(3, 0)
    drain(outgoing)
    assert not outgoing.ours(frame.identifier, frame.data)
