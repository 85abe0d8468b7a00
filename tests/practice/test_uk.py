"""The `uk` practice against the published rules, each named beside its check."""

from __future__ import annotations

from itertools import product

import pytest

from signalling.practice.load import load_practice
from signalling.practice.schema import Practice
from tests import oracle

R, Y, YY, G = "danger", "caution", "preliminary-caution", "clear"
HEADS = ("two", "two-yellow", "three", "four")


@pytest.fixture(scope="module")
def uk() -> Practice:
    return load_practice("uk")


def line(practice: Practice, heads: list[str], beyond: str) -> list[str]:
    """Return what signals show, all sections clear, with ``beyond`` after the last one."""
    shown: list[str] = []
    for head in reversed(heads):
        beyond = practice.heads[head].next[beyond]
        shown.insert(0, beyond)
    return shown


# Network Rail, safety jargon buster, "four-aspect signal" (read): single yellow, the next
# signal at red; double yellow, the next at single yellow; green otherwise. Three aspects:
# yellow, the next at red; green otherwise. Two aspects: from memory.
BY_NEXT = {
    "two": {R: G, Y: G, YY: G, G: G},
    "two-yellow": {R: Y, Y: Y, YY: Y, G: Y},
    "three": {R: Y, Y: G, YY: G, G: G},
    "four": {R: Y, Y: YY, YY: G, G: G},
}


@pytest.mark.parametrize(("here", "following"), list(product(HEADS, HEADS)))
def test_aspect_for_every_pair_of_heads(uk: Practice, here: str, following: str) -> None:
    for beyond in uk.heads[following].shows:
        assert uk.heads[here].next[beyond] == BY_NEXT[here][beyond]


# The same source, sequence seen by a driver: G, Y, R and G, YY, Y, R; RS521 2.1 and 2.2.
@pytest.mark.parametrize(
    ("heads", "seen"),
    [
        (["three", "three", "three"], [G, G, Y]),
        (["four", "four", "four", "four"], [G, G, YY, Y]),
        (["two", "two"], [G, G]),
        # Mixed lines, from the chain rule of each head.
        (["three", "four", "four"], [G, YY, Y]),
        (["four", "three"], [YY, Y]),
        (["four", "three", "three"], [G, G, Y]),
        (["four", "four", "three"], [G, YY, Y]),
        (["four", "two"], [G, G]),
        (["three", "two-yellow"], [G, Y]),
        (["four", "two-yellow"], [YY, Y]),
        (["four", "four", "two-yellow", "four"], [G, YY, Y, Y]),
    ],
)
def test_sequence_before_a_signal_at_danger(
    uk: Practice, heads: list[str], seen: list[str]
) -> None:
    assert line(uk, heads, R) == seen


def test_mixed_lines_agree_with_the_oracle(uk: Practice) -> None:
    names = {2: "two", 3: "three", 4: "four"}
    for aspects in product(names, repeat=4):
        shown = line(uk, [names[number] for number in aspects], R)
        assert shown == oracle.chain(aspects, [False] * 4, "buffer")


# GK/RT0032 issue 2, B8 and B9 (table from memory): R, any; Y, R or better; YY, Y or better;
# G, YY or G (four aspects), Y or G (three).
@pytest.mark.parametrize(
    ("head", "aspect", "may_follow"),
    [
        ("three", R, {R, Y, YY, G}),
        ("three", Y, {R, Y, YY, G}),
        ("three", G, {Y, YY, G}),
        ("four", R, {R, Y, YY, G}),
        ("four", Y, {R, Y, YY, G}),
        ("four", YY, {Y, YY, G}),
        ("four", G, {YY, G}),
        # A two-aspect signal says nothing of the next one (from memory).
        ("two", R, {R, Y, YY, G}),
        ("two", G, {R, Y, YY, G}),
        ("two-yellow", R, {R, Y, YY, G}),
        ("two-yellow", Y, {R, Y, YY, G}),
    ],
)
def test_what_may_follow(uk: Practice, head: str, aspect: str, may_follow: set[str]) -> None:
    assert set(uk.heads[head].followed_by[aspect]) == may_follow


def test_what_may_follow_is_given_for_every_aspect(uk: Practice) -> None:
    for head in uk.heads.values():
        assert set(head.followed_by) == set(head.shows)


def test_aspects_most_restrictive_first(uk: Practice) -> None:
    assert [aspect.name for aspect in uk.aspects] == [R, Y, YY, G]
    assert [uk.level(name) for name in (R, Y, YY, G)] == [0, 1, 2, 3]
    with pytest.raises(KeyError):
        uk.level("purple")


# Network Rail, same page (read): head from the top yellow, green, yellow, red; the single
# yellow is the lower.
def test_lamps_of_a_four_aspect_head(uk: Practice) -> None:
    four = uk.heads["four"]
    assert [four.colours[lamp] for lamp in four.lamps] == ["yellow", "green", "yellow", "red"]
    assert four.shows[Y].lamps == (four.lamps[2],)
    assert set(four.shows[YY].lamps) == {four.lamps[0], four.lamps[2]}
    assert four.shows[G].lamps == (four.lamps[1],)
    assert four.shows[R].lamps == (four.lamps[3],)


def test_nothing_flashes(uk: Practice) -> None:
    assert not any(shown.flash for head in uk.heads.values() for shown in head.shows.values())


# GK/RT0031 and GK/RT0058 (from memory): 1, 2, 3 are 45, 90, 135 degrees to the left of
# upright; 4, 5, 6 the same to the right. railsigns.uk (read): 1 is a left arm, 4 nearest the
# straight on the right.
def test_junction_indicator_angles(uk: Practice) -> None:
    angles = {name: indicator.angle for name, indicator in uk.indicators.items()}
    assert angles == {"1": -45, "2": -90, "3": -135, "4": 45, "5": 90, "6": 135}


@pytest.mark.parametrize(
    ("position", "known"),
    [("1", True), ("6", True), ("0", False), ("7", False), ("M", True), ("MB", False), ("", False)],
)
def test_indicator_positions(uk: Practice, position: str, known: bool) -> None:  # noqa: FBT001
    assert uk.knows_indicator(position) is known


@pytest.mark.parametrize(
    ("aspects", "head", "name"),
    [
        (2, None, "two"),
        (3, None, "three"),
        (4, None, "four"),
        (5, None, None),
        (2, "two-yellow", "two-yellow"),
        (3, "two-yellow", None),
        (4, "searchlight", None),
    ],
)
def test_head_for_a_layouts_words(
    uk: Practice, aspects: int, head: str | None, name: str | None
) -> None:
    assert uk.head_name(aspects, head) == name


def test_every_source_tells_its_status(uk: Practice) -> None:
    assert uk.sources
    for source in uk.sources:
        assert "read)" in source or "from memory" in source
