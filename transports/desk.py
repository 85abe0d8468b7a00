"""Where the requests of one link wait: how many, how old, and which were made before.

Law of this file: policy for requests, the same for all links; no link, no clock:
the time is an argument. Everything has a bound, so that whoever floods a link
with requests takes up so much time and memory and no more. A request asks, and
nothing more: what it may lead to is for the logic.
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque

from attrs import define

from signalling.layout.asking import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Answer,
    Asked,
    Outcome,
    Stage,
)

__all__ = ["ALL_AT_ONCE", "OLDEST", "RequestDesk"]

OLDEST = 3.0
"""Seconds after which a request is too old to be what anybody still wants."""

_WAITING = 32
"""Requests that may wait to be looked at."""
_REMEMBERED = 256
"""Requests of which the names are remembered."""
_UNTOLD = 128
"""Answers that may wait to be told."""
_ASKERS = 64
"""Askers whose rates are kept apart; what others ask counts together."""

_EACH, _EACH_AT_ONCE = 5.0, 10.0
"""Requests of one asker in a second, and at once."""
_ALL, ALL_AT_ONCE = 20.0, 40.0
"""The same of all askers of a link together."""

Key = tuple[str, str]
"""Who asks, and the name of the request."""


@define
class _Allowance:
    """How many requests may be made: so many in a second, and so many saved up."""

    rate: float
    most: float
    left: float
    at: float

    def has(self, now: float) -> bool:
        """Return whether there is one left."""
        self.left = min(self.most, self.left + (now - self.at) * self.rate)
        self.at = now
        return self.left >= 1


class RequestDesk:
    """The requests of one link. ``rejected`` counts what is turned away unheard."""

    def __init__(self, rejected: Counter[str]) -> None:
        self._rejected = rejected
        self._waiting: deque[Asked] = deque()
        self._known: OrderedDict[Key, Answer | None] = OrderedDict()
        """The last answer to each request, oldest request first."""
        self._untold: dict[Key, Answer] = {}
        self._all = _Allowance(_ALL, ALL_AT_ONCE, ALL_AT_ONCE, 0.0)
        self._each: OrderedDict[str, _Allowance] = OrderedDict()

    @property
    def waiting(self) -> int:
        """How many requests wait to be looked at."""
        return len(self._waiting)

    @property
    def untold(self) -> int:
        """How many answers wait to be told."""
        return len(self._untold)

    def take(self, asked: Asked, now: float) -> None:
        """Take a request, or turn it away.

        One that was made before is not made again: its last answer is told again.
        """
        if not self._allowed(asked.by, now):
            self._rejected["too-many-requests"] += 1
            return
        if not (
            asked.id
            and len(asked.id) <= LONGEST_NAME
            and len(asked.by) <= LONGEST_NAME
            and len(asked.text) <= LONGEST_TEXT
        ):
            self._rejected["malformed-request"] += 1
            return
        key = (asked.by, asked.id)
        if key in self._known:
            self._rejected["repeated-request"] += 1
            known = self._known[key]
            if known is not None:
                self._tell(known)
            return
        self._known[key] = None
        while len(self._known) > _REMEMBERED:
            self._known.popitem(last=False)
        if len(self._waiting) >= _WAITING:
            self._refuse(asked, "Too many requests are waiting. Ask again.")
            return
        self._waiting.append(asked)

    def next(self, now: float) -> Asked | None:
        """Return the next request that is to be looked at, if there is one."""
        while self._waiting:
            asked = self._waiting.popleft()
            if now - asked.at <= OLDEST:
                return asked
            self._rejected["old-request"] += 1
            self._refuse(asked, f"It may be older than {OLDEST:g} s. Ask again.")
        return None

    def answer(self, answer: Answer) -> None:
        """Let this be told. Of several answers to one request the newest is."""
        key = (answer.asked.by, answer.asked.id)
        if key in self._known:
            self._known[key] = answer
        self._tell(answer)

    def answers(self, limit: int) -> tuple[Answer, ...]:
        """Return up to ``limit`` answers that are to be told now, and let them count as told."""
        told = tuple(self._untold[key] for key in list(self._untold)[:limit])
        for answer in told:
            del self._untold[answer.asked.by, answer.asked.id]
        return told

    def _tell(self, answer: Answer) -> None:
        key = (answer.asked.by, answer.asked.id)
        self._untold[key] = answer
        if len(self._untold) > _UNTOLD:
            del self._untold[next(iter(self._untold))]

    def _refuse(self, asked: Asked, reason: str) -> None:
        self.answer(Answer(asked, Outcome(Stage.REFUSED, reason)))

    def _allowed(self, by: str, now: float) -> bool:
        """Return whether somebody may ask now, and count it."""
        each = self._each.pop(by, None)
        if each is None:
            if len(self._each) >= _ASKERS:
                self._each.popitem(last=False)
            each = _Allowance(_EACH, _EACH_AT_ONCE, _EACH_AT_ONCE, now)
        self._each[by] = each
        if not (each.has(now) and self._all.has(now)):
            return False
        each.left -= 1
        self._all.left -= 1
        return True
