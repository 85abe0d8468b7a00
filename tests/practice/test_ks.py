"""The `ks` practice against the published table.

sh1.org/eisenbahn/shks.htm and osrd.fr/en/docs/railway-wiki/signalling/spacing/ks, after
Pachl 2024 and Ril 301 (read):

* Hp 0, stop. Ks 2, expect stop. Ks 1, expect proceed. Ks 1 flashing with Zs 3v, expect the speed
  shown. Zs 3 on top, from here at the digit's tens of km/h; dark, line speed.
* A combined signal does all; a main signal alone never shows Ks 2; a distant signal alone never
  shows Hp 0. Each announces the next main signal only.
"""

from __future__ import annotations

from itertools import product

import pytest

from signalling.practice.load import load_practice
from signalling.practice.schema import Practice
from tests.core.test_aspects import gray, put
from tests.rig import FREE, Rig

HP0, KS2, FLASHING, KS1 = "danger", "caution", "expect-speed", "clear"
KINDS = ("combined", "main")
DIGITS = (None, 4, 6)


@pytest.fixture(scope="module")
def ks() -> Practice:
    return load_practice("ks")


def published(kind: str, beyond: str, digit: int | None) -> tuple[str, int | None]:
    """Return what a main signal shows when it is off, and its Zs 3v, by the next main signal."""
    if kind == "main":
        return KS1, None
    if beyond == HP0:
        return KS2, None
    return (KS1, None) if digit is None else (FLASHING, digit)


def test_aspects_and_their_names(ks: Practice) -> None:
    assert {each.name: each.title for each in ks.shown} == {
        HP0: "Hp 0",
        KS2: "Ks 2",
        FLASHING: "Ks 1 flashing",
        KS1: "Ks 1",
    }


def test_what_each_kind_of_signal_can_show(ks: Practice) -> None:
    assert set(ks.heads["combined"].shows) == {HP0, KS2, FLASHING, KS1}
    assert set(ks.heads["main"].shows) == {HP0, KS1}
    assert set(ks.heads["distant"].shows) == {KS2, FLASHING, KS1}


def test_colours(ks: Practice) -> None:
    """Hp 0 red, Ks 2 yellow, Ks 1 green, which flashes where a speed is announced."""
    for head in ks.heads.values():
        seen = {
            aspect: ([head.colours[lamp] for lamp in shown.lamps], shown.flash)
            for aspect, shown in head.shows.items()
        }
        every = {
            HP0: (["red"], False),
            KS2: (["yellow"], False),
            FLASHING: (["green"], True),
            KS1: (["green"], False),
        }
        assert seen == {aspect: look for aspect, look in every.items() if aspect in seen}


@pytest.mark.parametrize(
    ("aspect", "may_follow"),
    [
        (HP0, {HP0, KS2, FLASHING, KS1}),
        (KS2, {HP0, KS2, FLASHING, KS1}),
        (FLASHING, {KS2, FLASHING, KS1}),
        (KS1, {KS2, FLASHING, KS1}),
    ],
)
def test_what_may_follow_at_the_next_main_signal(
    ks: Practice, aspect: str, may_follow: set[str]
) -> None:
    assert set(ks.heads["combined"].followed_by[aspect]) == may_follow
    if aspect != HP0:
        assert set(ks.heads["distant"].followed_by[aspect]) == may_follow


def test_a_digit_is_a_speed_in_tens_of_kilometres_an_hour(ks: Practice) -> None:
    assert {name: each.meaning for name, each in ks.indicators.items()} == {
        str(digit): f"From here at {digit}0 km/h." for digit in range(1, 17)
    }
    assert {each.speed for each in ks.indicators.values()} == {"restricted"}


def test_every_source_tells_its_status(ks: Practice) -> None:
    assert ks.sources
    assert all("read)" in source or "from memory" in source for source in ks.sources)


# -- lines and rings ----------------------------------------------------------------------------


