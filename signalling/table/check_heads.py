"""Checks of a layout against its practice: heads, route indicators and speeds.

Law of this file: what a layout asks for that the practice does not have.
"""

from __future__ import annotations

from signalling.layout.findings import Findings, did_you_mean, listed
from signalling.layout.model import Layout, Signal, SignalRoute
from signalling.layout.place import KeyPath
from signalling.layout.shape import shown
from signalling.practice.schema import Practice
from signalling.table.announce import speed_name
from signalling.table.row import Move

__all__ = ["check_heads"]


def check_heads(layout: Layout, practice: Practice, findings: Findings) -> None:
    """Say which heads, indicators and speeds of a layout its practice does not have."""
    for name, signal in layout.signals.items():
        path, thing = ("signals", name), f"signal {name}"
        distant = signal.distant is not False
        head = practice.head_name(signal.aspects, signal.head, distant=distant)
        if head is None:
            _no_head(practice, findings, path, thing, signal)
        _check_announced(practice, findings, path, signal)
        for line, route in signal.routes.items():
            _check_speed(practice, findings, (*path, "routes", line), route, head)
            _check_moves(practice, findings, (*path, "routes", line), route)
            if route.indicator is None or practice.knows_indicator(str(route.indicator)):
                continue
            known = list(practice.indicators)
            letters = " or a single letter" if practice.letters else ""
            findings.error(
                (*path, "routes", line, "indicator"),
                f"route {name}/{line}",
                f"Practice {practice.name} has no route indicator {shown(route.indicator)}.",
                f"Write one of {listed(known)}{letters}."
                if known or letters
                else "Take `indicator` out, or choose another practice.",
            )


def _check_moves(practice: Practice, findings: Findings, path: KeyPath, route: SignalRoute) -> None:
    """Say which moves into occupied track the practice has no aspect for."""
    for key, wanted, move in (
        ("call_on", route.call_on, Move.CALL_ON),
        ("shunt", route.shunt, Move.SHUNT),
    ):
        if wanted and move not in practice.subsidiaries:
            findings.error(
                (*path, key),
                f"route {path[1]}/{path[3]}",
                f"Practice {practice.name} has no subsidiary aspect for the move {move}.",
                f"Take `{key}` out, or choose another practice.",
            )


def _check_announced(practice: Practice, findings: Findings, path: KeyPath, signal: Signal) -> None:
    """Say which positions no signal is to announce: those that stand for no speed."""
    able = [name for name, position in practice.indicators.items() if position.speed is not None]
    for index, position in enumerate(signal.announces):
        if str(position) not in able:
            findings.error(
                (*path, "announces", index),
                f"signal {path[1]}",
                f"In practice {practice.name} no signal announces a route indicator "
                f"{shown(position)}.",
                f"Write some of {listed(able)}." if able else "Take `announces` out.",
            )


def _check_speed(
    practice: Practice, findings: Findings, path: KeyPath, route: SignalRoute, head: str | None
) -> None:
    """Say what a route's speed asks for that the practice or the head does not have."""
    thing = f"route {path[1]}/{path[3]}"
    if route.speed is not None and route.speed not in practice.speeds:
        known = listed(practice.speeds)
        findings.error(
            (*path, "speed"),
            thing,
            f"Practice {practice.name} has no speed {shown(route.speed)}.",
            did_you_mean(route.speed, practice.speeds, f"Its speeds are {known}.")
            if known
            else "Take `speed` out, or choose another practice.",
        )
        return
    name = speed_name(practice, route)
    speed = None if name is None else practice.speeds[name]
    held = route.release or ("free" if speed is None else speed.release)
    if held == "free" and route.release_after:
        findings.warning(
            (*path, "release_after"),
            thing,
            "`release_after` does nothing, since the signal is not held for this route.",
            'Add `release = "from-danger"` or `release = "from-caution"`, or take it out.',
        )
    if speed is not None and head is not None:
        can = practice.heads[head].shows
        missing = sorted({*speed.next_of(practice.heads[head]).values()} - {*can})
        if missing:
            findings.error(
                path,
                thing,
                f"Head {head} cannot show {listed(missing)}, which stands for speed {name}.",
                "Choose another head, or another speed.",
            )


def _no_head(
    practice: Practice, findings: Findings, path: KeyPath, thing: str, signal: Signal
) -> None:
    distant = signal.distant is not False
    what = "distant head" if distant else "head"
    fitting = {name: head for name, head in practice.heads.items() if head.distant is distant}
    counts = sorted({head.aspects for head in fitting.values()})
    if not fitting:
        findings.error(
            (*path, "distant") if distant else path,
            thing,
            f"Practice {practice.name} has no {what}s.",
            "Choose another practice.",
        )
    elif signal.head is None:
        findings.error(
            (*path, "aspects"),
            thing,
            f"Practice {practice.name} has no {what} of {signal.aspects} aspects.",
            f"Write one of {listed(str(count) for count in counts)}.",
        )
    elif signal.head not in practice.heads:
        findings.error(
            (*path, "head"),
            thing,
            f"Practice {practice.name} has no head {shown(signal.head)}.",
            did_you_mean(signal.head, fitting, f"Its {what}s are {listed(fitting)}."),
        )
    elif signal.head not in fitting:
        findings.error(
            (*path, "head"),
            thing,
            f"Head {signal.head} is {'not ' if distant else ''}that of a distant signal.",
            f"Write one of {listed(fitting)}, or "
            + ("take `distant` out." if distant else "add `distant = true`."),
        )
    else:
        aspects = practice.heads[signal.head].aspects
        findings.error(
            (*path, "head"),
            thing,
            f"Head {signal.head} has {aspects} aspects, and the signal says {signal.aspects}.",
            f"Write `aspects = {aspects}`, or choose another head.",
        )
