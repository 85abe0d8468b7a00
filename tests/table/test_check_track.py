"""What ``check`` says of layouts that are sound as files and will not do what is wanted."""

from __future__ import annotations

import pytest

from signalling.layout.read import examine_text
from signalling.table.check import check_reading

BASE = """
[layout]
name = "Heron Wharf"
[blocks]
a = {}
b = {}
c = {}
d = {}
[turnouts]
t = { block = "c", moved_by = "us" }
[lines]
main = "a > b > c[t normal] > d > a"
spur = "b > c[t reverse] > e > f"
[signals]
A = { at = "a > b", aspects = 4 }
B = { at = "b > c", aspects = 4, routes = { spur = { indicator = 1 } } }
D = { at = "d > a", aspects = 3 }
E = { at = "e > f", aspects = 3 }
[stops]
PA = { signal = "A" }
""".replace("d = {}", "d = {}\ne = {}\nf = {}")


def findings(text: str) -> list[tuple[str, str, str]]:
    """Return severity, thing and message of each finding."""
    return [
        (str(each.severity), each.thing, each.message)
        for each in check_reading(examine_text(text, "file.toml", "."))
    ]


def test_the_base_is_sound() -> None:
    assert findings(BASE) == []


@pytest.mark.parametrize(
    ("old", "new", "severity", "thing", "words"),
    [
        (', moved_by = "us"', "", "note", "signal B", "others may throw at any time"),
        (
            'PA = { signal = "A" }',
            'PZ = { signal = "Z", proved = true }\n[signals.Z]\nat = "f > e"\naspects = 2',
            "note",
            "stop PZ",
            "No signal leads to signal Z, so none waits for the proof",
        ),
        (
            "D = { at",
            "D = { overlap = 'a > b', at",
            "warning",
            "route B/main",
            "needs block b clear, where its own train waits",
        ),
        ("aspects = 4 }\nB", "aspects = 2 }\nB", "note", "signal A", "says nothing of signal B"),
        (
            ", routes = { spur = { indicator = 1 } }",
            "",
            "warning",
            "route B/spur",
            "cannot tell the two apart",
        ),
        (
            "aspects = 4, routes = { spur = { indicator = 1 } }",
            "aspects = 2, routes = { spur = { indicator = 1, release = 'from-caution' } }",
            "warning",
            "route B/spur",
            "held from-danger instead of from-caution",
        ),
        (
            "aspects = 4, routes = { spur = { indicator = 1 } }",
            "aspects = 2, routes = { spur = { indicator = 1, speed = 'medium' } }",
            "warning",
            "route B/spur",
            "held from-danger instead of from-caution",
        ),
        (
            "{ indicator = 1 }",
            "{ indicator = 1, speed = 'fast' }",
            "warning",
            "route B/spur",
            "No signal in rear announces it",
        ),
        (
            "{ indicator = 1 }",
            "{ indicator = 1, release_after = 2 }",
            "warning",
            "route B/spur",
            "`release_after` does nothing",
        ),
        (
            "{ indicator = 1 }",
            "{ indicator = 1, speed = 'full', release_after = 2 }",
            "warning",
            "route B/spur",
            "`release_after` does nothing",
        ),
        (
            "D = { at",
            "D = { hidden = true, at",
            "warning",
            "signal D",
            "hidden sections do nothing",
        ),
        (
            "[stops]",
            "X = { at = 'b > a', aspects = 3 }\nY = { at = 'a > d', aspects = 3 }\n[stops]",
            "warning",
            "signal A",
            "stand facing each other",
        ),
        (
            "[stops]",
            "C = { at = 'c > d' }\nF = { at = 'c > e' }\n[stops]\nPC.signal = 'C'\nPF.signal = 'F'",
            "warning",
            "stop PF",
            "stopped by the other",
        ),
        ('"A" }', '"A", unpowered = "lifted" }', "warning", "stop PA", "Without power"),
        (
            "f = {}",
            "f = { sequence = true }",
            "warning",
            "block f",
            "count as vanished",
        ),
        (
            "[stops]",
            "[detectors]\nin = { at = 'd > a' }\nout = { at = 'a > b' }\n[stops]",
            "note",
            "block a",
            "left behind or lifted off",
        ),
    ],
)
def test_what_is_said(old: str, new: str, severity: str, thing: str, words: str) -> None:
    assert old in BASE
    text = BASE.replace(old, new)
    if "[detectors]" in new:
        text = text.replace("[detectors]", "[detectors]\nb = { block = 'b' }\nd = { block = 'd' }")
    if "sequence = true" in new:
        text = text.replace("E = { at", "E = { hidden = true, at")
    assert any(
        (found[0], found[1]) == (severity, thing) and words in found[2] for found in findings(text)
    ), findings(text)


def test_stops_of_signals_that_face_each_other_are_no_trouble() -> None:
    text = BASE.replace(
        "[stops]", "X = { at = 'b > a', aspects = 3 }\n[stops]\nPX = { signal = 'X' }"
    ).replace('PA = { signal = "A" }', 'PB = { signal = "B" }')
    assert not any("acts on block" in found[2] for found in findings(text))


def test_a_red_yellow_head_warns_by_what_it_shows() -> None:
    text = BASE.replace("aspects = 4 }\nB", 'aspects = 2, head = "two-yellow" }\nB')
    assert findings(text) == []


def test_a_speed_that_holds_the_signal_makes_use_of_release_after() -> None:
    text = BASE.replace("{ indicator = 1 }", "{ indicator = 1, speed = 'slow', release_after = 2 }")
    assert findings(text) == []


