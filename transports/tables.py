"""Reading a user's table: the mistakes that every transport tells in the same words.

Law of this file: one value of one table at a time; no transport. Each mistake
is a ``ConfigurationError`` that names the thing, the value and the remedy.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from signalling.errors import ConfigurationError

__all__ = ["checked_keys", "table_of_tables", "text", "whole"]


def checked_keys(thing: str, table: Mapping[str, Any], keys: tuple[str, ...]) -> None:
    """Raise ``ConfigurationError`` where a table has a key that means nothing here."""
    strange = [key for key in table if key not in keys]
    if strange:
        raise ConfigurationError(
            thing,
            f"{', '.join(strange)} means nothing here.",
            f"The keys are: {', '.join(keys)}.",
        )


def text(thing: str, table: Mapping[str, Any], key: str, default: str | None = None) -> str:
    """Return a text that a table has, not empty. Raises ``ConfigurationError``."""
    value = table.get(key, default)
    if not isinstance(value, str) or not value:
        raise ConfigurationError(
            thing, f"{key} is {value!r}." if key in table else f"It has no {key}.", "Write a text."
        )
    return value


def whole(
    thing: str,
    table: Mapping[str, Any],
    key: str,
    least: int,
    most: int,
    *,
    default: int | None = None,
) -> int:
    """Return a whole number that a table has. Raises ``ConfigurationError``."""
    value = table.get(key, default)
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ConfigurationError(
            thing,
            f"{key} is {value!r}." if key in table else f"It has no {key}.",
            f"Write a whole number, from {least} to {most}.",
        )
    return value


def table_of_tables(
    thing: str, given: Mapping[str, Any], key: str
) -> Mapping[str, Mapping[str, Any]]:
    """Return a table whose values are tables, or an empty one. Raises ``ConfigurationError``."""
    value = given.get(key, {})
    if not isinstance(value, Mapping) or not all(
        isinstance(table, Mapping) for table in value.values()
    ):
        raise ConfigurationError(
            thing,
            f"{key} is not a table of tables.",
            f"Write {key}.NAME = {{ ... }}, or a table whose heading ends in .{key}.NAME.",
        )
    return value
