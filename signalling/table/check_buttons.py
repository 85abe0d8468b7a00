"""Checks of push buttons that need the routes.

Law of this file: between which buttons there are routes, read off the rows.
"""

from __future__ import annotations

from signalling.layout.findings import Findings
from signalling.layout.model import Button
from signalling.table.row import Row
from signalling.table.table import Table

__all__ = ["check_buttons", "ends_at"]


def check_buttons(table: Table, findings: Findings) -> None:
    """Say which entry and exit buttons can ask for no route."""
    buttons = table.layout.buttons
    for name, button in buttons.items():
        thing = f"button {name}"
        begins = [row for row in table.rows if _begins(row, button)]
        exits = [each.exit for each in buttons.values()]
        if button.entry and not any(ends_at(row, end) for row in begins for end in exits):
            findings.warning(
                ("buttons", name, "entry"),
                thing,
                f"No {button.move} route from signal {button.entry} ends where an exit button is.",
                f"Give an end of one of its routes an exit button: {_ends(begins)}."
                if begins
                else f"Signal {button.entry} has no such route; correct `move`, or take it out.",
            )
        ends = [row for row in table.rows if ends_at(row, button.exit)]
        if button.exit and not any(_begins(row, each) for row in ends for each in buttons.values()):
            findings.warning(
                ("buttons", name, "exit"),
                thing,
                f"No route from a signal that has an entry button ends at {button.exit}.",
                "Give the signal where such a route begins an entry button, or take this one out.",
            )


def ends_at(row: Row, end: str | None) -> bool:
    """Return whether a route ends at a signal, or with a block."""
    return end is not None and end in (row.route.exit, row.route.blocks[-1])


def _begins(row: Row, button: Button) -> bool:
    return (row.signal, row.move) == (button.entry, button.move)


def _ends(rows: list[Row]) -> str:
    return ", ".join(dict.fromkeys(row.route.exit or row.route.blocks[-1] for row in rows))
