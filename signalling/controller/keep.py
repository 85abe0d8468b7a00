"""What is out of use, kept in a file over the end of the program.

Law of this file: one small JSON file, read before anything is ordered, and
replaced as a whole, so that whatever happens it has the old record or the new
one. A file that is not plainly right stops the start: what somebody took out of
use must not come back into use by itself. The time of day is for people to
read, and nothing goes by it.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from attrs import field, frozen

from signalling.core.interlocking import Interlocking
from signalling.core.words import Refusal, TakeOut
from signalling.errors import Finding, LayoutError, Severity, UnreadableFileError
from signalling.layout.out_of_use import Thing
from signalling.table.table import Table

__all__ = ["Keeper", "beside", "wall_time"]

_LARGEST = 2_000_000
"""Bytes of the largest file that is read; the longest record takes some 600."""
_VERSION = 1
_KEYS = ("kind", "name", "person", "reason", "since")
_MENDED = (
    "Go and see what is out of use, correct the file by that, and start again. Delete it only if "
    "nothing is."
)


def beside(layout: str | os.PathLike[str]) -> Path:
    """Return the file for a layout file: ``NAME.out-of-use.json`` beside it."""
    path = Path(layout)
    return path.with_name(f"{path.stem}.out-of-use.json")


def wall_time() -> str:
    """Return the date and the time of day where we are, for people to read (ISO 8601)."""
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")


@frozen
class Keeper:
    """Keeps what is out of use of one layout in one file."""

    path: Path = field(converter=Path)
    table: Table
    _ours: set[bytes] = field(init=False, eq=False, factory=set)
    """What the file can have in it unless somebody else has written it since."""

    def load(self, interlocking: Interlocking) -> None:
        """Take out of use what the file has; where there is none, that is nothing.

        Raises ``UnreadableFileError`` or, with all that is wrong, ``LayoutError``.
        """
        content = self._content()
        if content is None:
            return
        self._ours.add(content)
        text = self._text(content)
        findings = []
        for number, (line, record) in enumerate(self._records(text), 1):
            wrong = self._take(record, interlocking)
            if wrong is not None:
                findings.append(self._finding(f"record {number}", *wrong, line=line))
        if findings:
            raise LayoutError(findings)

    def save(self, records: tuple[TakeOut, ...]) -> str:
        """Write these records; return what went wrong, with a remedy, or nothing.

        When this returns nothing, they are on the disk. What somebody else has
        written there meanwhile is never written over: a second program that runs
        this layout would make what one has kept come back into use by itself.
        """
        lines = ",\n    ".join(
            json.dumps({key: str(getattr(record, key)) for key in _KEYS}, ensure_ascii=False)
            for record in records
        )
        text = (
            f'{{\n  "version": {_VERSION},\n  "layout": {json.dumps(self._layout)},\n'
            f'  "out_of_use": [{f"{chr(10)}    {lines}{chr(10)}  " if lines else ""}]\n}}\n'
        )
        content = text.encode()
        try:
            there = self._content()
        except UnreadableFileError as error:
            return str(error)
        if there is not None and there not in self._ours:
            return (
                f"{self.path} was written by somebody else since it was read here. If two programs "
                "run this layout, end one; bring the file up to date by what is out of use, and "
                "start again."
            )
        # Of a writing that fails, nobody knows how far it came.
        self._ours.add(content)
        try:
            # Where the name is a link, what it leads to is replaced.
            _replace(self.path.resolve(), content)
        except OSError as error:
            return (
                f"{self.path} cannot be written ({error.strerror or error}). Make room or give "
                "leave to write there, then ask again."
            )
        self._ours.intersection_update({content})
        return ""

    @property
    def _layout(self) -> str:
        return self.table.layout.settings.name

    def _content(self) -> bytes | None:
        """Return what the file has, if it is there. Raises ``UnreadableFileError``."""
        try:
            with self.path.open("rb") as stream:
                content = stream.read(_LARGEST + 1)
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise UnreadableFileError(
                str(self.path),
                f"What is out of use is kept there, and it cannot be read: {reason}.",
                "Give leave to read it, or name another file with --state.",
            ) from None
        if len(content) > _LARGEST:
            raise UnreadableFileError(
                str(self.path), f"It has more than {_LARGEST:,} bytes.", _MENDED
            )
        return content

    def _text(self, content: bytes) -> str:
        try:
            return content.decode()
        except UnicodeDecodeError:
            raise UnreadableFileError(str(self.path), "It is not text in UTF-8.", _MENDED) from None

    def _records(self, text: str) -> Iterator[tuple[int | None, Any]]:
        """Yield each record with its line; raises ``LayoutError`` where the file is none."""
        try:
            said = json.loads(text, object_pairs_hook=_no_key_twice)
        except (ValueError, RecursionError) as error:
            line = getattr(error, "lineno", None)
            what = str(getattr(error, "msg", "") or error).rstrip(".")
            raise self._wrong(f"This is not JSON that was written here: {what}.", line) from None
        if not isinstance(said, dict) or set(said) != {"version", "layout", "out_of_use"}:
            raise self._wrong('It has not just the keys "version", "layout" and "out_of_use".')
        if said["version"] != _VERSION or isinstance(said["version"], bool):
            raise self._wrong(f"It is of version {said['version']!r}, and this is {_VERSION}.")
        if said["layout"] != self._layout:
            raise self._wrong(
                f"It was kept for the layout {said['layout']!r}, and this one is {self._layout!r}."
            )
        records = said["out_of_use"]
        if not isinstance(records, list):
            raise self._wrong('"out_of_use" is not a list.')
        # They are written one a line; edited by hand they need not be.
        lines = [number for number, line in enumerate(text.split("\n"), 1) if '"kind"' in line]
        places = lines if len(lines) == len(records) else [None] * len(records)
        yield from zip(places, records, strict=True)

    def _take(self, record: Any, interlocking: Interlocking) -> tuple[str, str] | None:
        """Take one record; return what is wrong with it, and the remedy, or ``None``."""
        if not isinstance(record, dict) or set(record) != set(_KEYS):
            return f"It has not just the keys {', '.join(_KEYS)}.", _MENDED
        if not all(isinstance(value, str) for value in record.values()):
            return "Not every value is text.", _MENDED
        if record["kind"] not in set(Thing):
            return f"{record['kind']!r} is none of {', '.join(Thing)}.", _MENDED
        request = TakeOut(**record)
        key = (request.kind, request.name, request.person)
        if key in [(each.kind, each.name, each.person) for each in interlocking.out_of_use]:
            thing = f"{request.kind} {request.name}"
            return f"{request.person} took {thing} out of use twice.", "Take one out of the file."
        answer = interlocking.request(request, 0)
        if not isinstance(answer, Refusal):
            return None
        remedy = (
            "Where it has another name in the layout file now, write that name here; where it is "
            "gone for good, take the record out of this file."
        )
        return f"{answer.reason} ({request.person!r} said: {request.reason!r}.)", remedy

    def _finding(self, thing: str, message: str, remedy: str, line: int | None) -> Finding:
        return Finding(
            severity=Severity.ERROR,
            thing=f"out of use, {thing}",
            message=message,
            remedy=remedy,
            file=str(self.path),
            line=line,
        )

    def _wrong(self, message: str, line: int | None = None) -> LayoutError:
        return LayoutError([self._finding("the record", message, _MENDED, line)])


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is there twice")
    return found


def _replace(path: Path, content: bytes) -> None:
    """Let a file have this content, on the disk and as a whole, or raise ``OSError``."""
    new = path.with_name(f"{path.name}.new")
    try:
        with new.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        new.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            new.unlink()
        raise
    if hasattr(os, "O_DIRECTORY"):  # else the system has no way to say it
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
