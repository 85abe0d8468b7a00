from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transports.can.protect import COUNTER_RANGE, Sequence, Tracker, Verdict, check_sum, crc8

STEP, TO_SYNC = 4, 3

# SAE J1850 CRC-8. The first: docs.racket-lang.org/crc and docs.rs crc-catalog
# (read). The others: AUTOSAR, Specification of CRC Routines, table of results
# (from memory, worked out again).
PUBLISHED = [
    (b"123456789", 0x4B),
    (bytes.fromhex("00000000"), 0x59),
    (bytes.fromhex("F20183"), 0x37),
    (bytes.fromhex("0FAA0055"), 0x79),
    (bytes.fromhex("00FF5511"), 0xB8),
    (bytes.fromhex("332255AABBCCDDEEFF"), 0xCB),
    (bytes.fromhex("926B55"), 0x8C),
    (bytes.fromhex("FFFFFFFF"), 0x74),
]


@pytest.mark.parametrize(("data", "crc"), PUBLISHED)
def test_the_published_check_values(data: bytes, crc: int) -> None:
    assert crc8(data) == crc


@given(st.integers(0, 0x7FF), st.binary(min_size=1, max_size=8))
def test_a_check_sum_covers_the_identifier_and_all_but_itself(identifier: int, data: bytes) -> None:
    assert check_sum(identifier, data) == crc8(identifier.to_bytes(2, "little") + data[1:])


def test_a_sequence_grows_by_one_and_begins_anywhere() -> None:
    sequence, seen = Sequence(65534), []
    for _ in range(4):
        seen.append(sequence.counter)
        sequence.advance()
    assert seen == [65534, 65535, 0, 1]
    assert len({Sequence().counter for _ in range(20)}) > 1


def in_step(last: int = 10) -> Tracker:
    tracker = Tracker(STEP, TO_SYNC)
    for counter in range(last - 2, last + 1):
        tracker.take(counter % COUNTER_RANGE, counter)
    assert tracker.synced
    return tracker


def test_three_frames_in_a_row_are_needed() -> None:
    tracker = Tracker(STEP, TO_SYNC)
    verdicts = [tracker.take(counter, 0) for counter in (65535, 0, 1, 2)]
    assert verdicts == [Verdict.SYNCING, Verdict.SYNCING, Verdict.GOOD, Verdict.GOOD]
    assert tracker.lost == 0


@pytest.mark.parametrize("step", range(1, STEP + 1))
def test_a_small_step_means_that_some_were_lost(step: int) -> None:
    tracker = in_step(65534)
    assert tracker.take((65534 + step) % COUNTER_RANGE, 0) is Verdict.GOOD
    assert tracker.lost == step - 1


@pytest.mark.parametrize("step", [STEP + 1, 100, 32768, COUNTER_RANGE - STEP - 1])
def test_any_other_step_is_a_wrong_sequence_until_three_good_ones(step: int) -> None:
    tracker = in_step()
    assert tracker.take(10 + step, 0) is Verdict.WRONG_SEQUENCE
    assert not tracker.synced
    assert tracker.take(11 + step, 0) is Verdict.SYNCING
    assert tracker.take(12 + step, 0) is Verdict.GOOD


def test_one_recorded_frame_is_not_believed_and_costs_three_good_ones() -> None:
    tracker = in_step(5000)
    assert tracker.take(17, 0) is Verdict.WRONG_SEQUENCE
    verdicts = [tracker.take(counter, counter) for counter in (5001, 5002, 5003)]
    assert verdicts == [Verdict.WRONG_SEQUENCE, Verdict.SYNCING, Verdict.GOOD]


@pytest.mark.parametrize("back", range(1, STEP + 1))
def test_a_late_frame_is_dropped_and_does_no_harm(back: int) -> None:
    tracker = in_step()
    assert tracker.take(10 - back, 99) is Verdict.LATE
    assert tracker.take(11, 1) is Verdict.GOOD


def test_a_repeated_frame_proves_nothing() -> None:
    tracker = in_step()
    assert tracker.take(10, 10) is Verdict.REPEATED
    assert tracker.take(11, 1) is Verdict.GOOD
    fresh = Tracker(STEP, TO_SYNC)
    assert [fresh.take(7, 0) for _ in range(9)][1:] == [Verdict.REPEATED] * 8


def test_one_counter_with_two_contents_is_a_contradiction() -> None:
    tracker = in_step()
    assert tracker.take(10, 11) is Verdict.CONTRADICTORY
    assert not tracker.synced


def test_two_senders_in_lockstep_are_never_believed() -> None:
    tracker = in_step()
    for counter in range(11, 60):
        first, second = tracker.take(counter, 1), tracker.take(counter, 2)
        assert second is Verdict.CONTRADICTORY
        assert first is not Verdict.GOOD or counter == 11


def test_after_a_reset_nothing_is_remembered() -> None:
    tracker = in_step()
    tracker.reset()
    assert not tracker.synced
    assert tracker.take(11, 0) is Verdict.SYNCING


@given(st.lists(st.tuples(st.integers(0, COUNTER_RANGE - 1), st.integers(0, 2)), max_size=60))
def test_nothing_is_believed_without_two_good_steps_before_it(
    frames: list[tuple[int, int]],
) -> None:
    """Whatever arrives: what is believed has a believed or counted frame just behind it."""
    tracker = Tracker(STEP, TO_SYNC)
    counted: list[int] = []
    for counter, content in frames:
        verdict = tracker.take(counter, content)
        if verdict in (Verdict.REPEATED, Verdict.LATE):
            continue
        if verdict is Verdict.GOOD:
            chain = [*counted[-2:], counter]
            assert len(chain) == TO_SYNC
            for before, after in pairwise(chain):
                assert 1 <= (after - before) % COUNTER_RANGE <= STEP
        elif verdict is not Verdict.SYNCING:
            counted.clear()
        counted.append(counter)
