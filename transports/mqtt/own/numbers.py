"""Numbers on what one says, and what a number that comes back proves.

Law of this file: numbers and times only; no message, no clock. Both ends of a
conversation have this in common. Whoever repeats the number of a message must
have spoken after it was sent: so the age of what the other end says is bounded
by a time of one's own clock, whatever held the message up in between, and a
recording cannot be fresh.
"""

from __future__ import annotations

import secrets
from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from transports.mqtt.own.codec import Heard

__all__ = ["Numbers", "new_session"]


def new_session() -> str:
    """Return the name of a new session: 64 random bits in hexadecimal."""
    return secrets.token_hex(8)


class Numbers:
    """The numbers of what is said in one session to one listener.

    What repeats a number proves something for ``memory`` seconds after that
    number was given. Times are seconds of any one monotonic clock.
    """

    def __init__(self, session: str, memory: float) -> None:
        self.session = session
        self.last = 0
        """The number given last; 0 before the first."""
        self._memory = memory
        self._given: deque[float] = deque()

    def next(self, now: float) -> int:
        """Return the number of a message that is sent now."""
        while self._given and self._given[0] + self._memory <= now:
            self._given.popleft()
        self._given.append(now)
        self.last += 1
        return self.last

    def given(self, heard: Heard | None) -> float | None:
        """Return when the number that was heard was given.

        ``None`` where it is none of this session's, or one that proves nothing any more.
        """
        if heard is None or heard.session != self.session:
            return None
        place = heard.seq - self.last - 1 + len(self._given)
        return self._given[place] if 0 <= place < len(self._given) else None
