"""What is believed of what arrives: every fault is on the right side."""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.words import Device, Report
from transports.can.foreign import ForeignIncoming
from transports.can.frames import encode
from transports.can.incoming import Incoming
from transports.can.own import own_reports
from transports.can.protect import Sequence, check_sum
from transports.can.schema import load_schema
from transports.transport import BoundDevice

SCHEMA = load_schema()
D1, D2, D20 = (Device("detector", name) for name in ("d1", "d2", "d20"))
T1, M1, X1, L1, O1, I1, S1 = (
    Device("turnout", "t1"),
    Device("lamps", "M1"),
    Device("danger", "x1"),
    Device("lock", "t1"),
    Device("override", "M1/quay"),
    Device("indicator", "M1"),
    Device("stop", "S1"),
)
VALUES = ("clear", "occupied")
DEVICES = (
    BoundDevice(device=D1, reports=VALUES, report={"node": 3, "port": 0}),
    BoundDevice(device=D2, reports=VALUES, report={"node": 3, "port": 5}),
    BoundDevice(device=D20, reports=VALUES, report={"node": 3, "port": 16}),
    BoundDevice(device=T1, reports=("normal", "reverse", "moving"), report={"node": 4, "port": 1}),
    BoundDevice(device=M1, reports=("dark", "lit"), report={"node": 4, "port": 2}),
    BoundDevice(device=I1, reports=("dark", "4"), report={"node": 4, "port": 2}),
    BoundDevice(device=X1, reports=("free", "danger"), report={"node": 4, "port": 0}),
    BoundDevice(device=L1, reports=("idle", "asked"), report={"node": 4, "port": 1}),
    BoundDevice(device=O1, reports=("auto", "lit", "dark"), report={"node": 4, "port": 2}),
    BoundDevice(device=S1, reports=("applied", "lifted"), report={"node": 4, "port": 3}),
)


class Board:
    """A board that says frames, on a bus that gives them to who makes it."""

    def __init__(self, bench: Bench, number: int, serial: int, start: int | None = None) -> None:
        self.bench, self.number, self.serial, self.start = bench, number, serial, start
        self.sequences: dict[tuple[str, int], Sequence] = {}
        self.last: tuple[int, bytes] = (0, b"")

    def say(self, name: str, group: int = 0, times: int = 1, **values: int) -> None:
        sequence = self.sequences.setdefault((name, group), Sequence(self.start))
        for _ in range(times):
            frame = encode(name, self.number, group=group, counter=sequence.counter, values=values)
            sequence.advance()
            self.last = frame
            self.bench.take(*frame)

    def skip(self, name: str, frames: int, group: int = 0) -> None:
        for _ in range(frames):
            self.sequences[name, group].advance()

    def identify(self, times: int = 1) -> None:
        self.say("NodeStatus", 0, times, Serial=self.serial)

    def settle(self) -> None:
        """Say who it is for as long as it takes to be known, and that it is answered."""
        self.identify(3)
        self.say("NodeStatus", 1, OrdersLost=1)
        self.bench.pass_time(0.5)
        self.identify()


class Bench:
    """An opening of a bus, the time in hand, and what was said."""

    def __init__(self, devices: tuple[BoundDevice, ...] = DEVICES) -> None:
        self.now = 1000.0
        self.known: dict[Device, str | None] = {}
        self.count = 0
        self.rejected: Counter[str] = Counter()
        self.trust: list[tuple[int, bool]] = []
        self.reach: list[tuple[int, bool]] = []
        self.answers: list[tuple[int, int, int]] = []
        self.ours: set[tuple[int, bytes]] = set()
        self.incoming = Incoming(
            "club",
            own_reports("club", devices),
            {3, 4},
            foreign=ForeignIncoming((), {}, say=self, rejected=self.rejected, poll=print),
            say=self,
            rejected=self.rejected,
            silence=1.5,
            ours=lambda identifier, data: (identifier, data) in self.ours,
            trust=lambda *said: self.trust.append(said),
            reach=lambda *said: self.reach.append(said),
            answer=lambda *said: self.answers.append(said),
        )

    def __call__(self, report: Report) -> None:
        self.count += 1
        self.known[report.device] = report.value

    def take(self, identifier: int, data: bytes, *, extended: bool = False) -> None:
        self.incoming.take(identifier, data, self.now, extended=extended)

    def pass_time(self, seconds: float) -> None:
        self.now += seconds
        self.incoming.check(self.now)


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def board(bench: Bench) -> Board:
    """A board in step: d1 occupied, d2 clear."""
    board = Board(bench, 3, 0xA1, start=100)
    board.settle()
    board.say("DetectorReport", 0, 3, Port0=2, Port5=1)
    return board


