"""Checks of a layout against its practice: heads and route indicators.

Law of this file: what a layout asks for that the practice does not have.
"""

from __future__ import annotations

from signalling.layout.findings import Findings, did_you_mean, listed
from signalling.layout.model import Layout, Signal
from signalling.layout.place import KeyPath
from signalling.layout.shape import shown
from signalling.practice.schema import Practice

__all__ = ["check_heads"]


def check_heads(layout: Layout, practice: Practice, findings: Findings) -> None:
    """Say which heads and indicators of a layout its practice does not have."""
    for name, signal in layout.signals.items():
        path, thing = ("signals", name), f"signal {name}"
        if practice.head_name(signal.aspects, signal.head) is None:
            _no_head(practice, findings, path, thing, signal)
        for line, route in signal.routes.items():
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


def _no_head(
    practice: Practice, findings: Findings, path: KeyPath, thing: str, signal: Signal
) -> None:
    counts = sorted({head.aspects for head in practice.heads.values()})
    if signal.head is None:
        findings.error(
            (*path, "aspects"),
            thing,
            f"Practice {practice.name} has no head of {signal.aspects} aspects.",
            f"Write one of {listed(str(count) for count in counts)}.",
        )
    elif signal.head not in practice.heads:
        findings.error(
            (*path, "head"),
            thing,
            f"Practice {practice.name} has no head {shown(signal.head)}.",
            did_you_mean(signal.head, practice.heads, f"Its heads are {listed(practice.heads)}."),
        )
    else:
        aspects = practice.heads[signal.head].aspects
        findings.error(
            (*path, "head"),
            thing,
            f"Head {signal.head} has {aspects} aspects, and the signal says {signal.aspects}.",
            f"Write `aspects = {aspects}`, or choose another head.",
        )
