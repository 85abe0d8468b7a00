"""Checks of transports and bindings, by making each transport as ``run`` would, unopened.

Law of this file: it asks the transports themselves whether they can be made,
so that what is refused at the start is told when the file is checked. Where
one refuses, each of its devices is tried alone, to find every mistake in one run.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from signalling.controller.load import make_link
from signalling.errors import ConfigurationError
from signalling.layout.devices import Patterns, patterns_of
from signalling.layout.place import KeyPath
from signalling.layout.read import Reading
from signalling.practice.schema import Practice
from signalling.table.devices import bindings, devices
from transports.transport import BoundDevice

__all__ = ["check_links"]


def check_links(reading: Reading, practice: Practice) -> None:
    """Add what transports refuse to the findings of a layout file that has no other mistake."""
    layout = reading.layout
    if layout is None:
        return
    patterns = Patterns(devices(layout, practice))
    last: dict[str, int] = {
        str(found.device): position
        for position, binding in enumerate(layout.bindings)
        for text in patterns_of(binding)
        for found in patterns.stands_for(text)
    }
    carried = bindings(layout, practice)
    for name, options in layout.transports.items():
        told: set[tuple[KeyPath, str]] = set()
        for place, error in _refusals(name, options, carried[name], last, reading.folder):
            # A mistake in a binding of many devices is told once, of the first of them.
            if (place, error.reason) not in told:
                told.add((place, error.reason))
                reading.findings.error(place, error.thing, error.reason, error.remedy)


def _refusals(
    name: str,
    options: Mapping[str, Any],
    carried: tuple[BoundDevice, ...],
    last: Mapping[str, int],
    folder: str,
) -> Iterable[tuple[KeyPath, ConfigurationError]]:
    """Yield what a transport refuses, and where in the file it stands."""
    whole = _refusal(name, options, carried, folder)
    if whole is None:
        return
    bare = _refusal(name, options, (), folder)
    if bare is not None:
        yield ("transports", name), bare
        return
    alone = [(each, _refusal(name, options, (each,), folder)) for each in carried]
    for each, refusal in alone:
        if refusal is not None:
            position = last.get(str(each.device))
            yield ("transports", name) if position is None else ("bindings", position), refusal
    if all(refusal is None for _, refusal in alone):  # it is in how they go together
        named = [each.device for each in carried if f" {each.device}," in whole.thing]
        position = last.get(str(named[0])) if named else None
        yield ("transports", name) if position is None else ("bindings", position), whole


def _refusal(
    name: str, options: Mapping[str, Any], carried: tuple[BoundDevice, ...], folder: str
) -> ConfigurationError | None:
    try:
        make_link(name, options, carried, folder)
    except ConfigurationError as error:
        return error
    return None