def test_reports_in_step_are_believed(bench: Bench, board: Board) -> None:
    assert bench.known == {D1: "occupied", D2: "clear"}
    board.say("DetectorReport", Port0=1, Port5=0)
    assert bench.known == {D1: "clear", D2: None}
    board.say("DetectorReport", 1, 3, Port0=1)
    assert bench.known[D20] == "clear"
    assert not bench.rejected


def test_every_kind_of_report(bench: Bench) -> None:
    board = Board(bench, 4, 0xB2)
    board.settle()
    board.say("TurnoutReport", 0, 3, Port1=3)
    board.say("SignalProof", 0, 3, Lamps2=2, IndicatorLit2=4)
    board.say("InputReport", 0, 3, Port0=2, Port1=2, Port2=3)
    board.say("StopProof", 0, 3, Port3=2)
    assert bench.known == {
        T1: "moving",
        M1: "lit",
        I1: "4",
        X1: "danger",
        L1: "asked",
        O1: "dark",
        S1: "lifted",
    }
    board.say("TurnoutReport", Port1=1)
    board.say("SignalProof", Lamps2=1, IndicatorLit2=8)
    board.say("InputReport", Port0=1, Port1=1, Port2=1)
    board.say("StopProof", Port3=1)
    assert bench.known == {
        T1: "normal",
        M1: "dark",
        I1: "dark",
        X1: "free",
        L1: "idle",
        O1: "auto",
        S1: "applied",
    }
    board.say("StopProof")
    assert bench.known[S1] is None
    board.say("SignalProof", Lamps2=0, IndicatorLit2=5)  # a position that the signal has not
    assert (bench.known[M1], bench.known[I1]) == (None, None)


def test_what_has_not_changed_is_said_again_now_and_then_and_an_unknown_one_once(
    bench: Bench, board: Board
) -> None:
    before = bench.count
    board.say("DetectorReport", 0, 50, Port0=2, Port5=1)
    assert bench.count == before
    bench.pass_time(0.25)
    board.say("DetectorReport", 0, 50, Port0=2, Port5=1)
    assert bench.count == before + 2
    bench.pass_time(0.25)
    board.say("DetectorReport", Port0=2, Port5=0)
    assert bench.count == before + 4
    bench.pass_time(0.25)
    board.say("DetectorReport", Port0=2, Port5=0)
    assert bench.count == before + 5
    board.say("DetectorReport", Port0=1, Port5=0)
    assert bench.count == before + 6
    assert bench.known == {D1: "clear", D2: None}


def test_nothing_is_believed_before_the_board_has_said_who_it_is(bench: Bench) -> None:
    board = Board(bench, 3, 0xA1)
    board.say("DetectorReport", 0, 9, Port0=1)
    assert bench.known == {}
    for _ in range(2):
        # Twice, with a time between in which another board would have said so too.
        board.identify(3)
        board.say("DetectorReport", Port0=1)
        assert bench.known == {}
        bench.pass_time(0.25)
    assert bench.trust == []
    board.identify()
    board.say("DetectorReport", Port0=1)
    assert bench.trust == [(3, True)]
    assert bench.known == {}, "it has not said that our answers reach it"
    board.say("NodeStatus", 1)
    board.say("DetectorReport", Port0=1)
    assert bench.known[D1] == "clear"


def test_each_page_of_the_status_is_answered(bench: Bench) -> None:
    board = Board(bench, 3, 0xA1, start=500)
    board.identify(2)
    board.say("NodeStatus", 2)
    assert bench.answers == [(3, 0, 500), (3, 0, 501), (3, 2, 500)]
    bench.take(*board.last)
    assert len(bench.answers) == 3, "a repetition proves nothing"
    Board(bench, 3, 0xA2, start=900).identify()
    board.identify()
    assert len(bench.answers) == 3, "nobody can say to which of two an answer would go"
    Board(bench, 9, 0xA3).identify()
    assert len(bench.answers) == 3