@pytest.mark.parametrize("head", ["three-flashing", "four-flashing"])
def test_a_signal_in_rear_that_can_flash_announces_a_fast_route(head: str) -> None:
    text = BASE.replace("{ indicator = 1 }", "{ indicator = 1, speed = 'fast' }")
    aspects = 3 if head.startswith("three") else 4
    text = text.replace("'a > b', aspects = 4", "'a > b'")
    text = text.replace('"a > b", aspects = 4', f'"a > b", aspects = {aspects}, head = "{head}"')
    assert findings(text) == []


KS = """
[layout]
name = "Dunlin Halt"
practice = "ks"
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
A = { at = "a > b", aspects = 3, announces = [4] }
B = { at = "b > c", aspects = 3, routes = { main = { indicator = 4 } } }
"""


def test_a_speed_is_announced_by_a_signal_that_has_its_digit() -> None:
    assert findings(KS) == []
    for lacking in ("announces = [6]", "announces = []"):
        ((severity, thing, message),) = findings(KS.replace("announces = [4]", lacking))
        assert (severity, thing) == ("warning", "signal A")
        assert "shows expect-speed before route B/main, and cannot announce its 4" in message


def test_a_signal_announces_no_position_that_stands_for_no_speed() -> None:
    ((severity, thing, message),) = findings(KS.replace("announces = [4]", 'announces = [4, "K"]'))
    assert (severity, thing) == ("error", "signal A")
    assert 'no signal announces a route indicator "K"' in message
    ((severity, thing, message),) = findings(
        BASE.replace("aspects = 4 }\nB", "aspects = 4, announces = [1] }\nB")
    )
    assert (severity, thing) == ("error", "signal A")


DISTANT = "D0 = { at = 'd > a', distant = true, aspects = 2 }\n[stops]"


def test_a_distant_signal_before_a_main_one_is_sound() -> None:
    assert findings(BASE.replace("[stops]", DISTANT)) == []


@pytest.mark.parametrize("joint", ["d > a", "g > a"])
def test_a_distant_signal_warns_in_the_place_of_the_main_signal_before_it(joint: str) -> None:
    """On the way from a signal of two aspects to the next, or below it."""
    text = BASE.replace('D = { at = "d > a", aspects = 3 }', 'D = { at = "d > g", aspects = 2 }')
    text = text.replace("> d > a", "> d > g > a").replace("f = {}", "f = {}\ng = {}")
    assert [found[:2] for found in findings(text)] == [("note", "signal D")]
    at = joint.replace("d > a", "d > g")
    distant = f"D0 = {{ at = '{at}', distant = true, aspects = 2 }}\n[stops]"
    assert findings(text.replace("[stops]", distant)) == []


def test_a_distant_signal_that_no_main_signal_follows() -> None:
    text = BASE.replace('E = { at = "e > f", aspects = 3 }', "").replace(
        "[stops]", DISTANT.replace("d > a", "c > e")
    )
    assert (
        "warning",
        "signal D0, spur",
        "No main signal follows it there, so it shows its most restrictive aspect for ever.",
    ) in findings(text)


def test_a_distant_signal_that_names_one_that_is_not_on_the_way() -> None:
    text = BASE.replace("[stops]", DISTANT).replace("distant = true", "distant = ['A', 'D']")
    ((severity, thing, message),) = findings(text)
    assert (severity, thing) == ("warning", "signal D0")
    assert "do not come to signal D by main signals that it names" in message
    assert findings(text.replace("['A', 'D']", "['A', 'B', 'D']")) == []


@pytest.mark.parametrize(
    ("signal", "line", "message"),
    [
        ("A", "spur", None),
        ("A", "main", None),
        (
            "D",
            "spur",
            "Its second head never shows more than caution, since the next signal has no",
        ),
        (
            "D",
            "main",
            "Its first head never shows more than caution, since every route of the next",
        ),
    ],
)
def test_a_second_head_has_a_route_to_speak_of(signal: str, line: str, message: str | None) -> None:
    """Signal B follows A, and has two routes; A follows D, and has one."""
    text = BASE.replace(f"{signal} = {{ at", f"{signal} = {{ splitting = '{line}', at")
    said = [found for found in findings(text) if "head never shows" in found[2]]
    if message is None:
        assert said == []
    else:
        ((severity, thing, words),) = said
        assert (severity, thing) == ("warning", f"signal {signal}")
        assert words.startswith(message)


# -- where a practice tells speeds, not directions

AMERICAN = BASE.replace("[layout]", '[layout]\npractice = "us"').replace(
    ", routes = { spur = { indicator = 1 } }", ""
)


def test_the_remedy_for_routes_that_look_alike_is_one_that_the_practice_has() -> None:
    reading = check_reading(examine_text(AMERICAN, "file.toml", "."))
    [alike] = [each for each in reading if "cannot tell the two apart" in each.message]
    assert (alike.thing, "indicator" in alike.remedy) == ("route B/spur", False)
    assert 'routes = { spur = { speed = "medium" } }' in alike.remedy


def test_routes_of_two_speeds_do_not_look_alike() -> None:
    told = AMERICAN.replace(
        'B = { at = "b > c", aspects = 4',
        'B = { at = "b > c", head = "junction", routes = { spur = { speed = "medium" } }',
    )
    assert told != AMERICAN
    assert not any("cannot tell" in message for _, _, message in findings(told))
