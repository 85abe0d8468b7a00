"""The neutral form of a table, and what programs read of it."""

from __future__ import annotations

import csv
import json
from io import StringIO

import pytest

from signalling.table.expression import Expression
from signalling.table.sheet import Column, Row, Sheet, Value, as_csv, as_json, plain, texts


def column(key: str, **options: str) -> Column:
    return Column(key=key, title=key.capitalize(), sentence="It is so.", **options)


def sheet(columns: tuple[Column, ...], *rows: Row) -> Sheet:
    return Sheet(
        kind="kind",
        layout="Layout",
        practice="practice",
        title="Title",
        notes=(),
        columns=columns,
        names=columns[0].key,
        parts=columns[0].key,
        headings={},
        rows=rows,
    )


NAME, MANY, TIME = column("name"), column("many"), column("time", unit="s")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (None, ()),
        (False, ()),
        (True, ("yes",)),
        ("text", ("text",)),
        (2.0, ("2",)),
        (0.0, ("0",)),
        (2.25, ("2.25",)),
        (("a", "b"), ("a", "b")),
        ((5.0, 7.5), ("5", "7.5")),
        ((), ()),
        ({"a": "b", "c": "d"}, ("a: b", "c: d")),
        (Expression("a", inverted=True), ("not a",)),
    ],
)
def test_what_a_reader_sees(value: Value | None, said: tuple[str, ...]) -> None:
    assert texts(NAME, value) == said


def test_a_column_says_what_joins_its_pairs() -> None:
    assert texts(column("to", between=" "), {"signal": "A"}) == ("signal A",)


def test_nothing_steers_a_terminal() -> None:
    assert plain("a\x1b[31mb\n\u202ec\x9b") == "a\ufffd[31mb\ufffd\ufffdc\ufffd"
    assert plain("Möwe 1") == "Möwe 1"
    for value in ("\x1b", ("\x1b",), {"\x1b": "x"}, Expression("\x1b")):
        assert "\x1b" not in "".join(texts(NAME, value))


def test_columns_in_which_nothing_stands_are_not_used() -> None:
    row = {"name": "a", "many": (), "time": None}
    assert sheet((NAME, MANY, TIME), row).used == (NAME,)
    assert sheet((NAME, MANY, TIME), row, {**row, "time": 0.0}).used == (NAME, TIME)
    assert sheet((NAME,)).used == ()


def test_csv_has_every_column_and_reads_back() -> None:
    rows: tuple[Row, ...] = (
        {"name": 'a "quoted", one', "many": ("x", "y"), "time": 1.5},
        {"name": "two", "many": (), "time": None},
    )
    text = as_csv(sheet((NAME, MANY, TIME), *rows))
    assert "\r" not in text
    assert list(csv.reader(StringIO(text))) == [
        ["Name", "Many", "Time (s)"],
        ['a "quoted", one', "x; y", "1.5"],
        ["two", "", ""],
    ]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x"])
def test_a_spreadsheet_takes_no_cell_for_a_formula(text: str) -> None:
    written = as_csv(sheet((NAME,), {"name": text}))
    assert list(csv.reader(StringIO(written)))[1] == [f"'{text}"]


def test_json_has_every_column_with_plain_values() -> None:
    row = {"name": "a\x1b", "many": ("x", "y"), "time": None, "pairs": {"k": "v"}, "ok": False}
    columns = (NAME, MANY, TIME, column("pairs"), column("ok"))
    text = as_json(sheet(columns, row))
    assert "\x1b" not in text
    read = json.loads(text)
    assert {key: read[key] for key in ("kind", "layout", "practice")} == {
        "kind": "kind",
        "layout": "Layout",
        "practice": "practice",
    }
    assert read["columns"][2] == {"key": "time", "title": "Time", "unit": "s"}
    assert read["rows"] == [
        {"name": "a\x1b", "many": ["x", "y"], "time": None, "pairs": {"k": "v"}, "ok": False}
    ]