def test_a_board_that_our_answers_do_not_reach_in_time_is_not_believed(
    bench: Bench, board: Board
) -> None:
    """Nobody knows how old its word is, however regularly it comes."""
    board.say("NodeStatus", 1)
    assert bench.known == {D1: "occupied", D2: "clear"}
    assert bench.reach == [(3, True)]
    board.say("NodeStatus", 1, Unanswered=1)
    assert bench.known == {D1: None, D2: None}
    assert bench.reach == [(3, True), (3, False)]
    board.say("DetectorReport", 0, 5, Port0=1, Port5=1)
    assert bench.known == {D1: None, D2: None}
    board.say("NodeStatus", 1)
    board.say("DetectorReport", 0, 3, Port0=1, Port5=1)
    assert bench.known == {D1: "clear", D2: "clear"}
    assert bench.trust == [(3, True)], "it is one board all the while"


def test_what_an_adapter_kept_back_is_not_believed_for_a_moment(bench: Bench, board: Board) -> None:
    """Three seconds of what a board said arrive at once, the oldest first."""
    bench.pass_time(3.0)
    assert bench.known == {D1: None, D2: None}
    count = bench.count
    for number in range(12):
        board.identify() if number % 2 else board.say("NodeStatus", 1)
        board.say("DetectorReport", Port0=1, Port5=1)
    assert bench.count == count


def test_nothing_is_believed_of_two_frames(bench: Bench) -> None:
    board = Board(bench, 3, 0xA1)
    board.settle()
    board.say("DetectorReport", 0, 2, Port0=1)
    assert bench.known == {}


def test_what_is_not_repeated_is_unknown_after_its_time(bench: Bench, board: Board) -> None:
    bench.pass_time(0.5)
    board.identify()
    board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.incoming.next_deadline == pytest.approx(bench.now + 1.0)
    bench.pass_time(0.5)
    board.identify()
    bench.pass_time(0.49)
    assert bench.known == {D1: "occupied", D2: "clear"}
    bench.pass_time(0.02)
    assert bench.known == {D1: None, D2: None}
    # And three frames are needed again.
    board.say("DetectorReport", 0, 2, Port0=2, Port5=1)
    assert bench.known == {D1: None, D2: None}
    board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.known == {D1: "occupied", D2: "clear"}


def test_a_loop_that_was_held_up_believes_nothing_overdue(bench: Bench, board: Board) -> None:
    """What arrives first after a pause is not taken before the pause is noticed."""
    bench.now += 5
    board.say("DetectorReport", Port0=1, Port5=1)
    assert bench.known == {D1: None, D2: None}


def test_a_counter_that_stands_is_no_sign_of_life(bench: Bench, board: Board) -> None:
    for _ in range(8):
        bench.pass_time(0.25)
        bench.take(*board.last)
    assert bench.known == {D1: None, D2: None}
    # The first ones repeat; once the stream is given up, the next is a first one.
    assert bench.rejected["repeated"] >= 4
    bench.pass_time(1.5)
    assert bench.incoming.silent


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_few_lost_frames_are_counted(bench: Bench, board: Board, lost: int) -> None:
    board.skip("DetectorReport", lost)
    board.say("DetectorReport", Port0=1, Port5=1)
    assert bench.known == {D1: "clear", D2: "clear"}
    assert bench.rejected == {"lost": lost}


@pytest.mark.parametrize("lost", [4, 5, 1000, 40000])
def test_many_lost_frames_make_it_unknown_until_in_step_again(
    bench: Bench, board: Board, lost: int
) -> None:
    board.skip("DetectorReport", lost)
    board.say("DetectorReport", Port0=1, Port5=1)
    assert bench.known == {D1: None, D2: None}
    assert bench.rejected == {"wrong-sequence": 1}
    board.say("DetectorReport", 0, 2, Port0=1, Port5=1)
    assert bench.known == {D1: "clear", D2: "clear"}


def test_a_recorded_frame_is_not_believed(bench: Bench, board: Board) -> None:
    board.say("DetectorReport", Port0=1, Port5=1)
    recorded = board.last
    for _ in range(20):
        board.say("DetectorReport", Port0=2, Port5=1)
    bench.take(*recorded)
    assert bench.known == {D1: None, D2: None}
    board.say("DetectorReport", 0, 2, Port0=2, Port5=1)
    assert bench.known == {D1: None, D2: None}
    board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.known == {D1: "occupied", D2: "clear"}


