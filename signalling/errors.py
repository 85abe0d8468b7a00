"""Every error the library raises, by whose fault it is.

Law of this file: one root; a class for each situation that a caller would
handle differently; the facts in fields; the text built here and nowhere else.
Each class is also the built-in kind that fits, so that ``except ValueError``
and ``except ConnectionError`` do what a reader expects.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from attrs import field, frozen

__all__ = [
    "ConfigurationError",
    "EquationError",
    "Finding",
    "LayoutError",
    "LinkError",
    "RejectedInputError",
    "Severity",
    "SignallingError",
    "UnreadableFileError",
]


class Severity(StrEnum):
    """How much a finding matters."""

    ERROR = "error"
    """The file cannot be used as it stands."""
    WARNING = "warning"
    """It can be used, and will probably not do what its author wants."""
    NOTE = "note"
    """Worth knowing."""


@frozen(kw_only=True)
class Finding:
    """One thing to say about a user's file: where, what, why, and what to do."""

    severity: Severity
    thing: str
    """What it is about, in the file's own words, such as ``signal M2``."""
    message: str
    """What is wrong, as a sentence."""
    remedy: str
    """What to do about it, as a sentence."""
    file: str = ""
    """The file as the user named it."""
    line: int | None = None
    """Line in the file, from 1; ``None`` where no line can be named."""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line is not None else self.file
        return f"{place}: {self.severity}: {self.thing}: {self.message} {self.remedy}".strip()

    def as_json(self) -> dict[str, Any]:
        """Return the finding in the stable shape of ``signalling check --json``."""
        return {
            "severity": str(self.severity),
            "file": self.file,
            "line": self.line,
            "thing": self.thing,
            "message": self.message,
            "remedy": self.remedy,
        }


class SignallingError(Exception):
    """Root of every error that this library raises on purpose."""


class UnreadableFileError(SignallingError, OSError):
    """The user's file could not be read at all: absent, a folder, not text, too large."""

    def __init__(self, file: str, reason: str, remedy: str) -> None:
        super().__init__(f"{file}: {reason} {remedy}")
        self.file = file
        self.reason = reason
        self.remedy = remedy


class LayoutError(SignallingError, ValueError):
    """The user's file was read and has mistakes; ``findings`` holds all of them."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class EquationError(SignallingError, ValueError):
    """The control table cannot be turned into equations, such as for a cycle."""


class ConfigurationError(SignallingError, ValueError):
    """A transport was set up wrongly. Trying again will not help."""

    def __init__(self, thing: str, reason: str, remedy: str) -> None:
        super().__init__(f"{thing}: {reason} {remedy}")
        self.thing = thing
        self.reason = reason
        self.remedy = remedy


class LinkError(SignallingError, ConnectionError):
    """The other end of a link is absent or has gone. Trying again may help."""


@frozen
class RejectedInputError(SignallingError, ValueError):
    """A message was not a valid report; it is counted under ``reason`` and dropped."""

    reason: str = field()
    """A short word to count under, such as ``unknown-value``."""
    detail: str = ""

    def __str__(self) -> str:
        return f"{self.reason}: {self.detail}" if self.detail else self.reason
