"""Which board answers to a node's name, and what of what it says is believed."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from transports.mqtt.own.codec import Gone, Heard, NodeReport, NodeStatus
from transports.mqtt.own.nodes import APART, NodeWatch
from transports.mqtt.own.numbers import Numbers, new_session

if TYPE_CHECKING:
    import pytest

OURS = "c" * 16
A, A2, B = "a" * 16, "a2" * 8, "b" * 16
ANEW = "f" * 16
"""What a board draws when it is switched on again, and what another one with its serial has."""


def _start(serial: str) -> str:
    """What a board has drawn that has been on all the time."""
    return serial.encode().hex().zfill(16)


class Rig:
    """A watch for node ``shed``, which is told something every 0.25 s; within 1 s."""

    def __init__(self) -> None:
        self.now = 0.0
        self.numbers = Numbers(OURS, 1.0)
        self.rejected: Counter[str] = Counter()
        self.watch = NodeWatch(
            "club", "shed", self.numbers, within=1.0, trial=0.75, rejected=self.rejected
        )
        self.seqs: Counter[str] = Counter()
        self.numbers.next(self.now)

    def wait(self, seconds: float = 0.25) -> Rig:
        self.now += seconds
        self.numbers.next(self.now)
        self.watch.check(self.now)
        return self

    def trust(self, session: str = A, serial: str = "GP-1") -> Rig:
        """Let a board be alone for so long that it is believed."""
        while not self.says(session, serial):
            assert self.watch.acknowledged is None
            self.wait()
        assert self.rejected == {}
        return self

    def says(self, session: str, serial: str = "GP-1", **changes: Any) -> bool:
        """Let a session say its next report, as a board does that hears us."""
        self.seqs[session] = changes.pop("seq", self.seqs[session] + 1)
        values: dict[str, Any] = {
            "node": "shed",
            "session": session,
            "seq": self.seqs[session],
            "heard": Heard(session=OURS, seq=self.numbers.last),
            "status": NodeStatus(
                serial=serial, start=changes.pop("start", _start(serial)), firmware="1"
            ),
            "reports": {},
            **changes,
        }
        return self.watch.take(NodeReport(**values), self.now)


# -- numbers


def test_a_session_has_a_name_of_its_own() -> None:
    names = {new_session() for _ in range(100)}
    assert len(names) == 100
    assert all(len(name) == 16 and int(name, 16) >= 0 for name in names)


def test_a_number_proves_when_it_was_given_and_for_so_long() -> None:
    numbers = Numbers(OURS, 1.0)

    def given(seq: int, session: str = OURS) -> float | None:
        return numbers.given(Heard(session=session, seq=seq))

    assert given(1) is None
    assert [numbers.next(at) for at in (0.0, 0.5, 0.5)] == [1, 2, 3]
    assert [given(seq) for seq in (0, 1, 2, 3, 4)] == [None, 0.0, 0.5, 0.5, None]
    assert given(1, A) is None
    assert numbers.given(None) is None
    assert numbers.next(1.2) == 4
    assert [given(seq) for seq in (1, 2, 4)] == [None, 0.5, 1.2]


# -- one board


def test_a_board_is_believed_when_it_repeats_a_number_of_ours_and_is_alone() -> None:
    rig = Rig()
    assert not rig.says(A, heard=None)
    for _ in range(3):
        assert not rig.says(A)
        rig.wait()
    assert rig.watch.acknowledged is None
    assert not rig.watch.info.known
    assert rig.says(A)
    assert rig.watch.acknowledged == Heard(session=A, seq=5)
    assert rig.watch.info.known
    assert [board.serial for board in rig.watch.info.boards] == ["GP-1"]
    assert rig.rejected == {}


def test_it_is_believed_until_the_number_is_too_old_however_late_it_came() -> None:
    rig = Rig().trust()
    heard, given = Heard(session=OURS, seq=rig.numbers.last), rig.now
    rig.wait(0.875)
    assert rig.says(A, heard=heard)
    assert rig.watch.deadline == given + 1.0
    assert rig.wait(0.0625).watch.believed
    assert not rig.wait(0.0625).watch.believed
    assert not rig.says(A, heard=heard)
    assert rig.rejected == {"stale": 1}
    # It is known, and believed again at once.
    assert rig.watch.acknowledged == Heard(session=A, seq=rig.seqs[A])
    assert rig.says(A)


def test_orders_get_through_to_a_board_that_is_believed_and_says_so() -> None:
    rig = Rig()
    assert not rig.watch.reached
    rig.trust()
    assert rig.watch.reached
    assert rig.says(
        A, status=NodeStatus(serial="GP-1", start=_start("GP-1"), firmware="1", orders_lost=True)
    )
    assert rig.watch.believed
    assert not rig.watch.reached
    assert rig.says(A)
    assert rig.watch.reached
    rig.wait(1.0)
    assert not rig.watch.reached


def test_numbers_that_do_not_rise_are_turned_away_and_gaps_are_counted() -> None:
    rig = Rig().trust()
    assert rig.says(A, seq=15)
    assert not rig.says(A, seq=15)
    assert not rig.says(A, seq=13)
    assert rig.watch.believed
    assert (rig.rejected["repeated"], rig.rejected["late"]) == (1, 1)
    lost = rig.rejected["lost"]
    assert rig.says(A, seq=19)
    assert rig.rejected["lost"] == lost + 3


def test_what_was_said_to_somebody_else_is_turned_away() -> None:
    rig = Rig()
    assert not rig.says(A, heard=Heard(session=B, seq=1))
    assert rig.rejected == {"another-session": 1}
    # A number that we have not given yet.
    assert not rig.says(A, heard=Heard(session=OURS, seq=77))
    assert rig.rejected["stale"] == 1


def test_a_board_that_begins_to_listen_to_somebody_else_is_believed_no_longer() -> None:
    rig = Rig().trust()
    assert not rig.says(A, heard=Heard(session=B, seq=1))
    assert not rig.watch.believed


def test_a_board_that_greets_does_not_disturb_one_that_is_believed() -> None:
    rig = Rig().trust()
    before = rig.watch.acknowledged
    assert not rig.says(B, heard=None)
    assert rig.watch.believed
    assert rig.watch.acknowledged == before
    assert rig.rejected == {"another-session": 1}


# -- sessions that begin and end


def test_a_will_ends_a_session_for_good() -> None:
    rig = Rig().trust()
    rig.watch.take_gone(Gone(node="shed", session=A), rig.now)
    assert not rig.watch.believed
    assert not rig.says(A)
    assert rig.rejected == {"another-session": 1}
    assert rig.wait().says(A2)


def test_the_will_of_an_earlier_session_says_nothing_of_this_one() -> None:
    rig = Rig().trust()
    assert rig.wait().says(A2)
    rig.watch.take_gone(Gone(node="shed", session=A), rig.now)
    assert rig.watch.believed


def test_a_board_that_connects_again_is_believed_at_once() -> None:
    rig = Rig().trust()
    assert rig.wait().says(A2)
    assert rig.rejected == {}


def test_an_earlier_session_cannot_be_told_from_a_later_one_by_an_old_number() -> None:
    rig = Rig().trust()
    old = Heard(session=OURS, seq=rig.numbers.last)
    assert rig.wait().says(A2)
    assert not rig.says("a3" * 8, heard=old)
    assert not rig.watch.believed
    assert rig.rejected == {"late": 1}
    assert rig.says(A2)


# -- two boards


def test_two_boards_of_one_name_are_found_and_named_and_neither_is_believed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    rig = Rig().trust(A, "GP-1")
    assert not rig.says(B, "GP-2")
    assert not rig.watch.believed
    assert rig.watch.doubled
    assert rig.watch.acknowledged is None
    for _ in range(20):
        rig.wait()
        assert not rig.says(A, "GP-1")
        assert not rig.says(B, "GP-2")
    assert rig.rejected == {"same-name": 41}
    assert {board.serial for board in rig.watch.info.boards} == {"GP-1", "GP-2"}
    [line] = [record.getMessage() for record in caplog.records]
    assert "with the serials GP-1 and GP-2, say that they are node shed" in line
    assert "Give each a name of its own" in line


def test_of_two_boards_that_come_together_neither_is_believed_for_a_moment() -> None:
    rig = Rig()
    for _ in range(20):
        assert not rig.says(A, "GP-1")
        assert not rig.says(B, "GP-2")
        assert rig.watch.acknowledged is None
        rig.wait()


def test_two_boards_whose_random_numbers_begin_alike_are_found() -> None:
    rig = Rig().trust(A, "GP-1")
    assert not rig.says(A, "GP-2")
    assert rig.watch.doubled
    assert not rig.wait().says(A, "GP-1")


def test_when_one_is_not_heard_any_more_the_other_is_tried(
    caplog: pytest.LogCaptureFixture,
) -> None:
    rig = Rig().trust(A, "GP-1")
    rig.says(B, "GP-2")
    # Its will proves nothing now: a broker that throws out one for the other publishes that too.
    rig.watch.take_gone(Gone(node="shed", session=A), rig.now)
    for _ in range(round(APART / 0.25) - 1):
        assert not rig.wait().says(B, "GP-2")
        assert rig.watch.doubled
    for _ in range(3):
        assert not rig.wait().says(B, "GP-2")
        assert not rig.watch.doubled
    assert rig.wait().says(B, "GP-2")
    assert "only the board with the serial GP-2" in caplog.records[-1].getMessage()
    # Whoever comes back is one of two again.
    assert not rig.says(A2, "GP-1")
    assert not rig.watch.believed
    assert rig.watch.doubled


def test_a_board_that_is_switched_on_again_is_believed_when_it_was_alone() -> None:
    rig = Rig().trust()
    rig.watch.take_gone(Gone(node="shed", session=A), rig.now)
    for _ in range(3):
        assert not rig.wait().says(A2, start=ANEW)
        assert rig.watch.acknowledged is None
        assert len(rig.watch.info.boards) == 1
    assert rig.wait().says(A2, start=ANEW)
    assert rig.rejected == {}


def test_without_a_will_it_must_be_alone_until_the_other_cannot_be_there() -> None:
    rig = Rig().trust()
    for _ in range(7):
        assert not rig.wait().says(A2, start=ANEW)
        assert not rig.watch.doubled
    assert rig.wait().says(A2, start=ANEW)


def test_a_second_board_with_the_same_serial_is_never_believed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    rig = Rig().trust()
    for _ in range(40):
        assert not rig.wait(0.125).says(B, start=ANEW)
        assert not rig.watch.believed
        assert rig.watch.acknowledged is None
        assert not rig.wait(0.125).says(A)
        assert rig.watch.doubled
    assert len(rig.watch.info.boards) == 2
    [line] = [record.getMessage() for record in caplog.records]
    assert "two boards or more, with the same serial GP-1, say that they are node shed" in line


def test_two_boards_that_always_answer_the_same_order_are_found() -> None:
    for first in (0, 1):  # whichever of them is heard first
        rig = Rig()
        boards: list[tuple[str, str]] = [(A, _start("GP-1")), (B, ANEW)]
        for turn in range(20):
            for session, start in boards[first:] + boards[:first]:
                assert not rig.says(session, start=start)
            rig.wait()
            assert rig.watch.doubled == (turn > 0)


def test_of_two_that_a_broker_connects_by_turns_neither_is_believed() -> None:
    rig = Rig().trust()
    sessions, before = (f"{number:016x}" for number in range(1000)), A
    for turn in range(20):
        for start, pause in ((ANEW, 0.125), (_start("GP-1"), min(0.25 * 2**turn, 3.0))):
            rig.watch.take_gone(Gone(node="shed", session=before), rig.now)
            before = next(sessions)
            for _ in range(max(1, round(pause / 0.25))):
                believed = rig.wait(min(pause, 0.25)).says(before, start=start)
                assert not believed
            # When the first comes back, it is known that the other is not its successor.
            assert rig.watch.doubled == (turn > 0 or start != ANEW)


def test_what_was_said_before_a_board_was_switched_on_again_is_late() -> None:
    rig = Rig().trust()
    old = Heard(session=OURS, seq=rig.numbers.last)
    assert not rig.wait().says(A2, start=ANEW)
    assert not rig.says(A, heard=old)
    assert rig.rejected == {"late": 1}
    assert not rig.watch.doubled


def test_one_session_that_counts_twice_is_two_boards() -> None:
    """Boards with one serial whose chance is none: they draw the same numbers."""
    for lag in (0, 3):
        rig = Rig().trust()
        rig.seqs[A] = 100
        assert rig.says(A)
        other = {"reports": {"detector": {"d1": "clear"}}}
        assert not rig.wait().says(A, seq=101 - lag, **other)
        assert not rig.watch.believed
        assert rig.watch.doubled
        for _ in range(20):
            assert not rig.wait().says(A)
            assert not rig.says(A, seq=rig.seqs[A] - lag, **other)
        for _ in range(round(APART / 0.25)):
            rig.seqs[A] = max(rig.seqs[A], 200)
            assert not rig.wait().says(A)
    # The same again, and what is late and has heard nothing newer, may come from any network.
    rig = Rig().trust()
    assert rig.says(A, seq=15)
    assert not rig.says(A, seq=15)
    assert not rig.wait().says(A, seq=13, heard=Heard(session=OURS, seq=rig.numbers.last - 1))
    assert not rig.watch.doubled
    assert rig.watch.believed


def test_two_boards_of_one_serial_are_found_when_the_one_speaks_again_that_was_replaced() -> None:
    rig = Rig().trust()
    assert rig.wait().says(A2)
    assert not rig.wait().says(A)
    assert rig.watch.doubled
    for _ in range(20):
        assert not rig.wait().says(A2)
        assert not rig.wait().says(A)


def test_a_board_that_is_exchanged_for_another_is_believed_after_a_while() -> None:
    rig = Rig().trust(A, "GP-1")
    assert not rig.wait(0.5).says(B, "GP-2")
    assert not rig.wait(APART).says(B, "GP-2")
    assert rig.wait(0.75).says(B, "GP-2")
    # Where the first has said that it goes, the second is but new.
    rig.watch.take_gone(Gone(node="shed", session=B), rig.now)
    assert not rig.says(A2, "GP-1")
    assert not rig.wait(0.5).says(A2, "GP-1")
    assert rig.wait(0.25).says(A2, "GP-1")
    assert not rig.watch.doubled


def test_sessions_are_not_remembered_for_ever() -> None:
    rig = Rig().trust()
    for turn in range(100):
        rig.wait(1.0).says(f"{turn:016x}", start=f"{turn // 5:016x}")
        rig.watch.take_gone(Gone(node="shed", session=f"{turn + 1000:016x}"), rig.now)
    assert len(rig.watch._boards) < 10
    assert len(rig.watch._sessions) < 10
    assert len(rig.watch._ended) < 5