def test_frames_that_overtake_each_other(bench: Bench, board: Board) -> None:
    board.say("DetectorReport", Port0=1, Port5=1)
    late = board.last
    board.say("DetectorReport", Port0=2, Port5=1)
    bench.take(*late)
    assert bench.known[D1] == "occupied"
    assert bench.rejected == {"late": 1}


@pytest.mark.usefixtures("board")
def test_a_board_that_begins_anew_is_unknown_until_in_step(bench: Bench) -> None:
    again = Board(bench, 3, 0xA1, start=30000)
    again.settle()
    again.say("DetectorReport", Port0=1, Port5=1)
    assert bench.known == {D1: None, D2: None}
    again.say("DetectorReport", 0, 2, Port0=1, Port5=1)
    assert bench.known == {D1: "clear", D2: "clear"}


# -- two boards of one number


def test_two_boards_of_one_number_are_named_and_not_believed(
    bench: Bench, board: Board, caplog: pytest.LogCaptureFixture
) -> None:
    other = Board(bench, 3, 0xB2, start=100)
    other.identify()
    assert bench.known == {D1: None, D2: None}
    assert bench.trust == [(3, True), (3, False)]
    assert bench.incoming.watches[3].info.serials == (0xA1, 0xB2)
    assert "000000A1 and 000000B2 all have the node number 3" in caplog.text
    for _ in range(20):
        bench.pass_time(0.25)
        for each in (board, other):
            each.identify()
            each.say("DetectorReport", Port0=1, Port5=1)
            assert bench.known == {D1: None, D2: None}
    # One is unplugged: after two seconds the other is believed.
    for _ in range(7):
        bench.pass_time(0.25)
        board.identify()
        board.say("DetectorReport", Port0=2, Port5=1)
        assert bench.known == {D1: None, D2: None}
    for _ in range(4):
        bench.pass_time(0.25)
        board.identify()
        board.say("NodeStatus", 1)
        board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.known == {D1: "occupied", D2: "clear"}
    assert bench.trust == [(3, True), (3, False), (3, True)]


def test_two_boards_in_lockstep_are_not_believed_even_before_they_say_who_they_are(
    bench: Bench, board: Board
) -> None:
    """The other board says that everything is clear, with just the counters of the first."""
    other = Board(bench, 3, 0xB2, start=103)
    for _ in range(10):
        board.say("DetectorReport", Port0=2, Port5=1)
        other.say("DetectorReport", Port0=1, Port5=1)
        assert bench.known == {D1: None, D2: None}
    assert bench.rejected["contradictory"] == 10


@pytest.mark.usefixtures("board")
def test_a_board_that_was_changed_is_taken_when_the_old_one_is_gone(bench: Bench) -> None:
    bench.pass_time(2.5)
    other = Board(bench, 3, 0xB2)
    other.settle()
    other.say("DetectorReport", 0, 3, Port0=1, Port5=1)
    assert bench.known == {D1: "clear", D2: "clear"}
    assert bench.incoming.watches[3].info.serials == (0xB2,)
    assert bench.trust == [(3, True), (3, False), (3, True)]


def test_orders_get_through_to_a_known_board_that_says_so(bench: Bench) -> None:
    board = Board(bench, 3, 0xA1)
    board.settle()
    assert bench.reach == [], "it has not said how its outputs are"
    board.say("NodeStatus", 1, OrdersLost=1)
    assert bench.reach == []
    board.say("NodeStatus", 1)
    board.say("NodeStatus", 1)
    assert bench.reach == [(3, True)]
    board.say("NodeStatus", 1, OrdersLost=1)
    assert bench.reach == [(3, True), (3, False)]


def test_orders_get_through_to_no_board_that_is_not_known(bench: Bench) -> None:
    board = Board(bench, 3, 0xA1)
    board.identify()
    board.say("NodeStatus", 1)
    assert bench.reach == []
    bench.pass_time(0.5)
    board.identify()
    assert bench.reach == [(3, True)]
    Board(bench, 3, 0xA2).identify()
    assert bench.reach == [(3, True), (3, False)]


def test_what_another_board_said_of_its_outputs_does_not_count(bench: Bench) -> None:
    first, second = Board(bench, 3, 0xA1), Board(bench, 3, 0xA2)
    first.settle()
    first.say("NodeStatus", 1)
    bench.pass_time(0.9)
    first.say("NodeStatus", 2)
    bench.pass_time(0.9)
    first.say("NodeStatus", 3)
    bench.pass_time(0.9)
    second.settle()
    assert bench.reach == [(3, True), (3, False)]
    assert bench.trust == [(3, True), (3, False), (3, True)]
    second.say("NodeStatus", 1)
    assert bench.reach[-1] == (3, True)


