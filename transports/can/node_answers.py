"""Whether a controller hears a node, and how old what it says can be at most.

Law of this file: numbers and times only. A controller answers each frame of the
status with the page and the counter of it. Who names what was said a moment ago
has said so since; whatever was waiting on its way before that answer is not
older than what the answer names. Times are whole milliseconds. The same rules
stand in C in ``shared/node-c/sender.c``.
"""

from __future__ import annotations

from collections import deque
from typing import Final

__all__ = ["Answers"]

_REMEMBERED: Final = 8
"""Frames of the status that an answer may name, at the most."""


class Answers:
    """What was said of late, and until when an answer to it holds good.

    ``within`` is how long after it was said something proves that its answer is new.
    """

    def __init__(self, within: int) -> None:
        self._within = within
        self._said: deque[tuple[int, int, int]] = deque(maxlen=_REMEMBERED)
        self.until: int | None = None
        """Until when the newest answer holds good; ``None`` where none does."""

    def said(self, page: int, counter: int, now: int) -> None:
        """Take it that a page of the status has gone."""
        self._said.append((page, counter, now))

    def take(self, page: int, counter: int, now: int) -> bool:
        """Take what somebody says to have heard; return whether it was said a moment ago."""
        given = [
            at
            for each, number, at in self._said
            if (each, number) == (page, counter) and now - at < self._within
        ]
        if not given:
            return False
        until = given[-1] + self._within
        self.until = until if self.until is None else max(self.until, until)
        return True

    def lapsed(self, now: int) -> bool:
        """Return whether the time of the newest answer has just run out."""
        if self.until is None or self.until > now:
            return False
        self.until = None
        return True
