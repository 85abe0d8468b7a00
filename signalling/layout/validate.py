"""Every check of a layout that needs no practice and no routes.

Law of this file: the order of the checks, and the few that are of the file as
a whole. Each check adds findings and goes on; none relies on another having
found nothing.
"""

from __future__ import annotations

import re

from attrs import evolve

from signalling.layout.model import Layout
from signalling.layout.scope import Scope, is_name, thing_at
from signalling.layout.validate_bindings import check_bindings
from signalling.layout.validate_buttons import check_buttons
from signalling.layout.validate_lines import check_lines
from signalling.layout.validate_signals import check_signals
from signalling.layout.validate_things import (
    check_detectors,
    check_readers,
    check_single_lines,
    check_trains,
    check_turnouts,
)

__all__ = ["validate"]


def validate(scope: Scope) -> Layout:
    """Say everything that is wrong; return the layout with the detectors that it implies."""
    _check_names(scope)
    _check_whole(scope)
    lines = check_lines(scope)
    check_turnouts(scope)
    check_signals(scope, lines)
    check_buttons(scope)
    check_single_lines(scope, lines)
    check_trains(scope)
    check_readers(scope, lines)
    layout = check_detectors(scope, lines)
    check_bindings(evolve(scope, layout=layout))
    return layout


def _check_names(scope: Scope) -> None:
    for table, names in scope.names.items():
        for name in sorted(names):
            if is_name(name):
                continue
            better = re.sub(r"[^A-Za-z0-9_.-]+", "-", name).strip("-.")
            scope.findings.error(
                (table, name),
                thing_at((table, name)),
                "A name is letters, figures, `_`, `-` and `.`, and begins with a letter, a figure "
                "or `_`.",
                f"Rename it, for example to `{better}`." if better else "Rename it.",
            )


def _check_whole(scope: Scope) -> None:
    for table, what in (("blocks", "No block is described"), ("lines", "No line is described")):
        if not scope.names[table]:
            example = "d1 = { length = 2400 }" if table == "blocks" else 'main = "d1 > d2"'
            scope.findings.error(
                (table,),
                f"[{table}]",
                f"{what}, and the track is described by its blocks and lines.",
                f"Write `[{table}]` with one for each, such as `{example}`.",
            )
    if not scope.names["signals"]:
        scope.findings.warning(
            ("signals",),
            "[signals]",
            "No signal is described, so there is nothing to show.",
            'Write `[signals]` with one for each, such as `M1 = { at = "d1 > d2" }`.',
        )