def text(kinds: tuple[str, ...], digits: tuple[int | None, ...], *, ring: bool) -> str:
    """One block a signal; signal ``Si`` protects block ``bi``. A line begins with block ``a``."""
    count = len(kinds)
    blocks = [f"b{index}" for index in range(count)]
    line = [*blocks, "b0"] if ring else ["a", *blocks]
    signals = []
    for index, (kind, digit) in enumerate(zip(kinds, digits, strict=True)):
        rear = line[index] if not ring else blocks[index - 1]
        routes = "" if digit is None else f"routes = {{ main = {{ indicator = {digit} }} }}, "
        ahead = "announces = [4, 6], " if kind == "combined" else ""
        signals.append(
            f"S{index} = {{ at = '{rear} > b{index}', head = '{kind}', {routes}{ahead}"
            f"aspects = {3 if kind == 'combined' else 2} }}"
        )
    return "\n".join(
        [
            "[layout]\nname = 'Tern Sands'\npractice = 'ks'",
            FREE,
            "[blocks]",
            *(f"{block} = {{}}" for block in dict.fromkeys(line)),
            f"[lines]\nmain = '{' > '.join(line)}'",
            "[signals]",
            *signals,
        ]
    )


def expected(
    kinds: tuple[str, ...], digits: tuple[int | None, ...], trains: tuple[bool, ...], beyond: str
) -> list[tuple[str, int | None, int | None]]:
    """Return aspect, Zs 3 and Zs 3v of each signal of a line, walked from its end."""
    shown: list[tuple[str, int | None, int | None]] = []
    digit = None
    for kind, own, train in reversed(list(zip(kinds, digits, trains, strict=True))):
        if train:
            beyond, digit = HP0, None
            shown.insert(0, (HP0, None, None))
            continue
        beyond, ahead = published(kind, beyond, digit)
        digit = own
        shown.insert(0, (beyond, digit, ahead))
    return shown


def seen(rig: Rig, kinds: tuple[str, ...]) -> list[tuple[str, int | None, int | None]]:
    lit = rig.interlocking.snapshot().indicators

    def digit(name: str) -> int | None:
        return None if lit.get(name, "dark") == "dark" else int(lit[name])

    return [
        (rig.aspect(f"S{index}"), digit(f"S{index}"), digit(f"S{index}/ahead"))
        for index in range(len(kinds))
    ]


@pytest.mark.parametrize("kinds", list(product(KINDS, repeat=3)))
def test_every_line(ks: Practice, kinds: tuple[str, ...]) -> None:
    for digits in product(DIGITS, repeat=3):
        rig = Rig(text(kinds, digits, ring=False)).clear("a")
        for pattern in gray(3):
            put(rig, pattern)
            shown = seen(rig, kinds)
            assert shown == expected(kinds, digits, pattern, HP0), (digits, pattern)
            consistent(ks, kinds, [aspect for aspect, *_ in shown])


@pytest.mark.parametrize("kinds", list(product(KINDS, repeat=3)))
def test_every_ring(ks: Practice, kinds: tuple[str, ...]) -> None:
    for digits in product(DIGITS, repeat=3):
        rig = Rig(text(kinds, digits, ring=True))
        for pattern in gray(3):
            put(rig, pattern)
            shown = seen(rig, kinds)
            if any(pattern):
                # A signal with a train behind it is at Hp 0 whatever follows: cut the ring there.
                cut = pattern.index(True) + 1
                turned = expected(
                    kinds[cut:] + kinds[:cut],
                    digits[cut:] + digits[:cut],
                    pattern[cut:] + pattern[:cut],
                    HP0,
                )
                assert shown == turned[-cut:] + turned[:-cut], (digits, pattern)
            else:
                for place, (kind, digit) in enumerate(zip(kinds, digits, strict=True)):
                    beyond = (place + 1) % 3
                    aspect, ahead = published(kind, shown[beyond][0], digits[beyond])
                    assert shown[place] == (aspect, digit, ahead)
            consistent(ks, kinds, [aspect for aspect, *_ in [*shown, shown[0]]])


def consistent(ks: Practice, kinds: tuple[str, ...], aspects: list[str]) -> None:
    for kind, here, following in zip(kinds, aspects, aspects[1:], strict=False):
        assert following in ks.heads[kind].followed_by[here]


def test_a_signal_that_goes_to_danger_is_announced_no_more() -> None:
    rig = Rig(text(("combined", "combined"), (None, 4), ring=False)).clear("a", "b0", "b1")
    assert (rig.aspects(["S0", "S1"]), rig.indicator("S0/ahead")) == ([FLASHING, KS2], "4")
    rig.unknown("b1")
    assert (rig.aspects(["S0", "S1"]), rig.indicator("S0/ahead")) == ([KS2, HP0], "dark")
