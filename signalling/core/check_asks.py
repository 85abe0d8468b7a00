"""Checks of the requests that a layout file has in it: those that buttons make.

Law of this file: text of requests against the names in the file; nothing runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from signalling.core.buttons import asked_by
from signalling.core.requests import FORMS
from signalling.errors import ConfigurationError
from signalling.layout.findings import did_you_mean
from signalling.layout.read import Reading

__all__ = ["check_asks"]


def check_asks(reading: Reading) -> None:
    """Say what is wrong with the requests that buttons make, in a file without other mistakes."""
    layout = reading.layout
    if layout is None:
        return
    known: Mapping[str, Iterable[str]] = {
        "SIGNAL": layout.signals,
        "BLOCK": layout.blocks,
        "TURNOUT": layout.turnouts,
    }
    for name, button in layout.buttons.items():
        if button.ask is None:
            continue
        path, thing = ("buttons", name, "ask"), f"button {name}"
        try:
            asked_by(name, button.ask)
        except ConfigurationError as error:
            reading.findings.error(path, thing, error.reason, error.remedy)
            continue
        said = button.ask.split()
        matched = next(filter(None, (form.match(said) for form in FORMS)))
        for word, given in matched:
            if word in known and given not in known[word]:
                what = word.lower()
                remedy = did_you_mean(given, list(known[word]), f"Name a {what} of this file.")
                reading.findings.error(path, thing, f"There is no {what} {given}.", remedy)