def test_a_board_of_which_nothing_is_heard_is_not_known(bench: Bench, board: Board) -> None:
    board.say("NodeStatus", 1)
    bench.pass_time(0.9)
    board.say("DetectorReport", 0, Port0=2, Port5=1)
    bench.pass_time(0.9)
    assert bench.reach == [(3, True)]
    assert bench.trust == [(3, True)]
    bench.pass_time(0.11)
    assert bench.reach == [(3, True), (3, False)]
    assert bench.trust == [(3, True), (3, False)]


def test_a_board_that_no_longer_says_who_it_is_is_not_believed(bench: Bench, board: Board) -> None:
    for _ in range(7):
        bench.pass_time(0.25)
        board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.known == {D1: "occupied", D2: "clear"}
    bench.pass_time(0.25)
    assert bench.known == {D1: None, D2: None}
    for _ in range(5):
        bench.pass_time(0.25)
        board.say("DetectorReport", Port0=2, Port5=1)
    assert bench.known == {D1: None, D2: None}


# -- frames that are none


def test_every_flip_of_one_or_two_bits_leaves_what_was_known(bench: Bench, board: Board) -> None:
    sequence = board.sequences["DetectorReport", 0]
    identifier, data = encode(
        "DetectorReport", 3, counter=sequence.counter, values={"Port0": 1, "Port5": 1}
    )
    whole = identifier << 64 | int.from_bytes(data, "little")
    for count in (1, 2):
        for places in combinations(range(75), count):
            flipped = whole
            for place in places:
                flipped ^= 1 << place
            bench.take(flipped >> 64, (flipped & (1 << 64) - 1).to_bytes(8, "little"))
    assert bench.known == {D1: "occupied", D2: "clear"}
    assert sum(bench.rejected.values()) == 75 + 75 * 74 // 2


@pytest.mark.usefixtures("board")
@pytest.mark.parametrize(
    ("identifier", "data", "reason"),
    [
        (0x203, "00", "truncated"),
        (0x203, "00" * 12, "oversized"),
        (0x603, "00" * 8, "unknown-class"),
        (0x205, None, "unknown-node"),
        (0x200, None, "wrong-node"),
    ],
)
def test_frames_for_nobody(bench: Bench, identifier: int, data: str | None, reason: str) -> None:
    frame = bytes.fromhex(data) if data else bytes.fromhex("0001001001000000")
    if data is None:
        frame = bytes([check_sum(identifier, frame)]) + frame[1:]
    bench.take(identifier, frame)
    assert bench.rejected == {reason: 1}
    assert bench.known == {D1: "occupied", D2: "clear"}


def test_an_identifier_of_29_bits_is_not_taken_for_one_of_11(bench: Bench, board: Board) -> None:
    board.say("DetectorReport", Port0=1, Port5=1)
    identifier, data = board.last
    bench.take(identifier, data, extended=True)
    assert bench.rejected == {"unknown-identifier": 1}


def test_a_group_and_a_class_that_nobody_bound_move_nothing(bench: Bench, board: Board) -> None:
    before = dict(bench.known)
    board.say("DetectorReport", 7, 5, Port0=1)
    board.say("StopProof", 0, 5, Port0=1)
    assert bench.known == before
    assert not bench.rejected


@pytest.mark.usefixtures("board")
def test_values_that_there_are_not_make_the_sender_unknown(bench: Bench) -> None:
    data = bytes.fromhex("00680010") + bytes([3, 0, 0, 0])
    bench.take(0x203, bytes([check_sum(0x203, data)]) + data[1:])
    assert bench.rejected == {"out-of-range": 1}
    assert bench.known == {D1: None, D2: None}


