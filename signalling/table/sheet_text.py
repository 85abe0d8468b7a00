"""A sheet as plain text of a given width: one record for each row, or one equation.

Law of this file: looks only. Lines are broken between the texts of a cell where there
are several, and between words where there are not.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from textwrap import wrap

from signalling.table.expression import Expression
from signalling.table.sheet import Column, Row, Sheet, plain, texts

__all__ = ["as_text", "heading"]

WIDTH = 80
"""Columns of a text where nothing else is said."""


def as_text(sheet: Sheet, width: int = WIDTH) -> str:
    """Return a sheet as plain text, without the columns in which nothing stands."""
    return "".join(f"{line}\n" for line in (*heading(sheet, width), *_body(sheet, width)))


def heading(sheet: Sheet, width: int) -> Iterator[str]:
    """Yield the lines that stand over a sheet, to be followed by its rows."""
    yield plain(f"{sheet.layout}: {sheet.title.lower()}")
    for note in sheet.notes:
        yield from wrap(plain(note), width)


def _body(sheet: Sheet, width: int) -> Iterator[str]:
    if any(isinstance(value, Expression) for row in sheet.rows for value in row.values()):
        yield from _equations(sheet, width)
    else:
        yield from _records(sheet, width)


def _records(sheet: Sheet, width: int) -> Iterator[str]:
    named = next(column for column in sheet.columns if column.key == sheet.names)
    columns = [column for column in sheet.used if column is not named]
    titles = 4 + max((len(column.title) for column in columns), default=0)
    for row in sheet.rows:
        yield ""
        yield "".join(texts(named, row[sheet.names]))
        for column in columns:
            lead = f"  {column.title}"
            for line in _filled(_said(column, row), max(width - titles, 1)):
                yield f"{lead:<{titles}}{line}"
                lead = ""


def _filled(said: tuple[str, ...], width: int) -> list[str]:
    """Return texts one after the other, with commas between, broken over lines between them."""
    lines: list[str] = []
    for index, each in enumerate(said):
        text = each if index == len(said) - 1 else f"{each},"
        if lines and len(lines[-1]) + 1 + len(text) <= width:
            lines[-1] = f"{lines[-1]} {text}"
        else:
            lines += wrap(text, width, break_on_hyphens=False)
    return lines


def _said(column: Column, row: Row) -> tuple[str, ...]:
    unit = f" {column.unit}" if column.unit else ""
    return tuple(f"{each}{unit}" for each in texts(column, row[column.key]))


def _equations(sheet: Sheet, width: int) -> Iterator[str]:
    aside = [
        column
        for column in sheet.used
        if column.key not in (sheet.names, sheet.parts)
        and not any(isinstance(row[column.key], Expression) for row in sheet.rows)
    ]
    for part, rows in groupby(sheet.rows, key=lambda row: row[sheet.parts]):
        yield ""
        yield from wrap(sheet.headings[str(part)], width)
        for row in rows:
            more = ", ".join(
                f"{column.title.lower()} {each}" for column in aside for each in _said(column, row)
            )
            yield ""
            yield f"{plain(str(row[sheet.names]))}{f' ({more})' if more else ''} ="
            for value in row.values():
                if isinstance(value, Expression):
                    yield from map(plain, value.lines())
