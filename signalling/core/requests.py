"""Requests as people write them: ``hold M2``, ``restore d2``, ``move t1 reverse``.

Law of this file: text to requests, nothing else. ``FORMS`` is the whole
language; what a request does is said with its class, and whether it makes
sense for a layout is for the interlocking to say.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from attrs import astuple, frozen

from signalling.core.words import (
    Acknowledge,
    AnyRequest,
    AskLock,
    CancelRoute,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    GiveBack,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    NameTrain,
    Refusal,
    RestoreBlock,
    ReturnLock,
    SetRoute,
    StepTrain,
    TakeOut,
    UnnameBlock,
    UnnameTrain,
    WorkRoute,
)
from signalling.layout.notation import Lie
from signalling.layout.out_of_use import Thing

__all__ = ["FORMS", "Form", "parse_request", "text_of"]


@frozen
class Form:
    """One way to write a request: its words, those in capitals standing for names.

    A last word in capitals with ``...`` stands for all that follows.
    """

    words: str
    make: Callable[..., AnyRequest]
    """Called with the names."""
    sentence: str
    """What it asks for."""

    def request(self, said: list[str]) -> AnyRequest | None:
        """Return the request that these words make in this form, if they do."""
        matched = self.match(said)
        if matched is None:
            return None
        return self.make(*(given for word, given in matched if word.isupper()))

    def match(self, said: list[str]) -> list[tuple[str, str]] | None:
        """Return each word of the form with what is said for it, if that fits."""
        words = self.words.split()
        if words[-1].endswith("...") and len(said) > len(words):
            said = [*said[: len(words) - 1], " ".join(said[len(words) - 1 :])]
        if len(words) != len(said):
            return None
        matched = list(zip(words, said, strict=True))
        fits = all(word.isupper() or word == given for word, given in matched)
        return matched if fits else None


FORMS = (
    Form("hold all", HoldAll, "put every signal to danger and hold it there"),
    Form("free all", FreeAll, "take back `hold all`"),
    Form("hold SIGNAL", HoldSignal, "put a signal to danger and hold it there"),
    Form("free SIGNAL", FreeSignal, "take back `hold`"),
    Form("restore BLOCK", RestoreBlock, "say that a block has been seen to be empty"),
    Form("confirm BLOCK", ConfirmBlock, "confirm `restore`, so that the block counts as empty"),
    Form("acknowledge SIGNAL", Acknowledge, "say that a signal's alarms have been seen to"),
    Form(
        "move TURNOUT normal",
        lambda turnout: MoveTurnout(turnout, Lie.NORMAL),
        "ask for a turnout that we move to lie normal",
    ),
    Form(
        "move TURNOUT reverse",
        lambda turnout: MoveTurnout(turnout, Lie.REVERSE),
        "ask for a turnout that we move to lie reverse",
    ),
    Form("set ROUTE", SetRoute, "ask for a route of a controlled signal, now or not at all"),
    Form(
        "set ROUTE wait",
        lambda route: SetRoute(route, wait=True),
        "ask for a route, and wait until it can be set",
    ),
    Form("work ROUTE", WorkRoute, "let a route work automatically, set again behind each train"),
    Form("cancel ROUTE", CancelRoute, "take back whatever was asked for a route"),
    Form("ask TURNOUT", AskLock, "ask for leave to move a turnout"),
    Form("return TURNOUT", ReturnLock, "give back the leave to move a turnout"),
    *(
        Form(
            f"take-out {kind} {kind.upper()} PERSON REASON...",
            partial(TakeOut, kind),
            f"take a {kind} out of use, with a name and a reason",
        )
        for kind in Thing
    ),
    *(
        Form(
            f"give-back {kind} {kind.upper()} PERSON",
            partial(GiveBack, kind),
            f"give back a {kind} that was taken out of use in this name",
        )
        for kind in Thing
    ),
    Form("name BLOCK TRAIN", NameTrain, "say that the train in a block has this name"),
    Form(
        "name BLOCK TRAIN also",
        lambda block, train: NameTrain(block, train, also=True),
        "say that a further train in a block has this name",
    ),
    Form("step TRAIN BLOCK", StepTrain, "say that the train of this name is in this block"),
    Form("unname BLOCK", UnnameBlock, "take away the names that stand in a block"),
    Form("unname BLOCK TRAIN", UnnameTrain, "take away one of the names in a block"),
)
"""Every way to write a request; the first that fits counts."""


def text_of(request: AnyRequest) -> str:
    """Return a request as people write it. Raises ``ValueError`` for one that they cannot write."""
    names = [value for value in astuple(request, recurse=False) if type(value) is str]
    for form in FORMS:
        words = form.words.split()
        given = iter(names)
        said = [next(given, "") if word.isupper() else word for word in words]
        text = " ".join(said)
        if form.request(text.split()) == request:
            return text
    raise ValueError(f"nobody can write {request!r}")


def parse_request(text: str) -> AnyRequest | Refusal:
    """Return the request that a text makes, or a refusal that says how to write one."""
    said = text.split()
    for form in FORMS:
        request = form.request(said)
        if request is not None:
            return request
    first = said[0].lower() if said else ""
    meant = [form for form in FORMS if form.words.split()[0] == first] or FORMS
    known = ", ".join(f"`{form.words}`" for form in meant)
    one_of = "one of " if len(meant) > 1 else ""
    return Refusal(f"{' '.join(said)!r} is not a request. Write {one_of}{known}.")
