"""A printed table in one neutral form, from which every output is made.

Law of this file: columns, rows of plain values, and the two ways of writing
them that programs read, CSV and JSON. It knows nothing of signalling. Nothing
depends on when or where it is written, so that two versions of a layout differ
in what was changed and in nothing else.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from io import StringIO
from typing import Any

from attrs import frozen

from signalling.table.expression import Expression

__all__ = [
    "MODEL_ONLY",
    "Column",
    "Row",
    "Sheet",
    "Value",
    "as_csv",
    "as_json",
    "narrow",
    "plain",
    "texts",
    "unused_titles",
]

Value = str | float | bool | tuple[str, ...] | tuple[float, ...] | Mapping[str, str] | Expression
"""What stands in a cell; ``None`` where nothing does."""

Row = Mapping[str, Value | None]
"""The cells of a row, by the keys of their columns."""

MODEL_ONLY = "For model railways only."

_BETWEEN = "; "
"""What stands between the texts of one cell of a CSV file."""


@frozen(kw_only=True)
class Column:
    """One column of a sheet."""

    key: str
    """Its name for programs, which stays as it is from version to version."""
    title: str
    sentence: str
    """What stands in it; empty where the sheet's notes say so."""
    group: str = ""
    """The heading that it shares with its neighbours."""
    unit: str = ""
    """The unit of its numbers."""
    between: str = ": "
    """What joins the two texts of a pair."""
    printed: bool = True
    """Whether readers get it too; else it is for programs only, in CSV and JSON."""

    @property
    def heading(self) -> str:
        """The title, with the unit where there is one."""
        return f"{self.title} ({self.unit})" if self.unit else self.title


@frozen(kw_only=True)
class Sheet:
    """A title, notes, and one mapping from column keys to values for each row."""

    kind: str
    """What programs call it: ``control-table``, ``equations``, ``conflict-matrix`` or
    ``conflicts``."""
    layout: str
    """The layout's name."""
    practice: str
    """The practice's short name."""
    title: str
    notes: tuple[str, ...]
    """Sentences for whoever reads it."""
    columns: tuple[Column, ...]
    names: str
    """The key of the column that names a row."""
    parts: str
    """The key of the column by which rows belong together."""
    headings: Mapping[str, str]
    """What stands over the rows that belong together, by that column's value; may be empty."""
    rows: tuple[Row, ...]

    @property
    def used(self) -> tuple[Column, ...]:
        """The printed columns in which some row has something."""
        return tuple(
            column
            for column in self.columns
            if column.printed and any(texts(column, row[column.key]) for row in self.rows)
        )


def narrow(sheet: Sheet, column: Column) -> bool:
    """Return whether a column would be narrower than its heading, which then stands upright."""
    if not column.group:
        return False
    longest = max(len(text) for row in sheet.rows for text in ("", *texts(column, row[column.key])))
    return longest < len(column.heading)


def unused_titles(sheet: Sheet) -> list[str]:
    """Return the titles of printed columns in which nothing stands."""
    used = {column.key for column in sheet.used}
    return [column.title for column in sheet.columns if column.printed and column.key not in used]


def texts(column: Column, value: Value | None) -> tuple[str, ...]:
    """Return what a reader sees in a cell: nothing, one text or several."""
    match value:
        case None | False:
            said: tuple[str, ...] = ()
        case True:
            said = ("yes",)
        case float():
            said = (f"{value:g}",)
        case tuple():
            said = tuple(each if isinstance(each, str) else f"{each:g}" for each in value)
        case Mapping():
            said = tuple(f"{key}{column.between}{each}" for key, each in value.items())
        case _:
            said = (str(value),)
    return tuple(plain(each) for each in said)


def plain(text: str) -> str:
    """Return a text without anything that would steer a terminal."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else "\N{REPLACEMENT CHARACTER}" for each in text)


def as_csv(sheet: Sheet) -> str:
    """Return a sheet as CSV (RFC 4180, but lines end in a line feed), with all its columns.

    A cell that a spreadsheet would take for a formula begins with an apostrophe.
    """
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(column.heading for column in sheet.columns)
    for row in sheet.rows:
        writer.writerow(
            _no_formula(_BETWEEN.join(texts(column, row[column.key]))) for column in sheet.columns
        )
    return out.getvalue()


def _no_formula(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text


def as_json(sheet: Sheet) -> str:
    """Return a sheet as JSON, with all its columns."""
    shape = {
        "kind": sheet.kind,
        "layout": sheet.layout,
        "practice": sheet.practice,
        "columns": [
            {"key": column.key, "title": column.title, "unit": column.unit}
            for column in sheet.columns
        ],
        "rows": [
            {column.key: _json(row[column.key]) for column in sheet.columns} for row in sheet.rows
        ],
    }
    return f"{json.dumps(shape, indent=2)}\n"


def _json(value: Value | None) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, Expression):
        return value.as_json()
    return list(value) if isinstance(value, tuple) else value
