"""A sheet as a grid, where a terminal is wide enough for it.

Law of this file: looks only; the one user of rich among the printing of tables.
"""

from __future__ import annotations

from rich import box
from rich.table import Table
from rich.text import Text

from signalling.table.sheet import Column, Sheet, texts

__all__ = ["grid", "grid_width"]


def grid_width(sheet: Sheet) -> int:
    """Return the width of the grid in which no text is broken but the headings."""
    widths = [max(map(len, _texts(sheet, column))) for column in sheet.used]
    return sum(widths) + 3 * len(widths) + 1


def _texts(sheet: Sheet, column: Column) -> list[str]:
    cells = (texts(column, row[column.key]) for row in sheet.rows)
    return [*column.heading.split(), *(text for cell in cells for text in cell)]


def grid(sheet: Sheet) -> Table:
    """Return a sheet's rows as a grid, without the columns in which nothing stands."""
    table = Table(box=box.SQUARE, show_lines=True)
    for column in sheet.used:
        table.add_column(Text(column.heading.replace(" ", "\n")), vertical="top", overflow="fold")
    for row in sheet.rows:
        table.add_row(*(Text("\n".join(texts(column, row[column.key]))) for column in sheet.used))
    return table
