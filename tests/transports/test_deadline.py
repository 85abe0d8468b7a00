"""One timer for what falls overdue."""

from __future__ import annotations

import asyncio

from transports.deadline import DeadlineTimer


class Watched:
    """What must be heard by a time; what ``check`` finds overdue is gone."""

    def __init__(self, *deadlines: float) -> None:
        self.deadlines = list(deadlines)
        self.checked: list[float] = []

    def next_deadline(self) -> float | None:
        return min(self.deadlines, default=None)

    def check(self, now: float) -> None:
        self.checked.append(round(now, 3))
        self.deadlines = [each for each in self.deadlines if each > now]


async def test_it_looks_when_each_thing_may_be_overdue_and_then_rests() -> None:
    watched = Watched(1.0, 3.0)
    DeadlineTimer(watched.next_deadline, watched.check).arm(0.0)
    await asyncio.sleep(10)
    assert watched.checked == [1.0, 3.0]
    assert watched.deadlines == []


async def test_a_timer_that_runs_is_left_alone_and_a_later_deadline_is_found() -> None:
    watched = Watched(1.0)
    timer = DeadlineTimer(watched.next_deadline, watched.check)
    timer.arm(0.0)
    watched.deadlines = [5.0]  # It was heard.
    timer.arm(0.5)
    await asyncio.sleep(10)
    assert watched.checked == [1.0, 5.0]


async def test_nothing_to_watch_sets_no_timer() -> None:
    watched = Watched()
    timer = DeadlineTimer(watched.next_deadline, watched.check)
    timer.arm(0.0)
    await asyncio.sleep(1)
    assert watched.checked == []
    watched.deadlines = [2.0]
    timer.arm(1.0)
    await asyncio.sleep(2)
    assert watched.checked == [2.0]


async def test_a_deadline_that_has_passed_is_looked_at_soon_and_not_on_the_spot() -> None:
    watched = Watched(-5.0)
    timer = DeadlineTimer(watched.next_deadline, watched.check)
    timer.arm(0.0)
    assert watched.checked == []
    await asyncio.sleep(0.001)
    assert watched.checked == [0.0]


async def test_once_stopped_it_looks_no_more() -> None:
    watched = Watched(1.0)
    timer = DeadlineTimer(watched.next_deadline, watched.check)
    timer.arm(0.0)
    timer.stop()
    timer.stop()
    timer.arm(0.0)
    await asyncio.sleep(5)
    assert watched.checked == []


async def test_it_may_be_stopped_from_within_a_look() -> None:
    looked: list[float] = []

    def check(now: float) -> None:
        looked.append(now)
        timer.stop()

    timer = DeadlineTimer(lambda: 1.0, check)
    timer.arm(0.0)
    await asyncio.sleep(5)
    assert len(looked) == 1
