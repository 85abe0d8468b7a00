from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from transports.freshness import Freshness


def test_a_thing_falls_overdue_when_its_period_has_passed_since_it_was_heard() -> None:
    freshness = Freshness({"slow": 10.0, "quick": 2.0})
    freshness.heard("slow", 0.0)
    freshness.heard("quick", 1.0)
    assert freshness.next_deadline == 3.0
    assert freshness.overdue(2.9) == []
    freshness.heard("quick", 2.5)
    assert freshness.overdue(3.0) == []
    assert freshness.overdue(4.5) == ["quick"]
    assert freshness.next_deadline == 10.0
    assert freshness.overdue(20.0) == ["slow"]
    assert freshness.overdue(30.0) == []
    assert freshness.next_deadline is None


def test_what_was_never_heard_or_has_no_period_is_not_waited_for() -> None:
    freshness = Freshness({"quick": 2.0})
    freshness.heard("steady", 0.0)
    assert freshness.overdue(1e9) == []


def test_what_is_forgotten_is_not_waited_for() -> None:
    freshness = Freshness({"a": 2.0, "b": 2.0})
    freshness.heard("a", 0.0)
    freshness.heard("b", 0.0)
    freshness.forget("a")
    assert freshness.overdue(5.0) == ["b"]
    freshness.heard("a", 6.0)
    freshness.clear()
    assert freshness.next_deadline is None


PERIODS = {"a": 1.0, "b": 1.0, "c": 3.0, "d": 7.0}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["heard", "forget", "look"]),
            st.sampled_from(sorted(PERIODS)),
            st.integers(0, 5),
        )
    )
)
def test_it_does_what_a_plain_table_of_deadlines_does(
    steps: list[tuple[str, str, int]],
) -> None:
    freshness, plain, now = Freshness(PERIODS), dict[str, float](), 0.0
    for what, thing, passed in steps:
        now += passed
        if what == "look":
            due = {each for each, deadline in plain.items() if deadline <= now}
            assert set(freshness.overdue(now)) == due
            for each in due:
                del plain[each]
        elif what == "heard":
            # As whoever keeps it does: what is overdue is looked for before anything counts.
            for each in freshness.overdue(now):
                del plain[each]
            freshness.heard(thing, now)
            plain[thing] = now + PERIODS[thing]
        else:
            freshness.forget(thing)
            plain.pop(thing, None)
        assert freshness.next_deadline == min(plain.values(), default=None)
