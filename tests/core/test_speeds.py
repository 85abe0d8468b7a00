"""Routes by their speed: approach release, and flashing aspects before a fast diverging route.

Sources are named in ``tests/oracle.py``, from which expected aspects come.
"""

from __future__ import annotations

from itertools import product

import pytest

from signalling.core.words import CancelRoute, SetRoute
from tests import oracle
from tests.core.test_aspects import gray
from tests.rig import FREE, Rig

KINDS = ("three", "four", "three-flashing", "four-flashing")


def junction_text(kinds: tuple[str, ...], special: str, *, settings: str = FREE) -> str:
    """A line up to a junction: block ``a``, then a block behind each signal ``S0``, ``S1`` and so
    on, then the junction signal ``J`` with a straight route, and one along ``quay``."""
    before = ["a", *(f"b{index}" for index in range(len(kinds)))]
    signals = [
        f"S{index} = {{ at = '{before[index]} > b{index}', head = '{kind}', "
        f"aspects = {3 if kind.startswith('three') else 4} }}"
        for index, kind in enumerate(kinds)
    ]
    way = " > ".join(before)
    return "\n".join(
        [
            "[layout]",
            "name = 'Gannet Point'",
            settings,
            "[blocks]",
            *(f"{block} = {{}}" for block in (*before, "j", "m", "q")),
            "[turnouts]",
            "t = { block = 'j' }",
            "[lines]",
            f"main = '{way} > j[t normal] > m'",
            f"quay = '{way} > j[t reverse] > q'",
            "[signals]",
            *signals,
            "M = { at = 'j > m', aspects = 3 }",
            "Q = { at = 'j > q', aspects = 3 }",
            f"[signals.J]\nat = '{before[-1]} > j'\naspects = 4",
            f"[signals.J.routes]\nquay = {{ indicator = 4, {special} }}",
        ]
    )


@pytest.mark.parametrize("kinds", [*product(KINDS, repeat=2), ("four-flashing",) * 3])
def test_every_line_up_to_a_fast_diverging_route(kinds: tuple[str, ...]) -> None:
    """For every pattern of trains, and each lie of the turnout."""
    rig = Rig(junction_text(kinds, "speed = 'fast'"))
    blocks = ["a", *(f"b{index}" for index in range(len(kinds))), "j", "m", "q"]
    names = [f"S{index}" for index in range(len(kinds))]
    seen = set()
    for lie in ("normal", "reverse", "moving"):
        rig.lies("t", lie)
        for pattern in gray(len(blocks)):
            rig.occupied(*(block for block, train in zip(blocks, pattern, strict=True) if train))
            rig.clear(*(block for block, train in zip(blocks, pattern, strict=True) if not train))
            train = dict(zip(blocks, pattern, strict=True))
            before = pattern[: len(kinds) + 1]
            exit_section = train["m" if lie == "normal" else "q"]
            # The exit signal is at yellow, before the buffer stop, or at red.
            best = oracle.BY_NEXT_SIGNAL[4][oracle.RED if exit_section else oracle.YELLOW]
            if lie == "moving" or train["j"]:
                junction = oracle.RED
            elif lie == "normal" or before[-1]:
                junction = best
            elif oracle.can_announce(kinds, before):
                junction = oracle.HELD
            else:
                junction = oracle.RED
            held = junction == oracle.HELD
            shown = rig.aspects(names)
            assert rig.aspect("J") == (oracle.YELLOW if held else junction), (lie, pattern)
            assert shown == oracle.to_a_junction(kinds, before[1:], junction), (lie, pattern)
            lit = lie == "reverse" and junction != oracle.RED
            assert rig.indicator("J") == ("4" if lit else "dark")
            seen.update(shown)
            for here, following in zip(shown, [*shown[1:], rig.aspect("J")], strict=True):
                assert following in oracle.MAY_FOLLOW.get(here, {following})
    flashes = kinds[-1].endswith("flashing")
    assert (oracle.FLASHING_YELLOW in seen) is flashes
    twice = flashes and kinds[-2] == "four-flashing"
    assert (oracle.FLASHING_DOUBLE_YELLOW in seen) is twice


