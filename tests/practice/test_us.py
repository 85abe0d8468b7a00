"""The `us` practice against the published rules, by their numbers.

NORAC Operating Rules, 8th edition, 2003, conrail1285.com/norac-signals (read): 281 Clear; 282
Approach Medium, pass the next signal at Medium speed; 282a Advance Approach, prepared to stop at
the second signal; 283 Medium Clear; 285 Approach, prepared to stop at the next signal; 292 Stop.
286 Medium Approach: from memory.
"""

from __future__ import annotations

from itertools import product

import pytest

from signalling.practice.load import load_practice
from signalling.practice.schema import Practice
from tests.core.test_aspects import gray, put
from tests.rig import FREE, Rig

STOP, APPROACH, ADVANCE, CLEAR = "danger", "approach", "advance-approach", "clear"
APPROACH_MEDIUM = "approach-medium"
MEDIUM_APPROACH, MEDIUM_CLEAR = "medium-approach", "medium-clear"
MEDIUM = {MEDIUM_APPROACH, MEDIUM_CLEAR}

RULES = {
    STOP: "292",
    MEDIUM_APPROACH: "286",
    MEDIUM_CLEAR: "283",
    APPROACH: "285",
    ADVANCE: "282a",
    APPROACH_MEDIUM: "282",
    CLEAR: "281",
}

KINDS = ("three", "four", "junction", "junction at medium")


@pytest.fixture(scope="module")
def us() -> Practice:
    return load_practice("us")


def published(kind: str, beyond: str) -> str:
    """Return what a signal shows when it is off, by what the next one shows."""
    if kind == "junction at medium":
        return MEDIUM_APPROACH if beyond == STOP else MEDIUM_CLEAR
    if beyond == STOP:
        return APPROACH
    if beyond in MEDIUM:  # it is to be passed at Medium speed
        return APPROACH_MEDIUM if kind == "junction" else APPROACH
    return ADVANCE if kind == "four" and beyond == APPROACH else CLEAR


def test_every_aspect_names_its_rule(us: Practice) -> None:
    assert [each.name for each in us.aspects] == list(RULES)
    assert all(each.meaning.startswith(f"Rule {RULES[each.name]}:") for each in us.aspects)


# railroad.net t24608 (read): Clear, Approach, Stop; Clear, Advance Approach, Approach, Stop.
@pytest.mark.parametrize(
    ("heads", "seen"),
    [
        (["three"] * 3, [CLEAR, CLEAR, APPROACH]),
        (["four"] * 4, [CLEAR, CLEAR, ADVANCE, APPROACH]),
    ],
)
def test_sequence_before_a_signal_at_stop(us: Practice, heads: list[str], seen: list[str]) -> None:
    beyond = STOP
    shown: list[str] = []
    for head in reversed(heads):
        beyond = us.heads[head].next[beyond]
        shown.insert(0, beyond)
    assert shown == seen


# What each rule says of the next signal, and of the second (282a).
@pytest.mark.parametrize(
    ("aspect", "never_next"),
    [
        (CLEAR, {STOP, *MEDIUM}),
        (APPROACH_MEDIUM, {STOP}),
        (MEDIUM_CLEAR, {STOP}),
        (ADVANCE, {STOP, *MEDIUM}),
        (APPROACH, set()),
        (MEDIUM_APPROACH, set()),
        (STOP, set()),
    ],
)
def test_what_never_follows(us: Practice, aspect: str, never_next: set[str]) -> None:
    heads = [head for head in us.heads.values() if aspect in head.shows]
    assert heads
    for head in heads:
        assert not never_next & set(head.followed_by[aspect])


# Lamps from memory.
def test_lamps(us: Practice) -> None:
    junction = us.heads["junction"]
    looks = {
        aspect: [junction.colours[lamp] for lamp in shown.lamps]
        for aspect, shown in junction.shows.items()
    }
    assert looks == {
        STOP: ["red", "red"],
        MEDIUM_APPROACH: ["red", "yellow"],
        MEDIUM_CLEAR: ["red", "green"],
        APPROACH: ["yellow", "red"],
        APPROACH_MEDIUM: ["yellow", "green"],
        CLEAR: ["green", "red"],
    }
    flashing = {
        (name, aspect)
        for name, head in us.heads.items()
        for aspect, shown in head.shows.items()
        if shown.flash
    }
    assert flashing == {("four", ADVANCE)}
    assert us.heads["four"].shows[ADVANCE].lamps == us.heads["four"].shows[APPROACH].lamps


