"""Places in a TOML file, against tomllib and against a writer that knows its own lines."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from signalling.layout.place import DEEPEST, locate

KEYS = st.sampled_from(["a", "b", "signals", "M1", "at", "x-y", "1", "d 2", "é", 'q"', "a.b", "="])
SCALARS = st.sampled_from(
    [
        "1",
        "0x1F",
        "1.5e3",
        "inf",
        "true",
        '"plain"',
        '"# no comment"',
        '"[not.a.header]"',
        r'"\"quoted\" \\"',
        "'literal \\'",
        "'[x]'",
        "1979-05-27 07:32:00",
        "1979-05-27T07:32:00Z",
        '""',
        '""""""',
        '"""\none\n[two]\nthree = 4\n"""',
        '"""a \\\n   b"""',
        '"""""quoted"""""',
        "'''\nx = \"\"\"\n]\n'''",
        "'''''quoted'''''",
    ]
)
PADDING = st.sampled_from(["", "", " ", "\t", "  "])
BLANK = st.sampled_from(["", "", "\n", " # comment ] } = [a]\n", "\n\n\t"])


class Writer:
    """Writes a random TOML text and notes the line on which each key path is first named."""

    def __init__(self, draw: Any) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[tuple[str | int, ...], int] = {}

    def put(self, text: str) -> None:
        self.text += text

    def pad(self) -> None:
        self.put(self.draw(PADDING))

    def note(self, path: tuple[str | int, ...]) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def key(self, key: str) -> None:
        bare = all(sign.isascii() and (sign.isalnum() or sign in "_-") for sign in key)
        style = self.draw(st.sampled_from(["bare", "basic", "literal"]))
        if style == "bare" and bare:
            self.put(key)
        elif style == "literal":
            self.put(f"'{key}'")
        else:
            self.put(json.dumps(key, ensure_ascii=self.draw(st.booleans())))

    def end_line(self) -> None:
        self.put(self.draw(st.sampled_from(["\n", " # said\n", "\t\n\n", "\r\n"])))

    def value(self, path: tuple[str | int, ...], depth: int) -> None:
        kind = self.draw(st.sampled_from(["scalar", "scalar", "list", "table"]))
        if kind == "scalar" or depth == 0:
            self.put(self.draw(SCALARS))
        elif kind == "list":
            self.put("[")
            for index in range(self.draw(st.integers(0, 3))):
                if index:
                    self.put(",")
                self.put(self.draw(BLANK))
                self.note((*path, index))
                self.value((*path, index), depth - 1)
                self.put(self.draw(BLANK))
            self.put("]")
        else:
            self.put("{")
            for index, key in enumerate(self.draw(st.lists(KEYS, max_size=3, unique=True))):
                if index:
                    self.put(",")
                self.key_value((*path, key), depth - 1)
                self.pad()
            self.put("}")

    def key_value(self, path: tuple[str | int, ...], depth: int) -> None:
        self.pad()
        self.note(path)
        self.key(str(path[-1]))
        self.pad()
        while depth and self.draw(st.booleans()) and self.draw(st.booleans()):  # a dotted key
            path = (*path, self.draw(KEYS))
            self.put(".")
            self.pad()
            self.note(path)
            self.key(str(path[-1]))
            self.pad()
        self.put("=")
        self.pad()
        self.value(path, depth)

    def body(self, path: tuple[str | int, ...], taken: set[str]) -> None:
        for key in self.draw(st.lists(KEYS, max_size=3, unique=True)):
            if key not in taken:
                taken.add(key)
                self.put(self.draw(BLANK))
                self.key_value((*path, key), 2)
                self.end_line()

    def header(self, path: tuple[str | int, ...], *, double: bool) -> None:
        """Write a header; positions within arrays of tables are not written."""
        self.put(self.draw(BLANK))
        self.pad()
        self.put("[[" if double else "[")
        names = [at for at, key in enumerate(path) if isinstance(key, str)]
        for count, at in enumerate(names):
            if count:
                self.put(".")
            self.pad()
            self.note(path[: at + 1])
            self.key(str(path[at]))
            self.pad()
        self.put("]]" if double else "]")
        self.end_line()

    def tables(self, path: tuple[str | int, ...], taken: set[str], depth: int) -> None:
        for key in self.draw(st.lists(KEYS, max_size=2, unique=True)):
            if key in taken:
                continue
            inner: tuple[str | int, ...] = (*path, key)
            if self.draw(st.booleans()):
                self.header(inner, double=False)
                self.rest(inner, depth)
                continue
            for index in range(self.draw(st.integers(1, 2))):
                self.header(inner, double=True)
                self.lines[(*inner, index)] = self.text[: self.text.rindex("]]")].count("\n") + 1
                self.rest((*inner, index), depth)

    def rest(self, path: tuple[str | int, ...], depth: int) -> None:
        taken: set[str] = set()
        self.body(path, taken)
        if depth:
            self.tables(path, taken, depth - 1)


@st.composite
def documents(draw: Any) -> tuple[str, dict[tuple[str | int, ...], int]]:
    writer = Writer(draw)
    writer.rest((), 2)
    return writer.text, writer.lines


def paths_of(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, each in inner:
        yield (*path, key)
        if isinstance(each, dict | list):
            yield from paths_of(each, (*path, key))


@given(documents())
def test_every_key_path_of_a_document_is_located(
    document: tuple[str, dict[tuple[str | int, ...], int]],
) -> None:
    text, lines = document
    found = locate(text)
    assert set(found.lines) == set(paths_of(tomllib.loads(text)))
    assert found.lines == lines
    assert found.too_deep is None


@given(st.text() | st.text('[]{}=,."\'#\\\n\r \tab1"""'))
@example('"')
@example("[[[")
@example("a = [[[")
@example("a = {b = {c")
@example('a = """')
@example("[a\n= 1")
@example('"\\ud800" = 1')
def test_any_text_at_all_is_scanned_to_an_end(text: str) -> None:
    found = locate(text)
    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in found.lines.values())


@given(st.text("[]{}=,.\"'#\\\n ab1", max_size=30))
def test_whatever_is_toml_by_chance_is_located(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(locate(text).lines) >= set(paths_of(data))


def test_a_line_is_the_nearest_that_is_known() -> None:
    found = locate("[signals]\n\nM1 = { at = 'a > b' }\n")
    assert found.line(("signals", "M1", "at")) == 3
    assert found.line(("signals", "M1", "aspects")) == 3
    assert found.line(("signals", "M2", "aspects")) == 1
    assert found.line(("stops",)) is None


@pytest.mark.parametrize(
    "text",
    [
        "x = 1\ny = " + "[" * (DEEPEST + 1),
        "x = 1\ny = " + "[" * 200_000,
        "x = 1\n" + "a." * 200_000 + "b = 1",
        "x = 1\n[" + "a." * 200_000 + "b]",
        "x = 1\ny = " + "{a = " * 200_000,
    ],
    ids=["just", "lists", "dotted key", "header", "inline tables"],
)
def test_what_lies_too_deep_is_given_up_at_once(text: str) -> None:
    assert locate(text).too_deep == 2


def test_as_deep_as_allowed_is_located() -> None:
    text = "a = " + "[" * (DEEPEST - 1) + "1" + "]" * (DEEPEST - 1)
    found = locate(text)
    assert found.too_deep is None
    assert set(found.lines) == set(paths_of(tomllib.loads(text)))
