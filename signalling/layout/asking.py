"""The words in which requests, and what becomes of them, cross the border to the links.

Law of this file: names and values only, as in ``words``. A request is an event
and no state: it is said once, by somebody, and has a name of its own, so that a
repetition is known for one. What it asks for is text here; the logic reads it.
"""

from __future__ import annotations

from enum import StrEnum

from attrs import frozen

__all__ = ["LONGEST_NAME", "LONGEST_TEXT", "Answer", "Asked", "Outcome", "Stage"]

LONGEST_NAME = 64
"""Characters of the name of a request, or of who asks."""
LONGEST_TEXT = 200
"""Characters of a request."""


class Stage(StrEnum):
    """What has become of a request so far."""

    TAKEN = "taken"
    """It was taken, and what it asks for is being done, or is done where that takes no time."""
    WAITING = "waiting"
    """It was taken, and waits for something before it can be done."""
    SET = "set"
    """What it asked for is so: the signal is off, the turnout lies as asked, the lock is given."""
    REFUSED = "refused"
    """It was not taken."""
    CANCELLED = "cancelled"
    """It was taken back by another request before it was set."""
    FAILED = "failed"
    """It was given up before it was set, and nobody had asked for that."""


@frozen
class Outcome:
    """What has become of a request so far."""

    stage: Stage
    reason: str = ""
    """Why it was not taken, waits or was given up, as a sentence."""
    final: bool = True
    """Whether nothing further will become of it."""


@frozen(kw_only=True)
class Asked:
    """A request as it arrived on a link."""

    id: str
    """Its name, given by who asks; the same name again is the same request again."""
    by: str = ""
    """Who asks, as far as the link says so."""
    text: str
    """What is asked for, such as ``hold M2``."""
    at: float
    """The loop's time before which it cannot have been said, in seconds, as far as the link can
    prove it; else when it arrived."""


@frozen
class Answer:
    """What has become of a request that arrived on a link."""

    asked: Asked
    outcome: Outcome
