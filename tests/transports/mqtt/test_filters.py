"""Topic filters: MQTT 3.1.1 (OASIS, 2014), section 4.7, and its own examples."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import ConfigurationError
from transports.mqtt.filters import checked_filter, covers, without_covered

# 4.7.1.2 and 4.7.1.3 give these as valid and as not valid.
VALID = ("sport/tennis/player1/#", "sport/#", "#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/p")
INVALID = (
    *("sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b", "é" * 40_000),
    "shed/\udcff",  # bytes on the command line that are no UTF-8 (1.5.3)
)


@pytest.mark.parametrize("text", [*VALID, "/finance", "$SYS/#", "a//b", "a/ b/+"])
def test_what_the_standard_calls_valid_is_taken(text: str) -> None:
    assert checked_filter("transport club", text) == text


@pytest.mark.parametrize("text", INVALID)
def test_what_it_calls_not_valid_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(ConfigurationError, match="no topic filter") as caught:
        checked_filter("transport club", text)
    assert caught.value.thing == "transport club"
    assert "shed/#" in caught.value.remedy


@pytest.mark.parametrize(
    ("wide", "narrow", "taken"),
    [
        # 4.7.1.2
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/last", True),
        ("sport/#", "sport", True),
        # 4.7.1.3
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        # 4.7.2
        ("#", "$SYS/uptime", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/uptime", True),
        # of filters
        ("a/#", "a/+/b", True),
        ("a/+", "a/#", False),
        ("a/+/c", "a/b/c", True),
        ("a/b/c", "a/+/c", False),
        ("#", "#", True),
    ],
)
def test_which_takes_in_which(wide: str, narrow: str, taken: bool) -> None:  # noqa: FBT001
    assert covers(wide, narrow) is taken


LEVELS = st.lists(st.sampled_from(["a", "b", "+", "", "$S"]), min_size=1, max_size=4)
FILTERS = st.builds(
    lambda levels, ends: "/".join([*levels, "#"] if ends else levels), LEVELS, st.booleans()
)
TOPICS = st.lists(st.sampled_from(["a", "b", "", "$S"]), min_size=1, max_size=5).map("/".join)


def matches(text: str, topic: str) -> bool:
    """Say it a second way: as a regular expression over the whole topic."""
    if topic.startswith("$") and text[:1] in "+#":
        return False
    if text == "#":
        return True
    deep = text.endswith("/#")
    levels = (text[:-2] if deep else text).split("/")
    expression = "/".join("[^/]*" if level == "+" else re.escape(level) for level in levels)
    return re.fullmatch(expression + ("(/.*)?" if deep else ""), topic) is not None


@given(FILTERS, TOPICS)
def test_of_a_topic_it_is_as_another_way_to_say_it(text: str, topic: str) -> None:
    assert covers(text, topic) is matches(text, topic)


@given(st.lists(FILTERS, max_size=6), TOPICS)
def test_what_is_left_takes_in_the_same_and_nothing_twice_over(
    filters: list[str], topic: str
) -> None:
    left = without_covered(filters)
    assert any(matches(each, topic) for each in left) is any(
        matches(each, topic) for each in filters
    )
    assert left == [each for each in dict.fromkeys(filters) if each in left]
    assert not [
        (one, other) for one in left for other in left if one != other and covers(one, other)
    ]
