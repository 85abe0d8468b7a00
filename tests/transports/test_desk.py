"""Where requests wait: bounds, ages, repetitions."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.asking import LONGEST_NAME, LONGEST_TEXT, Answer, Asked, Outcome, Stage
from transports.desk import ALL_AT_ONCE, OLDEST, RequestDesk

TAKEN = Outcome(Stage.TAKEN, final=False)
SET = Outcome(Stage.SET)


def asked(name: str = "1", *, by: str = "panel", at: float = 0.0, text: str = "hold M1") -> Asked:
    return Asked(id=name, by=by, text=text, at=at)


def desk() -> tuple[RequestDesk, Counter[str]]:
    rejected: Counter[str] = Counter()
    return RequestDesk(rejected), rejected


def all_of(at: RequestDesk, now: float = 0.0) -> list[str]:
    found = []
    while (each := at.next(now)) is not None:
        found.append(each.id)
    return found


def told(at: RequestDesk) -> list[tuple[str, str]]:
    return [(each.asked.id, each.outcome.stage.value) for each in at.answers(1000)]


def test_requests_are_looked_at_in_their_order() -> None:
    waiting, _ = desk()
    for name in "abc":
        waiting.take(asked(name), 0.0)
    assert waiting.waiting == 3
    assert all_of(waiting) == ["a", "b", "c"]
    assert waiting.next(0.0) is None


def test_a_request_is_made_once_and_its_last_answer_told_again() -> None:
    waiting, rejected = desk()
    waiting.take(asked(), 0.0)
    waiting.take(asked(), 0.0)
    assert all_of(waiting) == ["1"]
    assert told(waiting) == [], "there is no answer yet"
    waiting.answer(Answer(asked(), TAKEN))
    assert told(waiting) == [("1", "taken")]
    waiting.answer(Answer(asked(), SET))
    assert told(waiting) == [("1", "set")]
    waiting.take(asked(), 1.0)
    assert all_of(waiting) == []
    assert told(waiting) == [("1", "set")]
    assert rejected == {"repeated-request": 2}


def test_the_same_name_by_somebody_else_is_another_request() -> None:
    waiting, _ = desk()
    waiting.take(asked(by="panel"), 0.0)
    waiting.take(asked(by="page"), 0.0)
    assert all_of(waiting) == ["1", "1"]


def test_of_several_answers_the_newest_is_told() -> None:
    waiting, _ = desk()
    waiting.take(asked(), 0.0)
    waiting.answer(Answer(asked(), TAKEN))
    waiting.answer(Answer(asked(), SET))
    assert told(waiting) == [("1", "set")]


def test_an_old_request_is_refused() -> None:
    waiting, rejected = desk()
    waiting.take(asked("old", at=10.0), 10.0)
    waiting.take(asked("new", at=11.0), 11.0)
    assert all_of(waiting, 10.5 + OLDEST) == ["new"]
    assert told(waiting) == [("old", "refused")]
    assert rejected == {"old-request": 1}


def test_what_cannot_be_a_request_is_counted_and_not_answered() -> None:
    waiting, rejected = desk()
    waiting.take(asked(""), 0.0)
    waiting.take(asked("x" * (LONGEST_NAME + 1)), 0.0)
    waiting.take(asked(by="x" * (LONGEST_NAME + 1)), 0.0)
    waiting.take(asked(text="x" * (LONGEST_TEXT + 1)), 0.0)
    assert (all_of(waiting), told(waiting)) == ([], [])
    assert rejected == {"malformed-request": 4}
    waiting.take(asked("x" * LONGEST_NAME, by="y" * LONGEST_NAME, text="z" * LONGEST_TEXT), 0.0)
    assert waiting.waiting == 1


def test_one_who_asks_too_much_takes_nothing_from_another() -> None:
    waiting, rejected = desk()
    for number in range(1000):
        waiting.take(asked(f"flood {number}", by="mad"), 0.0)
    waiting.take(asked("calm", by="panel"), 0.0)
    assert len(all_of(waiting)) == 11
    assert rejected == {"too-many-requests": 990}
    waiting.take(asked("later", by="mad"), 1.0)
    assert all_of(waiting, 0.0) == ["later"], "some are allowed again after a while"


@given(
    st.lists(
        st.tuples(st.floats(0, 0.5), st.sampled_from("abcdefgh"), st.integers(0, 400)),
        max_size=300,
    ),
    st.booleans(),
)
def test_whatever_is_asked_everything_is_bounded(
    asks: list[tuple[float, str, int]],
    looked_at: bool,  # noqa: FBT001 - hypothesis hands it over so
) -> None:
    waiting, rejected = desk()
    now, seen = 0.0, 0
    for pause, by, name in asks:
        now += pause
        waiting.take(asked(str(name), by=by, at=now), now)
        assert waiting.waiting <= 32
        assert waiting.untold <= 128
        if looked_at:
            seen += waiting.next(now) is not None
    # 40 at once and 20 a second, whoever asks.
    assert seen <= ALL_AT_ONCE + 20 * now + 1
    seen += len(all_of(waiting, now))
    refused = sum(each.outcome.stage is Stage.REFUSED for each in waiting.answers(1000))
    old = rejected.pop("old-request", 0)
    assert refused >= old
    assert seen + refused + sum(rejected.values()) == len(asks)


def test_the_oldest_answers_give_way_where_nobody_takes_them() -> None:
    waiting, _ = desk()
    for number in range(200):
        waiting.answer(Answer(asked(str(number)), SET))
    left = told(waiting)
    assert len(left) == 128
    assert left[-1] == ("199", "set")
