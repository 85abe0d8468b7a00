"""A sheet on a terminal: a grid where it is wide enough, else one record for each row.

Law of this file: looks only. The one user of rich among the printing of tables.
"""

from __future__ import annotations

from collections.abc import Iterator
from io import StringIO
from itertools import groupby

from rich import box
from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from signalling.table.expression import Expression
from signalling.table.sheet import Column, Row, Sheet, plain, texts

__all__ = ["as_text", "print_sheet"]

WIDTH = 80
"""Columns of a text that does not go to a terminal."""


def print_sheet(sheet: Sheet, console: Console) -> None:
    """Print a sheet on a console, without the columns in which nothing stands."""
    for part in _parts(sheet, console):
        console.print(part, highlight=False, soft_wrap=isinstance(part, Text))


def as_text(sheet: Sheet) -> str:
    """Return a sheet as plain text of ``WIDTH`` columns."""
    out = StringIO()
    print_sheet(sheet, Console(file=out, width=WIDTH, color_system=None, force_terminal=False))
    return "".join(f"{line.rstrip()}\n" for line in out.getvalue().splitlines())


def _parts(sheet: Sheet, console: Console) -> Iterator[RenderableType]:
    yield Text(plain(f"{sheet.layout}: {sheet.title.lower()}"), style="bold")
    for note in sheet.notes:
        yield _wrapped(note)
    if any(isinstance(value, Expression) for row in sheet.rows for value in row.values()):
        yield from _equations(sheet)
        return
    if _width(sheet) <= console.width:
        yield Text()
        yield _grid(sheet)
    else:
        yield from _records(sheet, console.width)


def _wrapped(text: str) -> Table:
    """Return a text that is broken over lines between words."""
    lines = Table.grid()
    lines.add_row(Text(plain(text)))
    return lines


def _width(sheet: Sheet) -> int:
    """Return the width of the grid in which no text is broken but the headings."""
    widths = [
        max(
            cell_len(text)
            for said in (
                column.heading.split(),
                *(texts(column, row[column.key]) for row in sheet.rows),
            )
            for text in said
        )
        for column in sheet.used
    ]
    return sum(widths) + 3 * len(widths) + 1


def _grid(sheet: Sheet) -> Table:
    grid = Table(box=box.SQUARE, show_lines=True)
    for column in sheet.used:
        grid.add_column(Text(column.heading.replace(" ", "\n")), vertical="top", overflow="fold")
    for row in sheet.rows:
        grid.add_row(*(Text("\n".join(texts(column, row[column.key]))) for column in sheet.used))
    return grid


def _records(sheet: Sheet, width: int) -> Iterator[RenderableType]:
    labels = 2 + max((len(column.title) for column in sheet.used), default=0)
    for row in sheet.rows:
        yield Text()
        yield Text("".join(texts(_named(sheet), row[sheet.names])), style="bold")
        record = Table.grid(padding=(0, 2, 0, 0))
        record.add_column(width=labels)
        record.add_column(overflow="fold")
        for column in sheet.used:
            said = texts(column, row[column.key])
            if said and column.key != sheet.names:
                lines = _filled(_with_unit(column, said), width - labels - 2)
                record.add_row(Text(f"  {column.title}"), Text("\n".join(lines)))
        yield record


def _filled(said: tuple[str, ...], width: int) -> list[str]:
    """Return texts one after the other, broken over lines between them."""
    lines = [""]
    for index, each in enumerate(said):
        text = each if index == len(said) - 1 else f"{each},"
        if lines[-1] and cell_len(f"{lines[-1]} {text}") > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {text}".lstrip()
    return lines


def _named(sheet: Sheet) -> Column:
    return next(column for column in sheet.columns if column.key == sheet.names)


def _with_unit(column: Column, said: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"{each} {column.unit}" if column.unit else each for each in said)


def _equations(sheet: Sheet) -> Iterator[RenderableType]:
    for part, rows in groupby(sheet.rows, key=lambda row: row[sheet.parts]):
        yield Text()
        yield _wrapped(sheet.headings[str(part)])
        for row in rows:
            yield Text()
            yield Text.assemble((plain(str(row[sheet.names])), "bold"), _aside(sheet, row), " =")
            for value in row.values():
                if isinstance(value, Expression):
                    yield Text("\n".join(plain(line) for line in value.lines()))


def _aside(sheet: Sheet, row: Row) -> str:
    """Return what stands in the other columns, in brackets."""
    said = [
        f"{column.title.lower()} {each}"
        for column in sheet.used
        if column.key not in (sheet.names, sheet.parts)
        and not isinstance(row[column.key], Expression)
        for each in _with_unit(column, texts(column, row[column.key]))
    ]
    return f" ({', '.join(said)})" if said else ""