def test_another_controller_is_noticed_and_our_own_echo_is_not(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    order = encode("StopOrder", 3, counter=5, values={"Port0": 1})
    bench.ours.add(order)
    bench.take(*order)
    assert not bench.rejected
    bench.take(*encode("StopOrder", 3, counter=6, values={"Port0": 1}))
    bench.take(*encode("StopOrder", 3, counter=7, values={"Port0": 1}))
    assert bench.rejected == {"another-controller": 2}
    assert caplog.text.count("another controller sends orders") == 1


# -- the link


@pytest.mark.usefixtures("board")
def test_the_link_is_silent_when_no_node_is_heard(bench: Bench) -> None:
    assert bench.incoming.heard
    other = Board(bench, 4, 0xB2)
    for _ in range(4):
        bench.pass_time(1.0)
        other.say("NodeStatus", 0, 1, Serial=0xB2)
        assert not bench.incoming.silent
    bench.pass_time(1.4)
    assert not bench.incoming.silent
    bench.pass_time(0.2)
    assert bench.incoming.silent


def test_what_a_node_says_of_itself(bench: Bench, board: Board) -> None:
    board.say("NodeStatus", 1, FirmwareMajor=1, FirmwareMinor=4, FirmwarePatch=2, OrdersLost=1)
    board.say("NodeStatus", 2, SupplyMillivolts=12080, ReceiveErrors=3)
    board.say("NodeStatus", 3, FramesRejected=2, FramesLost=17)
    info = bench.incoming.watches[3].info
    assert info.serials == (0xA1,)
    assert (info.firmware, info.orders_lost, info.output_fault) == ((1, 4, 2), True, False)
    assert (info.supply_millivolts, info.transmit_errors, info.receive_errors) == (12080, 0, 3)
    assert (info.frames_rejected, info.frames_lost) == (2, 17)
    board.say("NodeStatus", 2, SupplyMillivolts=0)
    assert bench.incoming.watches[3].info.supply_millivolts is None


# -- whatever happens


@st.composite
def _faults(draw: st.DrawFn) -> list[Any]:
    fault = st.one_of(
        st.tuples(st.just("say"), st.integers(1, 2)),
        st.tuples(st.just("lose"), st.integers(1, 6)),
        st.tuples(st.just("replay"), st.integers(1, 40)),
        st.tuples(st.just("flip"), st.integers(0, 74)),
        st.tuples(st.just("wait"), st.sampled_from([0.1, 0.25, 0.7, 1.1])),
        st.tuples(st.just("restart"), st.just(0)),
        st.tuples(st.just("cut"), st.integers(0, 7)),
    )
    return draw(st.lists(fault, max_size=80))


@given(_faults())
def test_a_section_is_never_clear_when_the_board_says_occupied(faults: list[Any]) -> None:
    """No loss, repetition, delay, recording, corruption or restart makes a wrong-side report.

    What is believed is either what the board said last, or what it said before
    with less than its time gone by; it is never something that was replaced and
    has been heard to be replaced.
    """
    bench = Bench()
    board = Board(bench, 3, 0xA1, start=100)
    board.settle()
    board.say("DetectorReport", 0, 3, Port0=1)
    last_heard, said = "clear", ["clear"]
    heard_at = bench.now
    recorded = [board.last]
    for verb, amount in faults:
        before = bench.known.get(D1)
        match verb:
            case "say":
                board.say("DetectorReport", Port0=amount)
                report = board.last
                board.say("NodeStatus", 0, 1, Serial=0xA1)
                said.append(VALUES[amount - 1])
                recorded.append(report)
                assert bench.known[D1] in (said[-1], None)
                last_heard, heard_at = said[-1], bench.now
            case "lose":
                board.skip("DetectorReport", amount)
            case "replay":
                bench.take(*recorded[-min(amount, len(recorded))])
                # Nothing that was recorded adds to what is known.
                assert bench.known[D1] in (before, None)
            case "flip":
                identifier, data = recorded[-1]
                whole = (identifier << 64 | int.from_bytes(data, "little")) ^ 1 << amount
                bench.take(whole >> 64, (whole & (1 << 64) - 1).to_bytes(8, "little"))
                assert bench.known[D1] in (before, None)
            case "cut":
                identifier, data = recorded[-1]
                bench.take(identifier, data[:amount])
                assert bench.known[D1] in (before, None)
            case "wait":
                bench.pass_time(amount)
            case "restart":
                # A board begins anywhere, so that it does not meet its own recordings.
                counter = board.sequences["DetectorReport", 0].counter
                board.sequences["DetectorReport", 0] = Sequence((counter + 601) % 65536)
        if bench.known[D1] is not None:
            assert bench.known[D1] == last_heard
            assert bench.now - heard_at <= SCHEMA.report_timeout
