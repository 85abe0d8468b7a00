"""Each rule of a practice is broken once, in an otherwise right file."""

from __future__ import annotations

from itertools import pairwise, product
from pathlib import Path

import pytest
from attrs import frozen
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.errors import LayoutError, Severity
from signalling.practice.load import load_practice, read_practice
from signalling.practice.rules import mistakes
from signalling.practice.schema import Aspect, Head, Practice, Shown

SMALL = (Path(__file__).parent / "small.toml").read_text("utf-8")


@frozen
class Broken:
    """A rule, how the right file is made to break it, and what is said of it."""

    rule: str
    old: str
    new: str
    thing: str
    message: str
    at: str = ""
    """What stands on the line that is named, where it is not the first line of ``new``."""


BROKEN = [
    Broken(
        "the first aspect is danger",
        'name = "danger"',
        'name = "halt"',
        "aspect halt",
        "The first aspect must be named `danger`",
    ),
    Broken(
        "aspects' names are unique",
        'name = "attention"',
        'name = "caution"',
        "aspect caution",
        "listed twice",
    ),
    Broken(
        "names are one word",
        'name = "attention"',
        'name = "two yellows"',
        "aspect two yellows",
        "not one word",
    ),
    Broken(
        "every head shows danger",
        'danger = { lamps = ["red"] }\nclear = { lamps = ["white"] }',
        'clear = { lamps = ["white"] }\ncaution = { lamps = ["red"] }',
        "head pair",
        "cannot show `danger`",
        at="[heads.pair.shows]",
    ),
    Broken(
        "shows names known aspects",
        'clear = { lamps = ["white"] }',
        'purple = { lamps = ["white"] }',
        "head pair",
        "`purple` is not an aspect of this practice",
    ),
    Broken(
        "next names known aspects: the next signal's",
        'attention = "clear"\nclear = "clear"\n[heads.pair.f',
        'attention = "clear"\nclear = "clear"\npurple = "clear"\n[heads.pair.f',
        "head pair",
        "`purple` is not an aspect of this practice",
        at="purple =",
    ),
    Broken(
        "next names known aspects: this signal's",
        'danger = "caution"',
        'danger = "purple"',
        "head quad",
        "`purple` is not an aspect of this practice",
    ),
    Broken(
        "followed_by names known aspects",
        'clear = ["attention", "clear"]',
        'clear = ["attention", "clear", "purple"]',
        "head quad",
        "`purple` is not an aspect of this practice",
    ),
    Broken(
        "shown lamps are lamps of the head",
        'clear = { lamps = ["white"] }',
        'clear = { lamps = ["blue"] }',
        "head pair",
        "`clear` lights `blue`, which is not a lamp of this head",
    ),
    Broken(
        "an aspect lights a lamp",
        'clear = { lamps = ["white"] }',
        "clear = { lamps = [] }",
        "head pair",
        "`clear` lights no lamp",
    ),
    Broken(
        "two aspects differ in their look",
        'attention = { lamps = ["upper", "lower"] }',
        'attention = { lamps = ["lower"] }',
        "head quad",
        "`attention` looks the same as `caution`",
    ),
    Broken(
        "lamps have colours",
        'colours = { white = "white", red = "red" }',
        'colours = { white = "white" }',
        "head pair",
        "Lamp `red` has no colour",
    ),
    Broken(
        "colours are of lamps of the head",
        'colours = { white = "white", red = "red" }',
        'colours = { white = "white", red = "red", blue = "blue" }',
        "head pair",
        "A colour is given for `blue`, which is not a lamp of this head",
    ),
    Broken(
        "lamps are unique",
        'lamps = ["white", "red"]',
        'lamps = ["white", "red", "red"]',
        "head pair",
        "Lamp `red` is listed twice",
    ),
    Broken(
        "the number of aspects shown is the number stated",
        "aspects = 2",
        "aspects = 3",
        "head pair",
        "It shows 2 aspects (danger and clear), and says that it has 3",
    ),
    Broken(
        "a number of aspects has a default head",
        "aspects = 2",
        "aspects = 2\ndefault = false",
        "head pair",
        "No head of 2 aspects is the default",
        at="default = false",
    ),
    Broken(
        "a number of aspects has one default head only",
        "[heads.quad]\naspects = 4",
        "[heads.quad]\naspects = 2",
        "head quad",
        "Heads pair and quad are all the default for 2 aspects",
    ),
    Broken(
        "next is given for every aspect of the practice",
        'danger = "clear"\ncaution = "clear"\nattention = "clear"',
        'danger = "clear"\nattention = "clear"',
        "head pair",
        "with the next signal at `caution`",
        at="[heads.pair.next]",
    ),
    Broken(
        "next is never danger",
        'danger = "caution"',
        'danger = "danger"',
        "head quad",
        "With the next signal at `danger` it says `danger`",
    ),
    Broken(
        "next is what the head can show",
        'danger = "clear"',
        'danger = "caution"',
        "head pair",
        "it says `caution`, which it cannot show",
    ),
    Broken(
        "next never grows more restrictive as the next signal grows less so",
        'attention = "clear"\nclear = "clear"\n[heads.quad.f',
        'attention = "clear"\nclear = "attention"\n[heads.quad.f',
        "head quad",
        "With the next signal at `clear` it shows `attention`",
        at='clear = "attention"',
    ),
    Broken(
        "next is well-founded",
        'caution = "attention"',
        'caution = "caution"',
        "head quad",
        "wait for one another for ever",
    ),
    Broken(
        "followed_by is given for every aspect of the head",
        'clear = ["attention", "clear"]\n',
        "",
        "head quad",
        "It does not say what a driver may meet after `clear`",
        at="[heads.quad.followed_by]",
    ),
    Broken(
        "followed_by is of aspects of the head",
        'clear = ["danger", "caution", "attention", "clear"]',
        'clear = ["danger", "caution", "attention", "clear"]\ncaution = ["danger"]',
        "head pair",
        "It says what follows `caution`, which this head cannot show",
        at='caution = ["danger"]',
    ),
    Broken(
        "followed_by agrees with next",
        'attention = ["caution", "attention", "clear"]',
        'attention = ["attention", "clear"]',
        "head quad",
        "After `attention` a driver may also meet caution",
    ),
    Broken(
        "followed_by allows for the next signal stepping up",
        'attention = ["caution", "attention", "clear"]',
        'attention = ["caution", "attention"]',
        "head quad",
        "After `attention` a driver may also meet clear",
    ),
    Broken(
        "danger says nothing of the next signal",
        '[heads.quad.followed_by]\ndanger = ["danger", "caution", "attention", "clear"]',
        '[heads.quad.followed_by]\ndanger = ["caution", "attention", "clear"]',
        "head quad",
        "After `danger` a driver may also meet danger",
        at='danger = ["caution", "attention", "clear"]',
    ),
    Broken(
        "a distant head does not show danger",
        "[heads.pair]",
        "[heads.pair]\ndistant = true",
        "head pair",
        "It is the head of a distant signal, and shows `danger`",
        at="danger =",
    ),
    Broken(
        "an indicator is not named for its dark state",
        "left = {",
        "dark = {",
        "indicator dark",
        "`dark` is what an indicator is told when it shows nothing",
    ),
    Broken(
        "an indicator's angle is within a turn",
        "angle = -45",
        "angle = 315",
        "indicator left",
        "Its angle is 315 degrees",
    ),
    Broken(
        "indicators have angles of their own",
        "angle = 45",
        "angle = -45",
        "indicator right",
        "It has the same angle as indicator left",
        at="right =",
    ),
]


