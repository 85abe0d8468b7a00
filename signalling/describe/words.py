"""What is said of trains by name: the text of a berth, and what happened to a name.

Law of this file: words and data only.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from attrs import frozen

from signalling.layout.words import EMPTY

__all__ = ["BerthName", "Cause", "NameStep", "berth_text"]

MOST_SHOWN = 3
"""Names that a berth's text has; of further ones it says only that there are some."""

DOUBT = "?"
"""Stands behind a name that is doubtful."""

MORE = "+"
"""Stands last where a berth has more names than its text."""


class Cause(StrEnum):
    """Why a name came to stand where it stands."""

    RAN = "ran"
    """Its train was seen to run there."""
    LEFT = "left"
    """Its train left the described track."""
    SET = "set"
    """A person or a program said so."""
    READ = "read"
    """A reader read it there."""
    CLEARED = "cleared"
    """A person or a program took it away."""
    DOUBTFUL = "doubtful"
    """It became doubtful."""
    SURE = "sure"
    """It is doubtful no longer."""


@frozen
class BerthName:
    """A name in a berth."""

    train: str
    doubtful: bool = False

    def __str__(self) -> str:
        return f"{self.train}{DOUBT if self.doubtful else ''}"


@frozen(kw_only=True)
class NameStep:
    """Something that happened to a name."""

    at: int
    """When, in ns."""
    train: str
    rear: str | None
    """The berth where it stood; ``None`` where it stood in none."""
    ahead: str | None
    """The berth where it stands now; ``None`` where it stands in none."""
    doubtful: bool
    """Whether it is doubtful now."""
    cause: Cause


def berth_text(names: Iterable[BerthName]) -> str:
    """Return what is told of a berth: its names in the order in which they came, or ``empty``."""
    every = [str(name) for name in names]
    shown = [*every[:MOST_SHOWN], *([MORE] if len(every) > MOST_SHOWN else [])]
    return " ".join(shown) or EMPTY
