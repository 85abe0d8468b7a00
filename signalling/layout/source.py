"""A user's file, from its name to TOML data.

Law of this file: bytes to text to tables, each failure one clear message. What
the tables mean is for others.
"""

from __future__ import annotations

import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from signalling.errors import Finding, Severity, UnreadableFileError
from signalling.layout.findings import Findings
from signalling.layout.place import DEEPEST

__all__ = ["LARGEST", "parse_toml", "read_text"]

LARGEST = 5_000_000
"""Bytes of the largest file that is read; ten thousand signals take about one million."""

_PLACE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)\Z")
_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate")


def read_text(file: str) -> str:
    """Return the text of a file.

    Raises ``UnreadableFileError`` when there is none: no such file, a folder, too
    large, not text in UTF-8. At most ``LARGEST`` bytes are ever read.
    """
    path = Path(file)
    content = None
    try:
        mode = path.stat().st_mode
        if stat.S_ISREG(mode):
            with path.open("rb") as stream:
                content = stream.read(LARGEST + 1)
    except FileNotFoundError:
        raise UnreadableFileError(
            file,
            "There is no such file.",
            "Correct the name, or let `signalling new` write a starter file.",
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableFileError(
            file, f"It cannot be read: {reason}.", "Name a layout file that you may read."
        ) from None
    if content is None:
        kind = "a folder" if stat.S_ISDIR(mode) else "not an ordinary file"
        raise UnreadableFileError(file, f"It is {kind}.", "Name a layout file.")
    if len(content) > LARGEST:
        raise UnreadableFileError(
            file,
            f"It has more than {LARGEST:,} bytes, and a layout file takes a few thousand.",
            "Name a layout file.",
        )
    return _decoded(file, content)


def _decoded(file: str, content: bytes) -> str:
    remedy = "Name a layout file; if it is one, save it as text in UTF-8."
    if b"\0" in content:
        raise UnreadableFileError(file, "It is not text.", remedy)
    try:
        return content.decode("utf-8-sig")  # some editors put a mark before UTF-8
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnreadableFileError(
            file, f"It is not text in UTF-8: line {line} has other bytes.", remedy
        ) from None


def parse_toml(text: str, findings: Findings) -> dict[str, Any] | None:
    """Return the tables of a TOML text, or ``None`` and one finding where it is not TOML.

    ``findings`` has the places of the text.
    """
    if findings.places.too_deep is not None:
        line, message, remedy = (
            findings.places.too_deep,
            f"Keys and lists lie more than {DEEPEST} deep within one another.",
            "Nothing in a layout does; take this out.",
        )
    else:
        try:
            return tomllib.loads(text)
        except ValueError as error:  # tomllib's own, and Python's limit on digits
            line, message, remedy = _not_toml(str(error), text)
    findings.extend(
        [
            Finding(
                severity=Severity.ERROR,
                thing="file",
                message=message,
                remedy=remedy,
                file=findings.file,
                line=line,
            )
        ]
    )
    return None


_ONE_PLACE = (
    "Rename one of the two, or put what belongs together under one heading; nothing can be added "
    "elsewhere to what stands in braces, as `{ ... }`."
)


def _not_toml(said: str, text: str) -> tuple[int, str, str]:
    """Return the line, the message and the remedy for what ``tomllib`` said."""
    place = _PLACE.search(said)
    reason = said[: place.start()] if place is not None else said
    last = text.removesuffix("\n").count("\n") + 1
    line = int(place[1]) if place is not None and place[1] else last
    if reason.startswith(_TWICE):
        return (
            line,
            "A name is given twice, or as two kinds of thing.",
            _ONE_PLACE,
        )
    return (
        line,
        f"This is not TOML: {reason[:1].lower()}{reason[1:]}.",
        "Look here and just before: text in quotes, `=` after each key, every bracket closed.",
    )
