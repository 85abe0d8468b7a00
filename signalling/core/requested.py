"""What requests are to the equations: inputs that they set, and what they need to make sense.

Law of this file: requests to names of inputs and equations; no value is looked
at here, and nothing is decided but whether the layout has what is spoken of.
"""

from __future__ import annotations

from collections.abc import Collection

from attrs import frozen

from signalling.core.out_of_use import why_not_said
from signalling.core.words import (
    Acknowledge,
    AskLock,
    CancelRoute,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    GiveBack,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    OutOfReach,
    Request,
    RestoreBlock,
    ReturnLock,
    SetRoute,
    TakeOut,
    WithinReach,
    WorkRoute,
)
from signalling.layout.out_of_use import Thing
from signalling.table.table import Table

__all__ = ["ONCE", "Need", "inputs_of", "missing_of", "need_of"]

ONCE = (
    RestoreBlock,
    ConfirmBlock,
    Acknowledge,
    MoveTurnout,
    SetRoute,
    WorkRoute,
    CancelRoute,
)
"""Requests that are made once: what is to last of them is memory in the equations."""


@frozen
class Need:
    """What must be so for a request to do anything."""

    equation: str
    refusal: str
    """What is said where the equation does not hold; ``{}`` stands for why."""
    never: str
    """What is said where there is no such equation."""


def need_of(request: Request) -> Need | None:
    """Return what must be so for a request to do anything; ``None`` where nothing need be."""
    match request:
        case RestoreBlock(block):
            return Need(
                f"block {block} restorable",
                f"Block {block} cannot be restored now: {{}}.",
                _nothing_to_restore(block),
            )
        case ConfirmBlock(block):
            return Need(
                f"block {block} confirmable",
                f"Block {block} cannot be restored now: {{}}. Say `restore {block}` first.",
                _nothing_to_restore(block),
            )
        case MoveTurnout(turnout) | AskLock(turnout):
            sentence = f"Turnout {turnout} cannot be moved: {{}}."
            return Need(f"turnout {turnout} in use", sentence, sentence)
        case Acknowledge(signal):
            nothing = f"Signal {signal} has no alarm to be acknowledged."
            return Need(f"signal {signal} alarmed", nothing, nothing)
        case _:
            return None


def _nothing_to_restore(block: str) -> str:
    return f"Block {block} has nothing to restore: its detectors alone say whether it is clear."


def missing_of(table: Table, request: Request) -> str | None:
    """Return why a request makes no sense here, or ``None``."""
    layout = table.layout
    match request:
        case (
            HoldSignal(signal)
            | FreeSignal(signal)
            | Acknowledge(signal)
            | OutOfReach(signal)
            | WithinReach(signal)
        ):
            return None if signal in layout.signals else f"There is no signal {signal!r}."
        case RestoreBlock(block) | ConfirmBlock(block):
            return None if block in layout.blocks else f"There is no block {block!r}."
        case MoveTurnout(turnout):
            if turnout not in layout.turnouts:
                return f"There is no turnout {turnout!r}."
            if layout.turnouts[turnout].moved_by != "us":
                return f"Turnout {turnout} is moved by others, not by us."
        case AskLock(turnout) | ReturnLock(turnout):
            if turnout not in layout.turnouts:
                return f"There is no turnout {turnout!r}."
            if not layout.turnouts[turnout].lock:
                return f"Turnout {turnout} has no lock."
        case SetRoute(route) | WorkRoute(route) | CancelRoute(route):
            if f"route {route} asked" not in table.graph.equations:
                return _no_route(table, route)
        case TakeOut(kind, name) | GiveBack(kind, name):
            if name not in _things(table, kind):
                return f"There is no {kind} {name!r}."
            return why_not_said(request)
        case HoldAll() | FreeAll():
            pass
        case _:
            raise TypeError(f"{request!r} is not a request; see signalling.core.words")
    return None


def _no_route(table: Table, route: str) -> str:
    """Return why a route cannot be asked for at all."""
    if all(row.name != route for row in table.rows):
        signal = route.partition("/")[0]
        known = ", ".join(row.name for row in table.rows if row.signal == signal)
        if not known:
            return f"There is no route {route!r}: no signal that has routes is called {signal!r}."
        return f"There is no route {route!r}. Signal {signal} has {known}."
    return f"Route {route} works automatically: its signal is not controlled."


def _things(table: Table, kind: Thing) -> Collection[str]:
    """Return the names of all things of a kind."""
    layout = table.layout
    match kind:
        case Thing.BLOCK:
            return layout.blocks
        case Thing.TURNOUT:
            return layout.turnouts
        case Thing.SIGNAL:
            return layout.signals
        case Thing.ROUTE:
            return {row.name for row in table.rows}


def inputs_of(request: Request) -> tuple[tuple[str, bool], ...]:
    """Return the inputs that a request sets, by name, and to what."""
    match request:
        case HoldSignal(signal):
            return ((f"hold {signal}", True),)
        case FreeSignal(signal):
            return ((f"hold {signal}", False),)
        case HoldAll():
            return (("hold all", True),)
        case FreeAll():
            return (("hold all", False),)
        case RestoreBlock(block):
            return ((f"restore {block}", True),)
        case ConfirmBlock(block):
            return ((f"confirm {block}", True),)
        case Acknowledge(signal):
            return ((f"acknowledge {signal}", True),)
        case MoveTurnout(turnout, lie):
            return ((f"move {turnout}={lie}", True),)
        case SetRoute(route, wait):
            return ((f"{'wait' if wait else 'set'} {route}", True),)
        case WorkRoute(route):
            return ((f"work {route}", True),)
        case CancelRoute(route):
            return ((f"cancel {route}", True),)
        case AskLock(turnout):
            return ((f"ask {turnout}", True),)
        case ReturnLock(turnout):
            return ((f"ask {turnout}", False),)
        case TakeOut(kind, name):
            return ((f"out of use {kind} {name}", True),)
        case GiveBack(kind, name):
            return ((f"out of use {kind} {name}", False),)
        case OutOfReach(signal):
            return ((f"out of reach {signal}", True),)
        case WithinReach(signal):
            return ((f"out of reach {signal}", False),)
