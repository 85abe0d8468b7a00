"""Danger switches and presses, persons who hold signals, hidden sections, minimum times."""

from __future__ import annotations

import pytest

from signalling.core.words import (
    Acknowledge,
    AskLock,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    Refusal,
    RestoreBlock,
)
from signalling.layout.notation import Lie
from tests.rig import FREE, Rig, chain_text, ring_text

DANGER = "\n[danger]\nsw = { signals = ['S2', 'S3'] }\npress = { signals = ['S2'], press = true }\n"


def ring() -> Rig:
    rig = Rig(ring_text([4] * 6, settings=FREE) + DANGER).all_clear()
    return rig.report("danger", "sw", "free").report("danger", "press", "free").wait(5)


def test_a_switch_holds_its_signals_for_as_long_as_it_is_on() -> None:
    rig = ring()
    assert rig.aspects() == ["clear"] * 6
    rig.report("danger", "sw", "danger")
    assert rig.aspects() == [
        "preliminary-caution", "caution", "danger", "danger", "clear", "clear",
    ]  # fmt: skip
    rig.wait(100)
    assert rig.aspect("S3") == "danger"
    rig.report("danger", "sw", "free")
    assert rig.aspects() == ["clear"] * 6


def test_a_press_holds_danger_for_two_seconds_after_it_is_let_go() -> None:
    rig = ring().report("danger", "press", "danger").wait(9)
    assert rig.aspect("S2") == "danger"
    rig.report("danger", "press", "free").wait(1.999)
    assert rig.aspect("S2") == "danger"
    rig.wait(0.001)
    assert rig.aspect("S2") == "clear"


def test_a_press_can_hold_for_another_time() -> None:
    text = (ring_text([3] * 3, settings=FREE) + DANGER).replace("'S2', 'S3'", "'S1'")
    rig = Rig(text.replace("press = true", "press = true, hold = 7.5")).all_clear()
    rig.report("danger", "sw", "free").report("danger", "press", "free").wait(7.4)
    assert rig.aspect("S2") == "danger"
    rig.wait(0.1)
    assert rig.aspect("S2") == "clear"


@pytest.mark.parametrize("name", ["sw", "press"])
def test_an_unknown_danger_input_holds_danger(name: str) -> None:
    rig = ring().report("danger", name, None).wait(60)
    assert rig.aspect("S2") == "danger"


def test_a_person_holds_one_signal_or_all() -> None:
    rig = ring()
    assert rig.ask(HoldSignal("S1")) is None
    assert rig.aspects()[:2] == ["caution", "danger"]
    assert rig.ask(HoldAll()) is None
    assert set(rig.aspects()) == {"danger"}
    assert rig.ask(FreeAll()) is None
    assert rig.aspect("S1") == "danger"
    assert rig.ask(FreeSignal("S1")) is None
    assert rig.aspects() == ["clear"] * 6


@pytest.mark.parametrize(
    ("request_", "word"),
    [
        (HoldSignal("S9"), "S9"),
        (FreeSignal("S9"), "S9"),
        (Acknowledge("S9"), "S9"),
        (RestoreBlock("b9"), "b9"),
        (ConfirmBlock("b9"), "b9"),
        (MoveTurnout("t9", Lie.NORMAL), "t9"),
        (AskLock("t9"), "t9"),
    ],
)
def test_a_request_for_what_is_not_there_is_refused_with_its_name(
    request_: object, word: str
) -> None:
    rig = ring()
    before = rig.aspects()
    refusal = rig.ask(request_)  # type: ignore[arg-type]
    assert isinstance(refusal, Refusal)
    assert word in refusal.reason
    assert rig.aspects() == before


def test_minimum_time_at_danger() -> None:
    rig = Rig(ring_text([4] * 4, settings=FREE + "\nminimum_on = 6.0")).all_clear()
    rig.occupied("b2").wait(1).clear("b2").wait(4.9)
    assert rig.aspect("S2") == "danger"
    rig.wait(0.1)
    assert rig.aspect("S2") == "clear"
    # Time at danger runs from when the signal went on, not from when the cause went.
    rig.occupied("b2").wait(100).clear("b2")
    assert rig.aspect("S2") == "clear"


# -- hidden sections ----------------------------------------------------------------------


def tunnel(aspects: int, hidden: str) -> Rig:
    text = chain_text([aspects] * 2, end="open", settings=FREE).replace(
        "hidden = []", f"hidden = {hidden}"
    )
    rig = Rig(text).all_clear()
    assert rig.aspects() == ["clear", "clear"]
    return rig.occupied("b1").wait(20)


@pytest.mark.parametrize(
    ("aspects", "steps"),
    [
        (4, [("caution", "preliminary-caution"), ("preliminary-caution", "clear")]),
        (3, [("caution", "clear")]),
        (2, []),
    ],
)
def test_aspects_step_up_in_order_in_steps_of_five_seconds(
    aspects: int, steps: list[tuple[str, str]]
) -> None:
    rig = tunnel(aspects, "true")
    assert rig.aspect("S1") == "danger"
    rig.clear("b1")
    for here, rear in steps:
        assert rig.aspects(["S1", "S0"]) == [here, rear]
        rig.wait(4.9)
        assert rig.aspects(["S1", "S0"]) == [here, rear]
        rig.wait(0.1)
    assert rig.aspects(["S1", "S0"]) == ["clear", "clear"]


def test_each_section_has_its_own_seconds() -> None:
    rig = tunnel(4, "[2.0, 30.0]").clear("b1").wait(1.9)
    assert rig.aspect("S1") == "caution"
    rig.wait(0.1)
    assert rig.aspect("S1") == "preliminary-caution"
    rig.wait(29.9)
    assert rig.aspect("S1") == "preliminary-caution"
    rig.wait(0.1)
    assert rig.aspect("S1") == "clear"


def test_a_new_train_starts_the_steps_again() -> None:
    rig = tunnel(4, "true").clear("b1").wait(7)
    assert rig.aspect("S1") == "preliminary-caution"
    rig.occupied("b1")
    assert rig.aspect("S1") == "danger"
    rig.wait(60).clear("b1").wait(4.9)
    assert rig.aspect("S1") == "caution"
    rig.wait(0.1)
    assert rig.aspect("S1") == "preliminary-caution"


def test_one_section_only_shows_one_step() -> None:
    rig = tunnel(4, "[5.0]").clear("b1")
    assert rig.aspect("S1") == "caution"
    rig.wait(5)
    assert rig.aspect("S1") == "clear"


def test_the_block_beyond_unknown_counts_as_occupied() -> None:
    rig = tunnel(4, "true").clear("b1").wait(60).unknown("b1").wait(60)
    assert rig.aspect("S1") == "danger"
    rig.clear("b1")
    assert rig.aspect("S1") == "caution"
