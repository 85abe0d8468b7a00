"""Texts as the numbers that a signal of a DBC file can carry: trains' names, above all.

Law of this file: a text to a number, by the binding's ``values``. A name that
is not listed there and is a whole number goes as that number; for all other
texts there is one number, which says that somebody should look elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from signalling.errors import ConfigurationError
from transports.can.dbc import raw_of

if TYPE_CHECKING:
    from cantools.database.can import Signal

__all__ = ["OTHERS", "TextNumbers"]

OTHERS = "*"
"""Stands in ``values`` for every text that has no number of its own."""


class TextNumbers(dict[str, float]):
    """The raw value of every text."""

    def __init__(
        self, thing: str, words: tuple[str, ...], signal: Signal, table: Mapping[str, Any]
    ) -> None:
        values = table.get("values", {})
        wanted = [*words, OTHERS]
        if not isinstance(values, Mapping) or not set(wanted) <= set(values):
            raise ConfigurationError(
                thing,
                f"values is {values!r}.",
                f"Write a table of numbers, such as values = {{ {words[0]} = 0, "
                f'"{OTHERS}" = 65535 }}: {words[0]}, further texts where you like, and '
                f'"{OTHERS}" for all that have no number.',
            )
        super().__init__((text, raw_of(thing, signal, value)) for text, value in values.items())
        self._signal = signal

    def __missing__(self, text: str) -> float:
        try:
            number = raw_of("", self._signal, int(text)) if text.isdecimal() else self[OTHERS]
        except ConfigurationError:
            return self[OTHERS]
        # A number that stands for something else says nothing of this text.
        return self[OTHERS] if number in self.values() else number