def test_the_unbroken_file_is_right() -> None:
    assert read_practice(SMALL, "small.toml").name == "small"


@pytest.mark.parametrize("broken", BROKEN, ids=[broken.rule for broken in BROKEN])
def test_broken_rule(broken: Broken, tmp_path: Path) -> None:
    assert SMALL.count(broken.old) >= 1
    text = SMALL.replace(broken.old, broken.new, 1)
    (tmp_path / "broken.toml").write_text(text)
    with pytest.raises(LayoutError) as caught:
        load_practice("broken.toml", tmp_path)
    said = [found for found in caught.value.findings if broken.message in found.message]
    assert len(said) == 1, caught.value
    (finding,) = said
    assert finding.severity is Severity.ERROR
    assert finding.thing == broken.thing
    assert finding.file == str(tmp_path / "broken.toml")
    assert finding.remedy.endswith((".", "?"))
    assert finding.line is not None
    named = text.splitlines()[finding.line - 1]
    assert named.startswith(broken.at) if broken.at else broken.new.splitlines()[0] in named


def test_all_mistakes_in_one_run() -> None:
    text = SMALL
    for old, new in (
        ("angle = -45", "angle = 400"),
        ("aspects = 2", "aspects = 3"),
        ('danger = "caution"', 'danger = "danger"'),
    ):
        text = text.replace(old, new, 1)
    with pytest.raises(LayoutError) as caught:
        read_practice(text, "wrong.toml")
    assert {finding.thing for finding in caught.value.findings} == {
        "head pair",
        "head quad",
        "indicator left",
    }


