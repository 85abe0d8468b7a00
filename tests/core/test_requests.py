"""Requests as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.core.requests import FORMS, parse_request, text_of
from signalling.core.words import (
    Acknowledge,
    AnyRequest,
    AskLock,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    NameTrain,
    Refusal,
    RestoreBlock,
    ReturnLock,
    StepTrain,
    UnnameBlock,
    UnnameTrain,
)
from signalling.layout.notation import Lie


@pytest.mark.parametrize(
    ("text", "request_"),
    [
        ("hold M2", HoldSignal("M2")),
        ("  free   M2 ", FreeSignal("M2")),
        ("hold all", HoldAll()),
        ("free all", FreeAll()),
        ("restore d2", RestoreBlock("d2")),
        ("confirm d2", ConfirmBlock("d2")),
        ("acknowledge M2", Acknowledge("M2")),
        ("move t1 normal", MoveTurnout("t1", Lie.NORMAL)),
        ("move t1 reverse", MoveTurnout("t1", Lie.REVERSE)),
        ("ask t1", AskLock("t1")),
        ("return t1", ReturnLock("t1")),
        ("name d1 1A23", NameTrain("d1", "1A23")),
        ("name d1 1A23 also", NameTrain("d1", "1A23", also=True)),
        ("step 1A23 d1", StepTrain("1A23", "d1")),
        ("unname d1", UnnameBlock("d1")),
        ("unname d1 1A23", UnnameTrain("d1", "1A23")),
    ],
)
def test_each_form(text: str, request_: AnyRequest) -> None:
    assert parse_request(text) == request_
    assert text_of(request_) == " ".join(text.split())


@pytest.mark.parametrize("text", ["", "clear M2", "M2 hold"])
def test_anything_else_is_refused_with_every_form(text: str) -> None:
    refusal = parse_request(text)
    assert isinstance(refusal, Refusal)
    for form in FORMS:
        assert f"`{form.words}`" in refusal.reason


@pytest.mark.parametrize(
    ("text", "forms"),
    [
        ("hold", "one of `hold all`, `hold SIGNAL`."),
        ("SET M2/quay", "one of `set ROUTE`, `set ROUTE wait`."),
        ("move t1 sideways", "one of `move TURNOUT normal`, `move TURNOUT reverse`."),
        ("work", "`work ROUTE`."),
    ],
)
def test_what_begins_right_is_refused_with_the_forms_that_begin_so(text: str, forms: str) -> None:
    assert parse_request(text) == Refusal(f"{text!r} is not a request. Write {forms}")


@given(st.text())
def test_no_text_is_too_much(text: str) -> None:
    assert parse_request(text) is not None
