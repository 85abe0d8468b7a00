"""What there is to say about one file, gathered, each with its line.

Law of this file: findings are only ever added. Every pass over a layout gets
the same collector, says what it has to say by key path, and goes on; the
collector knows the file and its lines.
"""

from __future__ import annotations

from collections.abc import Iterable

from attrs import define, field

from signalling.errors import Finding, LayoutError, Severity
from signalling.layout.place import KeyPath, Places

__all__ = ["Findings", "did_you_mean", "listed"]

_SHOWN = 12
"""Names in one sentence, at the most."""

_COMPARED = 300
"""Names that a mistaken one is compared with, at the most, so that the answer comes at once."""


@define
class Findings:
    """Gathers findings about one file."""

    file: str
    """The file as the user named it."""
    places: Places = field(factory=lambda: Places({}))
    _found: list[Finding] = field(factory=list, init=False)

    def add(self, severity: Severity, path: KeyPath, thing: str, message: str, remedy: str) -> None:
        """Add one finding; ``path`` leads to its place in the file."""
        self._found.append(
            Finding(
                severity=severity,
                thing=thing,
                message=message,
                remedy=remedy,
                file=self.file,
                line=self.places.line(path),
            )
        )

    def error(self, path: KeyPath, thing: str, message: str, remedy: str) -> None:
        """Add a finding that makes the file unusable."""
        self.add(Severity.ERROR, path, thing, message, remedy)

    def warning(self, path: KeyPath, thing: str, message: str, remedy: str) -> None:
        """Add a finding that leaves the file usable."""
        self.add(Severity.WARNING, path, thing, message, remedy)

    def note(self, path: KeyPath, thing: str, message: str, remedy: str) -> None:
        """Add something worth knowing."""
        self.add(Severity.NOTE, path, thing, message, remedy)

    def extend(self, findings: Iterable[Finding]) -> None:
        """Add findings made elsewhere, such as about another file, as they are."""
        self._found.extend(findings)

    @property
    def sound(self) -> bool:
        """Whether there is no error so far."""
        return not any(finding.severity is Severity.ERROR for finding in self._found)

    def sorted(self) -> tuple[Finding, ...]:
        """Return the findings of this file by line, then those about others as they came."""
        return tuple(
            sorted(
                self._found,
                key=lambda finding: (
                    finding.file != self.file,
                    finding.line or 0 if finding.file == self.file else 0,
                ),
            )
        )

    def __len__(self) -> int:
        return len(self._found)

    def raise_errors(self) -> None:
        """Raise ``LayoutError`` with every finding if any is an error."""
        if not self.sound:
            raise LayoutError(self.sorted())


def listed(names: Iterable[str]) -> str:
    """Return names as a sentence has them, the first dozen of many."""
    every = list(names)
    more = len(every) - _SHOWN
    if more > 0:
        return f"{', '.join(every[:_SHOWN])} and {more} more"
    if len(every) > 1:
        return f"{', '.join(every[:-1])} and {every[-1]}"
    return every[0] if every else "none"


def did_you_mean(word: str, known: Iterable[str], otherwise: str) -> str:
    """Return a remedy for a word that is not known: the nearest that is, or ``otherwise``."""
    names = list(known)
    near = [name for name in names if name.casefold() == word.casefold()]
    if not near and len(names) <= _COMPARED:
        from difflib import get_close_matches  # noqa: PLC0415 - files without mistakes need it not

        near = get_close_matches(word, names, n=1)
    return f"Did you mean `{near[0]}`?" if near else otherwise
