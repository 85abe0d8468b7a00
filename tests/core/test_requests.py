"""Requests as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.core.requests import FORMS, parse_request
from signalling.core.words import (
    Acknowledge,
    AskLock,
    FreeAll,
    FreeSignal,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    Refusal,
    Request,
    RestoreBlock,
    ReturnLock,
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
        ("acknowledge M2", Acknowledge("M2")),
        ("move t1 normal", MoveTurnout("t1", Lie.NORMAL)),
        ("move t1 reverse", MoveTurnout("t1", Lie.REVERSE)),
        ("ask t1", AskLock("t1")),
        ("return t1", ReturnLock("t1")),
    ],
)
def test_each_form(text: str, request_: Request) -> None:
    assert parse_request(text) == request_


@pytest.mark.parametrize("text", ["", "hold", "hold M2 now", "clear M2", "move t1 sideways"])
def test_anything_else_is_refused_with_every_form(text: str) -> None:
    refusal = parse_request(text)
    assert isinstance(refusal, Refusal)
    for form in FORMS:
        assert form.words in refusal.reason


@given(st.text())
def test_no_text_is_too_much(text: str) -> None:
    assert parse_request(text) is not None
