"""The reference page of the layout file says what the classes say, all of it."""

from __future__ import annotations

from pathlib import Path

import attrs
import pytest

from signalling.layout import model
from signalling.layout.model import Layout
from signalling.layout.reference import filled
from signalling.layout.words import KINDS

PAGE = (Path(__file__).parents[2] / "docs" / "layout-file.md").read_text("utf-8")
CLASSES = [
    value
    for value in vars(model).values()
    if isinstance(value, type) and attrs.has(value) and value.__module__ == model.__name__
]


def table(name: str) -> list[list[str]]:
    """Return the cells of a table of the page, without its heading."""
    text = PAGE.partition(f"<!-- {name} -->")[2].partition("<!-- end -->")[0]
    lines = [line for line in text.splitlines() if line]
    return [[cell.strip() for cell in line[1:-1].split(" | ")] for line in lines[2:]]


def test_the_page_is_up_to_date() -> None:
    assert filled(PAGE, Layout) == PAGE, "write it again: make schema"


@pytest.mark.parametrize("cls", CLASSES, ids=lambda cls: cls.__name__)
def test_every_key_stands_with_its_sentence(cls: type[attrs.AttrsInstance]) -> None:
    rows = {cells[0]: cells[3] for cells in table(f"keys of {cls.__name__}")}
    for each in attrs.fields(cls):
        key = each.metadata["key"] or each.name
        assert rows.pop(f"`{key}`").startswith(each.metadata["sentence"])
    assert rows == {}


def test_every_kind_of_device_stands_with_its_words() -> None:
    rows = {cells[0].strip("`"): cells for cells in table("kinds of device")}
    assert rows.keys() == KINDS.keys()
    for kind in KINDS.values():
        for word in (*kind.reports, *kind.orders):
            assert f"`{word}`" in "".join(rows[kind.name][1:3])


@pytest.mark.parametrize(
    ("key", "cells"),
    [
        ("at", ["`at`", "text", "required"]),
        ("aspects", ["`aspects`", "whole number, 2 or more", "`3`"]),
        ("hidden", ["`hidden`", "list of numbers above 0, or `true` or `false`", ""]),
        ("routes", ["`routes`", "tables by name", ""]),
        ("lamps_proved", ["`lamps_proved`", "`true` or `false`", "`false`"]),
    ],
)
def test_a_key_stands_with_its_kind_and_default(key: str, cells: list[str]) -> None:
    (row,) = (row for row in table("keys of Signal") if row[0] == f"`{key}`")
    assert row[:3] == cells


@pytest.mark.parametrize(
    "page", [PAGE.replace("keys of Stop ", "keys of Stops "), PAGE.partition("## `[stops]`")[0]]
)
def test_a_page_without_a_place_for_each_class_is_refused(page: str) -> None:
    with pytest.raises(ValueError, match="keys of Stop"):
        filled(page, Layout)
