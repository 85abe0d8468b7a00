"""A layout under check, and the words in which findings speak of it.

Law of this file: look-ups that every check needs, and no check. Names count as
known when the file has them, also where their entry is wrong: one mistake is
told once.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from attrs import frozen

from signalling.layout.findings import Findings, did_you_mean, listed
from signalling.layout.model import Layout
from signalling.layout.notation import NAME, NotationError
from signalling.layout.place import KeyPath
from signalling.layout.shape import shown

__all__ = ["THINGS", "Scope", "is_name", "shown_name", "thing_at", "unreadable"]

THINGS = {
    "blocks": "block",
    "turnouts": "turnout",
    "supplies": "supply",
    "lines": "line",
    "signals": "signal",
    "single_lines": "single line",
    "detectors": "detector",
    "danger": "danger input",
    "buttons": "button",
    "stops": "stop",
    "readers": "reader",
    "trains": "train",
    "transports": "transport",
}
"""What an entry of each table of named things is called."""


@frozen
class Scope:
    """A layout under check."""

    layout: Layout
    """Whatever of it could be read."""
    names: Mapping[str, frozenset[str]]
    """Every name in the file, by table, also of entries that could not be read."""
    findings: Findings
    binding_positions: tuple[int, ...] = ()
    """Where in the file each binding of the layout stands among all, from 0."""

    def known(self, table: str, name: str, path: KeyPath, thing: str) -> bool:
        """Return whether the file has a name in a table; if not, say so."""
        if name in self.names[table]:
            return True
        word = THINGS[table]
        known = sorted(self.names[table])
        self.findings.error(
            path,
            thing,
            f"There is no {word} {shown_name(name)}.",
            did_you_mean(
                name,
                known,
                f"Describe it in [{table}], or name one of {listed(known)}."
                if known
                else f"Describe it in [{table}].",
            ),
        )
        return False


def unreadable(error: NotationError) -> tuple[str, str]:
    """Return the message and the remedy for text that is not in the line notation."""
    what, _, how = str(error).partition("; ")
    remedy = how or "keep the one that is meant"
    return f"{what[0].upper()}{what[1:]}.", f"{remedy[0].upper()}{remedy[1:]}."


def is_name(text: str) -> bool:
    """Return whether a text can be the name of a thing in a layout."""
    return re.fullmatch(NAME, text) is not None


def shown_name(name: str) -> str:
    """Return a name as a sentence has it: as it is, or in quotes where it is no proper name."""
    return name if is_name(name) else shown(name)


def thing_at(path: KeyPath) -> str:
    """Return what the thing at a key path is called, such as ``signal M2``."""
    match path:
        case ("layout", *_):
            return "layout"
        case ("bindings", int(index), *_):
            return f"binding {index + 1}"
        case ("signals", str(signal), "routes", str(line), *_):
            return f"route {shown_name(signal)}/{shown_name(line)}"
        case (str(table), str(name), *_) if table in THINGS:
            return f"{THINGS[table]} {shown_name(name)}"
        case (str(table), *_):
            return f"[{shown_name(table)}]"
    return "file"
