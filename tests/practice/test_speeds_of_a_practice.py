"""Each rule of a practice's readings and speeds is broken once, in an otherwise right file."""

from __future__ import annotations

from pathlib import Path

import pytest

from signalling.errors import LayoutError, Severity
from signalling.practice.load import read_practice

RIGHT = (Path(__file__).parent / "speeds.toml").read_text("utf-8")


def test_the_unbroken_file_is_right() -> None:
    practice = read_practice(RIGHT, "speeds.toml")
    assert practice.ordinary == ("danger", "caution", "clear")
    assert [each.name for each in practice.shown] == [
        "danger",
        "slow",
        "caution",
        "expect",
        "clear",
    ]


@pytest.mark.parametrize(
    ("old", "new", "thing", "message", "at"),
    [
        (
            'meaning = "Stop."',
            'meaning = "Stop."\nreading = true',
            "aspect danger",
            "It is a reading, and the first aspect and the last are what lamps show",
            "reading",
        ),
        (
            'title = "Green"',
            'title = "Green"\nreading = true',
            "aspect clear",
            "It is a reading, and the first aspect and the last are what lamps show",
            "reading",
        ),
        (
            'slow = { lamps = ["yellow", "green"] }',
            'slow = { lamps = ["yellow", "green"] }\nturning = { lamps = ["green", "red"] }',
            "head home",
            "It shows `turning`, which is a reading",
            "turning",
        ),
        (
            "aspects = 3",
            "aspects = 5",
            "head home",
            "It shows 3 aspects (danger, caution and clear), and says that it has 5",
            "aspects = 5",
        ),
        (
            'turning = "expect"\n',
            "",
            "head home",
            "with the next signal at `turning`",
            "[heads.home.next]",
        ),
        (
            'turning = "expect"',
            'turning = "turning"',
            "head home",
            "it says `turning`, which it cannot show",
            "turning",
        ),
        (
            # By the reading alone a driver meets what stands after it in the list.
            'slow = "expect"\ncaution = "clear"',
            'slow = "clear"\ncaution = "clear"',
            "head home",
            "After `clear` a driver may also meet slow",
            "clear = [",
        ),
        (
            'expect = ["slow", "caution", "expect", "clear"]',
            'expect = ["caution", "expect", "clear"]',
            "head home",
            "After `expect` a driver may also meet slow",
            "expect = [",
        ),
        (
            # Shown for a speed, it follows on what the aspect in its place follows on.
            'slow = ["danger", "slow", "caution", "expect", "clear"]',
            'slow = ["slow", "caution", "expect", "clear"]',
            "head home",
            "After `slow` a driver may also meet danger",
            "slow = [",
        ),
        (
            'expect = ["slow", "caution", "expect", "clear"]',
            'expect = ["turning", "slow", "caution", "expect", "clear"]',
            "head home",
            "`turning` is a reading, which no driver meets",
            "expect = [",
        ),
        (
            'reads_as = "turning"',
            'reads_as = "turned"',
            "speed turnout",
            "`turned` is not an aspect",
            "reads_as",
        ),
        (
            'reads_as = "turning"',
            'reads_as = "danger"',
            "speed turnout",
            "It reads as `danger`",
            "reads_as",
        ),
        (
            'reads_as = "turning"\n',
            "",
            "speed turnout",
            "The signals in rear cannot announce it",
            "release",
        ),
        (
            '{ caution = "slow"',
            '{ caution = "slowly"',
            "speed crawl",
            "`slowly` is not an aspect",
            "shows",
        ),
        (
            '{ caution = "slow"',
            '{ halt = "slow"',
            "speed crawl",
            "`halt` is not an aspect",
            "shows",
        ),
        (
            '{ caution = "slow"',
            '{ caution = "turning"',
            "speed crawl",
            "both must be proceed aspects that lamps show",
            "shows",
        ),
        (
            '{ caution = "slow"',
            '{ caution = "danger"',
            "speed crawl",
            "both must be proceed aspects that lamps show",
            "shows",
        ),
        (
            '{ caution = "slow", expect = "slow", clear = "slow" }',
            '{ caution = "clear", expect = "slow" }',
            "speed crawl of head home",
            "less restrictive `clear`",
            "shows",
        ),
        (
            '{ caution = "slow", expect = "slow", clear = "slow" }',
            '{ expect = "slow" }',
            "speed crawl of head home",
            "the more restrictive `danger` the less restrictive `caution`",
            "shows",
        ),
        (
            "[speeds.crawl]",
            '[speeds."at a walk"]',
            "speed at a walk",
            "not one word",
            "[speeds",
        ),
        (
            'speed = "turnout"',
            'speed = "turnouts"',
            "indicator left",
            "`turnouts` is not a speed of this practice",
            "left",
        ),
        (
            'meaning = "At a walk."\n',
            "",
            "speed crawl",
            "The key `meaning` is missing",
            "[speeds.crawl]",
        ),
    ],
)
def test_broken_rule(old: str, new: str, thing: str, message: str, at: str) -> None:
    assert RIGHT.count(old) >= 1
    text = RIGHT.replace(old, new, 1)
    with pytest.raises(LayoutError) as caught:
        read_practice(text, "broken.toml")
    said = [found for found in caught.value.findings if message in found.message]
    assert len(said) == 1, caught.value
    (finding,) = said
    assert (finding.severity, finding.thing) == (Severity.ERROR, thing)
    assert finding.remedy.endswith((".", "?"))
    assert finding.line is not None
    assert text.splitlines()[finding.line - 1].startswith(at)


def test_a_speed_that_a_head_cannot_show_breaks_no_rule_of_the_practice() -> None:
    """No route of that speed starts from a signal with such a head: the layout is checked."""
    plain = """
[heads.plain]
aspects = 2
lamps = ["green", "red"]
colours = { green = "green", red = "red" }
shows = { danger = { lamps = ["red"] }, clear = { lamps = ["green"] } }
[heads.plain.next]
danger = "clear"
turning = "clear"
slow = "clear"
caution = "clear"
expect = "clear"
clear = "clear"
[heads.plain.followed_by]
danger = ["danger", "slow", "caution", "expect", "clear"]
clear = ["danger", "slow", "caution", "expect", "clear"]
"""
    assert set(read_practice(RIGHT + plain, "speeds.toml").heads) == {"home", "plain"}
