"""Devices whose words are not all known beforehand: readers, and berths for trains' names.

Law of this file: what such a text may be; no transport.
"""

from __future__ import annotations

from collections.abc import Iterable

from signalling.layout.words import LONGEST_TEXT

__all__ = ["LONGEST", "Texts", "is_text"]

LONGEST = "x" * LONGEST_TEXT
"""A text as long as any."""


def is_text(value: object) -> bool:
    """Return whether a value is a text that a device may say or be told."""
    return isinstance(value, str) and 0 < len(value) <= LONGEST_TEXT and value.isprintable()


class Texts:
    """Everything that a device may say that may say any text; ``words`` among it."""

    def __init__(self, words: Iterable[str]) -> None:
        self._words = frozenset(words)

    def __contains__(self, value: object) -> bool:
        return value in self._words or is_text(value)