def ring_text(kinds: tuple[str, ...]) -> str:
    """The same, but the straight route leads round to the first signal again."""
    text = junction_text(kinds, "speed = 'fast'")
    for old, new in (
        ("a = {}\n", ""),
        ("main = 'a > ", "main = '"),
        ("quay = 'a > ", "quay = '"),
        ("j[t normal] > m'", "j[t normal] > b0'"),
        ("S0 = { at = 'a > b0'", "S0 = { at = 'j > b0'"),
        ("m = {}\n", ""),
        ("M = { at = 'j > m', aspects = 3 }\n", ""),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize("kinds", [*product(KINDS, repeat=3)])
def test_every_ring_with_a_fast_diverging_route(kinds: tuple[str, ...]) -> None:
    rig = Rig(ring_text(kinds))
    blocks, names = ["b0", "b1", "b2", "j", "q"], ["S0", "S1", "S2"]
    numbers = [3 if kind.startswith("three") else 4 for kind in kinds]
    for lie in ("normal", "reverse"):
        rig.lies("t", lie)
        for pattern in gray(len(blocks)):
            rig.occupied(*(block for block, train in zip(blocks, pattern, strict=True) if train))
            rig.clear(*(block for block, train in zip(blocks, pattern, strict=True) if not train))
            *before, j, q = pattern
            if lie == "normal":
                shown = oracle.ring([*numbers, 4], [*before, j])
                assert rig.aspects([*names, "J"]) == shown, pattern
                continue
            junction = oracle.RED
            if not j and before[-1]:
                junction = oracle.BY_NEXT_SIGNAL[4][oracle.RED if q else oracle.YELLOW]
            elif not j and oracle.can_announce(kinds, [False, *before]):
                junction = oracle.HELD
            held = junction == oracle.HELD
            assert rig.aspect("J") == (oracle.YELLOW if held else junction), pattern
            assert rig.aspects(names) == oracle.to_a_junction(kinds, before, junction), pattern


FOUR = ("four-flashing", "four-flashing", "four-flashing")


def approach(rig: Rig) -> list[list[str]]:
    """Run a short train up to the junction; return what is shown with it in each block."""
    shown = []
    for rear, ahead in ((None, "a"), ("a", "b0"), ("b0", "b1"), ("b1", "b2")):
        rig.occupied(ahead)
        if rear is not None:
            rig.clear(rear)
        shown.append(rig.aspects(["S0", "S1", "S2", "J"]))
    return shown


def test_what_a_train_finds_on_its_way_over_a_fast_diverging_route() -> None:
    """Two flashing yellows, one, then yellow with the indicator, which steps up."""
    rig = Rig(junction_text(FOUR, "speed = 'fast', release_after = 5")).all_clear()
    rig.lies("t", "reverse")
    r, y, yy, g = oracle.RED, oracle.YELLOW, oracle.DOUBLE_YELLOW, oracle.GREEN
    fy, fyy = oracle.FLASHING_YELLOW, oracle.FLASHING_DOUBLE_YELLOW
    assert rig.aspects(["S0", "S1", "S2", "J"]) == [g, yy, y, r]
    assert approach(rig) == [
        [g, yy, y, r],  # too far away to be announced anything
        [r, fyy, fy, y],
        [y, r, fy, y],
        [yy, y, r, y],
    ]
    assert rig.wait(5).aspect("J") == yy
    assert rig.indicator("J") == "4"


def test_nothing_flashes_for_a_train_that_nobody_reports() -> None:
    rig = Rig(junction_text(FOUR, "speed = 'fast'")).all_clear().lies("t", "reverse").unknown("b0")
    assert rig.aspects(["S0", "S1", "S2", "J"]) == ["danger", *rig.aspects(["S1", "S2", "J"])]
    assert rig.aspects(["S1", "S2", "J"]) == ["preliminary-caution", "caution", "danger"]


def test_a_bad_contact_ends_no_announcement_before_the_hold_off() -> None:
    text = junction_text(FOUR, "speed = 'fast'", settings="hold_off = 2.0\nsequence = false")
    rig = Rig(text).all_clear().lies("t", "reverse").occupied("b0")
    assert rig.aspect("S1") == "flashing-preliminary-caution"
    rig.clear("b0").wait(1.9)
    assert rig.aspect("S1") == "flashing-preliminary-caution"
    rig.wait(0.1)
    assert rig.aspects(["S1", "S2", "J"]) == ["preliminary-caution", "caution", "danger"]


CONTROLLED = (
    junction_text(FOUR, "speed = 'fast'")
    .replace("M = {", "Q = { at = 'j > q', aspects = 3, controlled = true }\nM = {")
    .replace("Q = { at = 'j > q', aspects = 3 }\n", "")
)
STOP = "\n[stops]\nbrake = { signal = 'Q' }"


# GK/RT0045 section 5.2.3.6, as quoted at irse.signalpost.org tid=857: the first signal beyond the
# junction is off, or has a route set, or is automatic, or train protection covers it.
def test_nothing_flashes_while_the_first_signal_beyond_has_no_route_set() -> None:
    rig = Rig(CONTROLLED).all_clear().lies("t", "reverse").occupied("b0")
    assert rig.aspects(["S1", "S2", "J"]) == ["preliminary-caution", "caution", "danger"]
    rig.ask(SetRoute("Q/quay"))
    flashing = ["flashing-preliminary-caution", "flashing-caution", "caution"]
    assert (rig.aspect("Q"), rig.aspects(["S1", "S2", "J"])) == ("caution", flashing)
    # On, with the route still set: as good.
    rig.report("detector", "q", None)
    assert rig.aspect("Q") == "danger"
    rig.ask(CancelRoute("Q/quay"))
    assert rig.aspects(["S1", "S2", "J"]) == ["preliminary-caution", "caution", "danger"]


def test_a_stop_at_the_first_signal_beyond_will_do() -> None:
    rig = Rig(CONTROLLED + STOP).all_clear().lies("t", "reverse").occupied("b0")
    assert (rig.aspect("Q"), rig.aspect("J"), rig.aspect("S2")) == (
        "danger",
        "caution",
        "flashing-caution",
    )


def test_a_distant_signal_before_the_first_main_signal_beyond_will_do() -> None:
    text = CONTROLLED.replace("q = {}", "q = {}\nr = {}").replace(
        "j[t reverse] > q'", "j[t reverse] > q > r'"
    )
    text = text.replace("Q = { at = 'j > q'", "Q = { at = 'q > r'")
    rig = Rig(text).all_clear().lies("t", "reverse").occupied("b0")
    assert rig.aspects(["S2", "J"]) == ["caution", "danger"]
    distant = "[signals]\nD = { at = 'j > q', distant = true, aspects = 2 }"
    rig = Rig(text.replace("[signals]", distant, 1)).all_clear().lies("t", "reverse").occupied("b0")
    assert rig.aspects(["S2", "J"]) == ["flashing-caution", "caution"]


@pytest.mark.parametrize(
    ("speed", "far", "close"),
    [
        ("slow", "danger", "preliminary-caution"),
        ("medium", "caution", "preliminary-caution"),
        ("full", "preliminary-caution", "preliminary-caution"),
    ],
)
def test_how_a_signal_is_held_by_the_speed_of_a_route(speed: str, far: str, close: str) -> None:
    rig = Rig(junction_text(FOUR, f"speed = '{speed}'")).all_clear().lies("t", "reverse")
    assert rig.aspect("J") == far
    assert rig.occupied("b2").aspect("J") == close
    # The straight route has no speed, and is not held.
    assert rig.clear("b2").lies("t", "normal").aspect("J") == "preliminary-caution"


@pytest.mark.parametrize("speed", ["slow", "medium", "fast", "full"])
def test_the_layout_may_hold_a_route_otherwise(speed: str) -> None:
    text = junction_text(FOUR, f"speed = '{speed}', release = 'from-caution'")
    rig = Rig(text).all_clear().lies("t", "reverse")
    assert rig.aspect("J") == "caution"
    # Nothing flashes while the conditions of flashing are not looked at.
    assert rig.aspect("S2") == "preliminary-caution"


def test_the_control_table_says_how_a_route_is_announced() -> None:
    rig = Rig(junction_text(FOUR, "speed = 'fast'"))
    rows = {row.name: row for row in rig.table.rows}
    assert sorted(rows["J/quay"].announced_from) == ["b0", "b1", "b2"]
    assert rows["J/main"].announced_from == {}


def test_explanations_name_what_is_missing() -> None:
    rig = Rig(junction_text(FOUR, "speed = 'fast'")).all_clear().lies("t", "reverse")
    reason = str(rig.interlocking.explain("signal J off"))
    assert "signals in rear do not announce route J/quay" in reason
