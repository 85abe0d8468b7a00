"""Where things stand in the user's TOML file: from its text to the line of each key.

Law of this file: it locates and never judges. ``tomllib`` says whether a text
is TOML and what it means; this scanner only tells on which line each key path
is first named. It is lenient: on any text at all it ends, raises nothing and
tells what it could make out.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping

from attrs import frozen

__all__ = ["DEEPEST", "KeyPath", "Places", "locate"]

KeyPath = tuple[str | int, ...]
"""Keys, and positions in lists from 0, from the top of the file."""

DEEPEST = 32
"""Keys and lists within one another; beyond this nothing is located."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_LINE = re.compile(r"[^\n]*")
_BARE = r"[A-Za-z0-9_-]+"
_ONE_LINE = r'"(?:\\.|[^"\\\n])*"' + r"|'[^'\n]*'"
_KEY = re.compile(rf"[ \t]*({_BARE}|{_ONE_LINE})[ \t]*(\.)?")
_HEADER = re.compile(r"\[[ \t]*\[|\[")
_VALUE = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:""?)?' + rf"|'''.*?'''(?:''?)?|{_ONE_LINE}" + r"|[^\n,\]}#]+",
    re.DOTALL,
)


@frozen
class Places:
    """The lines of a file's keys."""

    lines: Mapping[KeyPath, int]
    """Line, from 1, on which each key path is first named."""
    too_deep: int | None = None
    """The first line on which things lie deeper within one another than ``DEEPEST``, if any."""

    def line(self, path: KeyPath) -> int | None:
        """Return the line of a path, or else of the nearest thing around it; ``None`` for none."""
        for end in range(len(path), 0, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return None


def locate(text: str) -> Places:
    """Return the lines of everything that a TOML text names."""
    scanner = _Scanner(text)
    scanner.file()
    return Places(scanner.lines, scanner.too_deep)


class _Scanner:
    """One pass over a text; ``at`` only ever grows."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.too_deep: int | None = None
        self._line = 1
        self._counted = 0
        self._last_of: dict[KeyPath, int] = {}
        """Position of the last table of each array of tables."""

    def file(self) -> None:
        table: KeyPath = ()
        text = self.text
        self._pass(_BLANK)
        while self.at < len(text):
            if text[self.at] == "[":
                table = self._header()
            elif (path := self._key(table)) and text.startswith("=", self.at):
                self.at += 1
                self._value(path)
            self._pass(_LINE)  # what is left is a comment, or not TOML
            self._pass(_BLANK)

    def _pass(self, pattern: re.Pattern[str]) -> None:
        """Step over what a pattern matches, which may be nothing."""
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def _note(self, path: KeyPath) -> None:
        """Note the line that the scanner stands on, unless the path was named before."""
        if path not in self.lines:
            self._line += self.text.count("\n", self._counted, self.at)
            self._counted = self.at
            self.lines[path] = self._line

    def _within(self, path: KeyPath) -> bool:
        """Return whether there is room for one more step within a path."""
        if len(path) < DEEPEST:
            return True
        if self.too_deep is None:
            self.too_deep = self._line + self.text.count("\n", self._counted, self.at)
        return False

    def _keys(self) -> Iterator[str]:
        """Yield the parts of a dotted key, stepping over each."""
        more = True
        while more and (match := _KEY.match(self.text, self.at)) is not None:
            yield _plain(match[1])
            self.at = match.end()
            more = match[2] is not None

    def _header(self) -> KeyPath:
        opening = _HEADER.match(self.text, self.at)
        double = opening is not None and opening[0] != "["
        path: KeyPath = ()
        self._pass(_HEADER)
        for key in self._keys():
            if path in self._last_of:
                path = (*path, self._last_of[path])
            if not self._within(path):
                return path
            path = (*path, key)
            self._note(path)
        if double and path:
            self._last_of[path] = self._last_of.get(path, -1) + 1
        if path in self._last_of:
            path = (*path, self._last_of[path])
            self._note(path)
        return path

    def _key(self, table: KeyPath) -> KeyPath | None:
        """Step over a key and return its path; ``None`` where there is none."""
        path = table
        for key in self._keys():
            if not self._within(path):
                return None
            path = (*path, key)
            self._note(path)
        return path if path != table else None

    def _value(self, path: KeyPath) -> None:
        self._pass(_SPACE)
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self._list(path)
        elif opening == "{":
            self._inline_table(path)
        else:
            self._pass(_VALUE)

    def _list(self, path: KeyPath) -> None:
        self.at += 1
        for index, _ in enumerate(self._items("]")):
            if not self._within(path):
                return
            self._note((*path, index))
            self._value((*path, index))

    def _inline_table(self, path: KeyPath) -> None:
        self.at += 1
        for _ in self._items("}"):
            key = self._key(path)
            if key is None:
                return
            self._pass(_BLANK)
            if self.text.startswith("=", self.at):
                self.at += 1
                self._pass(_BLANK)
                self._value(key)

    def _items(self, closing: str) -> Iterator[None]:
        """Yield at each item of a list or an inline table; end beyond its closing bracket."""
        while True:
            self._pass(_BLANK)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == closing:
                self.at += 1
                return
            before = self.at
            yield
            self._pass(_BLANK)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif self.at == before:  # neither an item nor an end: not TOML
                return


def _plain(key: str) -> str:
    """Return what a key says without its quotes and escapes."""
    if key[0] not in "\"'":
        return key
    try:
        plain: str = tomllib.loads(f"key = {key}")["key"]
    except tomllib.TOMLDecodeError:
        return key
    return plain
