"""Plain text: whole, readable at any width, and the same wherever it is printed."""

from __future__ import annotations

import pytest
from attrs import evolve

from signalling.table.equations import equations
from signalling.table.load import load_table
from signalling.table.present import control_table
from signalling.table.sheet import texts
from signalling.table.sheet_text import as_text
from tests.golden.__main__ import LAYOUTS
from tests.rig import chain_text, table_from


@pytest.mark.parametrize("width", [50, 80, 120, 500])
def test_every_cell_is_there_within_the_width(width: int) -> None:
    for layout in LAYOUTS:
        sheet = control_table(load_table(layout))
        text = as_text(sheet, width)
        assert max(map(len, text.splitlines())) <= width
        words = text.split()
        for row in sheet.rows:
            for column in sheet.columns:
                for said in texts(column, row[column.key]):
                    for word in said.split():
                        assert word in words or f"{word}," in words


def test_texts_of_a_cell_are_broken_between_them() -> None:
    text = as_text(control_table(table_from(chain_text([4, 4]))), 60)
    assert (
        "  Aspect by what is ahead  danger: caution,\n"
        "                           caution: preliminary-caution,\n"
    ) in text


def test_a_text_without_room_is_broken_within_words() -> None:
    sheet = control_table(table_from(chain_text([4, 4])))
    assert max(map(len, as_text(sheet, 12).splitlines())) < 40


def test_no_line_ends_in_spaces() -> None:
    for sheet in (control_table(load_table(LAYOUTS[-1])), equations(load_table(LAYOUTS[-1]))):
        text = as_text(sheet)
        assert text.endswith("\n")
        assert all(line == line.rstrip() for line in text.splitlines())


def test_a_sheet_without_rows_has_its_heading() -> None:
    sheet = evolve(control_table(table_from(chain_text([3]))), rows=(), notes=())
    assert as_text(sheet) == "Chain: control table\n"
