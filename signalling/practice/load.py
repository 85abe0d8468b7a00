"""A practice by its name: shipped with the library, or a file beside the layout.

Law of this file: from a name to a ``Practice`` that keeps every rule of
``rules``, or to one error with all the mistakes. Which practices are shipped
is which ``.toml`` files stand beside this one.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from signalling.errors import Finding, LayoutError, Severity
from signalling.layout.place import locate
from signalling.layout.shape import KeyPath, ShapeError, structure
from signalling.practice.rules import Mistake, mistakes
from signalling.practice.schema import Practice

__all__ = ["load_practice", "read_practice", "shipped"]

SUFFIX = ".toml"
LARGEST = 1_000_000
"""Bytes. A practice file takes a few thousand."""


@cache
def shipped() -> tuple[str, ...]:
    """Return the names of the practices that come with the library."""
    return tuple(sorted(path.stem for path in Path(__file__).parent.glob(f"*{SUFFIX}")))


def load_practice(name: str, folder: str | Path = ".") -> Practice:
    """Return the practice of that name.

    ``name`` is a shipped practice's, such as ``uk``, or the path of a practice file,
    ending in ``.toml``, from ``folder``: the one that the layout file is in.

    Raises ``LayoutError`` with every mistake of the file. Where ``name`` itself is the
    mistake (there is no such practice, or the file cannot be read), the one finding has
    an empty ``file``, since only the caller knows where the name is written.
    """
    if name.endswith(SUFFIX):
        path = Path(folder) / name
        return read_practice(_text(path, name), str(path))
    if name not in shipped():
        known = f"Write one of {', '.join(shipped())}, or the path of a practice file of your own"
        raise _unusable(name, "There is no such practice.", f"{known}, ending in '{SUFFIX}'.")
    return _shipped(name)


@cache
def _shipped(name: str) -> Practice:
    path = Path(__file__).parent / f"{name}{SUFFIX}"
    return read_practice(path.read_text("utf-8"), str(path))


def read_practice(text: str, file: str) -> Practice:
    """Return the practice that a TOML text describes; ``file`` is what findings call it.

    Raises ``LayoutError`` with every mistake of the text.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise LayoutError([_not_toml(error, text, file)]) from None
    try:
        practice = structure(data, Practice)
    except ShapeError as error:
        found = [
            Mistake(misfit.path, _thing(misfit.path, data), misfit.reason, misfit.remedy)
            for misfit in error.misfits
        ]
    else:
        found = list(mistakes(practice))
        if not found:
            return practice
    places = locate(text)
    raise LayoutError(
        Finding(
            severity=Severity.ERROR,
            thing=mistake.thing,
            message=mistake.message,
            remedy=mistake.remedy,
            file=file,
            line=places.line(mistake.path),
        )
        for mistake in found
    )


def _thing(path: KeyPath, data: dict[str, Any]) -> str:
    match path:
        case ("heads", str(name), *_):
            return f"head {name}"
        case ("indicators", str(name), *_):
            return f"indicator {name}"
        case ("aspects", int(index), *_):
            aspect = data["aspects"][index]
            given = aspect.get("name") if isinstance(aspect, dict) else None
            return f"aspect {given}" if isinstance(given, str) else f"aspect number {index + 1}"
    return "practice"


def _not_toml(error: Exception, text: str, file: str) -> Finding:
    """Say what ``tomllib`` said; its line is only in its text."""
    reason, _, place = str(error).partition(" (at ")
    line = re.match(r"line (\d+)", place)
    return Finding(
        severity=Severity.ERROR,
        thing="practice",
        message=f"The file is not TOML: {reason}.",
        remedy="Correct it there, or on the line before.",
        file=file,
        line=int(line[1]) if line else text.count("\n") + 1,
    )


def _text(path: Path, name: str) -> str:
    try:
        size = path.stat().st_size
        if size > LARGEST:
            reason = f"The file {path} has {size} bytes; a practice file takes a few thousand."
        else:
            return path.read_text("utf-8")
    except OSError as error:
        reason = f"The file {path} cannot be read: {error.strerror}."
    except ValueError:
        reason = f"The file {path} is not a text in UTF-8."
    raise _unusable(
        name,
        reason,
        "Name a practice file by its path from the layout file, or one of the shipped: "
        f"{', '.join(shipped())}.",
    )


def _unusable(name: str, reason: str, remedy: str) -> LayoutError:
    return LayoutError(
        [
            Finding(
                severity=Severity.ERROR,
                thing=f"practice {name}",
                message=reason,
                remedy=remedy,
            )
        ]
    )
