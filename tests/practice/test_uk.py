"""The `uk` practice against the published rules, each named beside its check."""

from __future__ import annotations

from itertools import product

import pytest

from signalling.practice.load import load_practice
from signalling.practice.schema import Practice
from tests import oracle

R, Y, YY, G = "danger", "caution", "preliminary-caution", "clear"
FLASHING_Y, FLASHING_YY = "flashing-caution", "flashing-preliminary-caution"
DIVERGING = "diverging"
HEADS = ("two", "two-yellow", "three", "four")
FLASHING_HEADS = ("three-flashing", "four-flashing")


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
    assert {*uk.heads[head].followed_by[aspect]} - {FLASHING_Y, FLASHING_YY} == may_follow
    # The same head with flashing aspects does not differ in that.
    flashing = uk.heads.get(f"{head}-flashing", uk.heads[head])
    assert flashing.followed_by[aspect] == uk.heads[head].followed_by[aspect]


# railforums.co.uk threads 2776 and 213800 (read): flashing yellow, the junction signal is at
# steady yellow with its indicator, and may step up as the train comes near; two flashing yellows,
# four-aspect lines only, the next signal is at flashing yellow.
@pytest.mark.parametrize(
    ("head", "aspect", "may_follow"),
    [
        ("three-flashing", FLASHING_Y, {Y, FLASHING_Y, YY, FLASHING_YY, G}),
        ("four-flashing", FLASHING_Y, {Y, FLASHING_Y, YY, FLASHING_YY, G}),
        ("four-flashing", FLASHING_YY, {FLASHING_Y, YY, FLASHING_YY, G}),
    ],
)
def test_what_may_follow_a_flashing_aspect(
    uk: Practice, head: str, aspect: str, may_follow: set[str]
) -> None:
    assert set(uk.heads[head].followed_by[aspect]) == may_follow


# The same sources: the whole sequence before the junction signal, nearest signal last.
@pytest.mark.parametrize(
    ("heads", "seen"),
    [
        (["four-flashing"] * 4, [G, G, FLASHING_YY, FLASHING_Y]),
        (["three-flashing"] * 3, [G, G, FLASHING_Y]),
        # A signal that cannot flash shows steady yellow: the junction signal may as well be red.
        (["four-flashing", "four-flashing", "four"], [G, YY, Y]),
        (["four-flashing", "four", "four-flashing"], [G, YY, FLASHING_Y]),
        (["three-flashing", "three"], [G, Y]),
        (["four", "four", "four"], [G, YY, Y]),
    ],
)
def test_sequence_before_a_fast_diverging_route(
    uk: Practice, heads: list[str], seen: list[str]
) -> None:
    assert line(uk, heads, DIVERGING) == seen


def test_a_head_that_can_flash_is_otherwise_as_one_that_cannot(uk: Practice) -> None:
    for name in FLASHING_HEADS:
        head, plain = uk.heads[name], uk.heads[name.removesuffix("-flashing")]
        assert (head.aspects, head.lamps) == (plain.aspects, plain.lamps)
        for beyond in plain.shows:
            assert head.next[beyond] == plain.next[beyond]
            assert head.shows[beyond] == plain.shows[beyond]
        # Flashing lamps are those of the steady aspect: a flasher that fails leaves that.
        assert head.shows[FLASHING_Y].lamps == head.shows[Y].lamps
        assert uk.head_name(head.aspects, name) == name


# Approach release by difference of speed: from red for a much slower route (encyclopedia article
# "UK railway signalling", read); from yellow for a smaller one (GK/RT0045, from memory).
def test_how_routes_are_held_by_their_speed(uk: Practice) -> None:
    assert {name: (each.release, each.reads_as) for name, each in uk.speeds.items()} == {
        "slow": ("from-danger", None),
        "medium": ("from-caution", None),
        "fast": ("flashing", DIVERGING),
        "full": ("free", None),
    }


# From memory: yellow, or green; never at danger.
def test_a_distant_signal(uk: Practice) -> None:
    assert uk.head_name(2, distant=True) == "distant"
    assert uk.head_name(2) == "two"
    assert uk.head_name(2, "distant") is None
    distant = uk.heads["distant"]
    assert set(distant.shows) == {Y, G}
    assert {beyond: distant.next[beyond] for beyond in (R, Y, YY, G)} == {R: Y, Y: G, YY: G, G: G}
    assert R not in distant.followed_by[G]


def test_what_may_follow_is_given_for_every_aspect(uk: Practice) -> None:
    for head in uk.heads.values():
        assert set(head.followed_by) == set(head.shows)


def test_aspects_most_restrictive_first(uk: Practice) -> None:
    assert list(uk.ordinary) == [R, Y, YY, G]
    assert [aspect.name for aspect in uk.shown] == [R, Y, FLASHING_Y, YY, FLASHING_YY, G]
    assert [aspect.name for aspect in uk.aspects if aspect.reading] == [DIVERGING]
    assert sorted((Y, R, G, DIVERGING, YY), key=uk.level) == [R, DIVERGING, Y, YY, G]
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


def test_nothing_else_flashes(uk: Practice) -> None:
    flashing = {
        (name, aspect)
        for name, head in uk.heads.items()
        for aspect, shown in head.shows.items()
        if shown.flash
    }
    assert flashing == {
        ("three-flashing", FLASHING_Y),
        ("four-flashing", FLASHING_Y),
        ("four-flashing", FLASHING_YY),
    }


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