def test_nothing_listed() -> None:
    empty = Practice(name="x", title="x", sources=(), aspects=(), heads={})
    assert [found.path for found in mistakes(empty)] == [("aspects",), ("heads",)]


ASPECTS = ("danger", "a", "b", "c")


def practice_of(tables: list[dict[str, str]]) -> Practice:
    """Return a practice whose heads have these ``next`` tables; the rest of it is right."""
    heads = {}
    for index, table in enumerate(tables):
        shown = ["danger", *sorted(set(table.values()) - {"danger"})]
        heads[f"h{index}"] = Head(
            aspects=len(shown),
            default=index == 0,
            lamps=tuple(shown),
            colours=dict.fromkeys(shown, "white"),
            shows={aspect: Shown(lamps=(aspect,)) for aspect in shown},
            next=table,
            followed_by=dict.fromkeys(shown, ASPECTS),
        )
    aspects = tuple(Aspect(name=name, title=name, meaning=name) for name in ASPECTS)
    return Practice(name="x", title="x", sources=(), aspects=aspects, heads=heads)


def settle(tables: list[dict[str, str]], trains: list[bool], start: str) -> list[str] | None:
    """Return what a ring shows once it has settled from every signal at ``start``, if it does."""
    shown = [start] * len(tables)
    for _ in range(len(ASPECTS) * len(tables) + 1):
        new = [
            "danger" if train else table[shown[(place + 1) % len(tables)]]
            for place, (table, train) in enumerate(zip(tables, trains, strict=True))
        ]
        if new == shown:
            return shown
        shown = new
    return None


TABLES = [
    dict(zip(ASPECTS, values, strict=True)) for values in product(ASPECTS[1:], repeat=len(ASPECTS))
]


def keeps_next_rules(table: dict[str, str]) -> bool:
    return not any("next" in found.path for found in mistakes(practice_of([table])))


RIGHT = [table for table in TABLES if keeps_next_rules(table)]


def falls(table: dict[str, str]) -> bool:
    """Return whether it grows more restrictive as the next signal grows less so."""
    return any(table[worse] > table[better] for worse, better in pairwise(ASPECTS[1:])) or (
        table["danger"] > table["a"]
    )


@settings(deadline=None)
@given(
    st.lists(st.sampled_from(RIGHT), min_size=1, max_size=6).flatmap(
        lambda tables: st.tuples(
            st.just(tables),
            st.lists(st.booleans(), min_size=len(tables), max_size=len(tables)),
        )
    )
)
def test_right_tables_have_one_answer_in_every_ring(
    ring: tuple[list[dict[str, str]], list[bool]],
) -> None:
    """From all at danger and from all clear, any ring of right heads settles to the same."""
    tables, trains = ring
    from_danger = settle(tables, trains, "danger")
    assert from_danger is not None
    assert from_danger == settle(tables, trains, "c")


def test_right_tables_worked_out_by_hand() -> None:
    """What a head shows with the next signal at danger, a, b, c; each better than that."""
    assert {"".join(table.values()) for table in RIGHT} == {
        "aaaa",  # always the least
        "abbb",
        "bbbb",
        "abcc",  # one better each time
        "accc",
        "bbcc",
        "bccc",
        "cccc",  # always the best
    }


def answers_of_an_empty_pair(one: dict[str, str], other: dict[str, str]) -> list[tuple[str, str]]:
    """Return every way in which two signals, each next of the other, can be content."""
    return [
        (here, there)
        for here, there in product(ASPECTS, repeat=2)
        if here == one[there] and there == other[here]
    ]


def test_the_rule_refuses_no_more_than_it_must() -> None:
    """Each growing table that it refuses has two answers with itself or with a right one."""
    assert all(len(answers_of_an_empty_pair(*pair)) == 1 for pair in product(RIGHT, repeat=2))
    refused = [table for table in TABLES if table not in RIGHT and not falls(table)]
    assert refused
    for table in refused:
        others = (table, *RIGHT)
        assert any(len(answers_of_an_empty_pair(table, other)) > 1 for other in others), table
