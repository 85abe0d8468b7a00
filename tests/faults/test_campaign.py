"""Two thousand faults on a railway at work, and the proof that the judge sees what is wrong."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from multiprocessing import get_context
from unittest import mock

import pytest
from attrs import evolve

from tests.faults.__main__ import REPORT
from tests.faults.campaign import (
    FAULTS,
    RECOVERY,
    Tally,
    campaign,
    merged,
    run_in_processes,
    table,
    total,
    write,
)
from tests.faults.fault import ORDER_WAY
from transports.can.node import Node
from transports.can.node_answers import Answers
from transports.can.protect import Tracker, Verdict
from transports.can.schema import load_schema
from transports.mqtt.plain import PlainConversation

FAULTS_IN_CI = 2_000
SEED = 1
AGAIN = 120
"""Faults of a campaign that is run several times."""
MANY = 5
"""Wrong-side failures that are no luck."""
FOR_EVER = 1e6


def test_no_fault_is_wrong_side_and_all_is_well_again_when_it_has_gone() -> None:
    tallies = merged(run_in_processes(FAULTS_IN_CI, SEED))
    write(REPORT, tallies, faults=FAULTS_IN_CI, seed=SEED)
    print(table(tallies))
    whole = total(tallies)
    assert whole.findings == []
    assert (whole.wrong_side, whole.not_recovered) == (0, 0)
    assert whole.tried >= FAULTS_IN_CI
    assert min(tally.tried for tally in tallies.values()) > 0
    for name, tally in tallies.items():
        assert max(tally.times, default=0.0) <= tally.promised + ORDER_WAY, name


# -- the seed decides everything


def test_the_same_seed_gives_the_same_campaign(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also in another process, where names have other hashes and sets another order."""
    first = campaign(AGAIN, SEED)
    assert campaign(AGAIN, SEED) == first
    assert campaign(AGAIN, SEED + 1) != first
    assert total(first).times
    for hashes in ("1", "2"):
        monkeypatch.setenv("PYTHONHASHSEED", hashes)
        with get_context("spawn").Pool(1) as pool:
            assert pool.apply(campaign, (AGAIN, SEED)) == first


# -- with a protection off, the same campaign finds what it protects from


def unchecked() -> contextlib.AbstractContextManager[object]:
    """Whatever check sum a frame has is right."""
    return mock.patch("transports.can.frames.check_sum", lambda _, data: data[0])


def uncounted() -> contextlib.AbstractContextManager[object]:
    """Whatever counter a frame has is right."""

    def take(self: Tracker, counter: int, content: int) -> Verdict:  # noqa: ARG001
        self.synced = True
        return Verdict.GOOD

    return mock.patch.object(Tracker, "take", take)


def obeyed_for_ever() -> contextlib.AbstractContextManager[object]:
    """A board obeys what it was last told, however long ago."""
    schema = evolve(load_schema(), order_timeout=FOR_EVER)
    return mock.patch("transports.can.node.load_schema", lambda: schema)


@contextlib.contextmanager
def believed_for_ever() -> Iterator[None]:
    """The controller believes what a board last said, however long ago."""
    schema = evolve(load_schema(), report_timeout=FOR_EVER)
    with (
        mock.patch("transports.can.incoming.load_schema", lambda: schema),
        mock.patch("transports.can.incoming.IDENTITY_TIMEOUT", FOR_EVER),
    ):
        yield


@contextlib.contextmanager
def of_any_age() -> Iterator[None]:
    """A board obeys orders although nobody shows that they are new."""
    with (
        mock.patch.object(Node, "unanswered", property(lambda _: False)),
        mock.patch.object(Answers, "lapsed", lambda *_: False),
    ):
        yield


def fresh_for_a_minute() -> contextlib.AbstractContextManager[object]:
    """What is said in our own MQTT schema holds good for the longest time that there is."""
    return mock.patch("transports.mqtt.options._WITHIN", 60.0)


def retained_counts() -> contextlib.AbstractContextManager[object]:
    """What a broker has kept of foreign devices counts as if it were said now."""
    receive = PlainConversation.receive

    def as_live(
        self: PlainConversation, topic: str, payload: bytes, now: float, *, retained: bool
    ) -> None:
        receive(self, topic, payload, now, retained=retained and False)

    return mock.patch.object(PlainConversation, "receive", as_live)


@pytest.mark.parametrize(
    ("without", "classes", "count"),
    [
        (unchecked, ("CAN: the same bits wrong for a while",), 200),
        (uncounted, ("CAN: recorded frames again",), 80),
        (obeyed_for_ever, ("CAN: bus cut", "CAN: adapter repeats itself"), 120),
        (believed_for_ever, ("CAN: board says nothing",), 80),
        (of_any_age, ("CAN: frames late at one end",), 100),
        (fresh_for_a_minute, ("MQTT: node says nothing", "MQTT: node hears nothing"), 80),
        (retained_counts, ("MQTT: stale retained messages",), 160),
    ],
)
def test_without_a_protection_the_judge_finds_wrong_side_failures(
    without: Callable[[], contextlib.AbstractContextManager[object]],
    classes: tuple[str, ...],
    count: int,
) -> None:
    faults = [fault for fault in FAULTS if fault.name in classes]
    assert len(faults) == len(classes)
    with without():
        whole = total(campaign(count, SEED, faults))
    assert whole.wrong_side >= MANY
    assert sum("ago" in finding or "only after" in finding for finding in whole.findings) >= MANY


def test_without_check_sums_turned_bits_move_signals() -> None:
    """With them, nothing moves; so little gets past the other protections that it is not wrong."""
    for protection, moves in ((contextlib.nullcontext(), 0), (unchecked(), 1)):
        with protection:
            tallies = campaign(0, SEED, every_flip=True)
        assert tallies["CAN: every bit, every pair of bits"].right_side == moves


def test_what_does_not_come_back_is_told() -> None:
    tally = Tally(1.0, tried=3, not_recovered=1)
    assert total({"one": tally, "other": Tally(1.5)}).figures()["not_recovered"] == 1
    assert RECOVERY > 0