def test_every_source_tells_its_status(us: Practice) -> None:
    assert us.sources
    assert all("read)" in source or "from memory" in source for source in us.sources)


# -- lines and rings ----------------------------------------------------------------------------


def text(kinds: tuple[str, ...], *, ring: bool) -> str:
    """One block a signal; signal ``Si`` protects block ``bi``. A line begins with block ``a``."""
    blocks = [f"b{index}" for index in range(len(kinds))]
    line = [*blocks, "b0"] if ring else ["a", *blocks]
    signals = []
    for index, kind in enumerate(kinds):
        rear = blocks[index - 1] if ring else line[index]
        head = kind.partition(" ")[0]
        routes = "routes = { main = { speed = 'medium' } }, " if "medium" in kind else ""
        signals.append(
            f"S{index} = {{ at = '{rear} > b{index}', head = '{head}', {routes}"
            f"aspects = {4 if head == 'four' else 3} }}"
        )
    return "\n".join(
        [
            "[layout]\nname = 'Pelican Bluff'\npractice = 'us'",
            FREE,
            "[blocks]",
            *(f"{block} = {{}}" for block in dict.fromkeys(line)),
            f"[lines]\nmain = '{' > '.join(line)}'",
            "[signals]",
            *signals,
        ]
    )


def walked(kinds: tuple[str, ...], trains: tuple[bool, ...], beyond: str) -> list[str]:
    shown: list[str] = []
    for kind, train in reversed(list(zip(kinds, trains, strict=True))):
        beyond = STOP if train else published(kind, beyond)
        shown.insert(0, beyond)
    return shown


def consistent(us: Practice, kinds: tuple[str, ...], aspects: list[str]) -> None:
    for kind, here, following in zip(kinds, aspects, aspects[1:], strict=False):
        assert following in us.heads[kind.partition(" ")[0]].followed_by[here]


@pytest.mark.parametrize("kinds", list(product(KINDS, repeat=4)))
def test_every_line(us: Practice, kinds: tuple[str, ...]) -> None:
    rig = Rig(text(kinds, ring=False)).clear("a")
    for pattern in gray(4):
        put(rig, pattern)
        assert rig.aspects() == walked(kinds, pattern, STOP), pattern
        consistent(us, kinds, rig.aspects())


@pytest.mark.parametrize("kinds", list(product(KINDS, repeat=4)))
def test_every_ring(us: Practice, kinds: tuple[str, ...]) -> None:
    rig = Rig(text(kinds, ring=True))
    for pattern in gray(4):
        put(rig, pattern)
        shown = rig.aspects()
        if any(pattern):
            # A signal with a train behind it is at stop whatever follows: cut the ring there.
            cut = pattern.index(True) + 1
            turned = walked(kinds[cut:] + kinds[:cut], pattern[cut:] + pattern[:cut], STOP)
            assert shown == turned[-cut:] + turned[:-cut], pattern
        else:
            following = [*shown[1:], shown[0]]
            assert shown == [
                published(kind, beyond) for kind, beyond in zip(kinds, following, strict=True)
            ]
        consistent(us, kinds, [*shown, shown[0]])


def test_a_head_without_a_second_unit_starts_no_route_at_medium_speed() -> None:
    from signalling.layout.read import examine_text
    from signalling.table.check import check_reading

    wrong = text(("junction at medium", "three"), ring=False).replace("'junction'", "'three'")
    (finding,) = [
        each
        for each in check_reading(examine_text(wrong, "file.toml", "."))
        if each.severity == "error"
    ]
    assert finding.thing == "route S0/main"
    assert "Head three cannot show medium-approach and medium-clear" in finding.message
