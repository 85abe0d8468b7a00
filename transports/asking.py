"""The requests of one link that is kept: from the transport to the desk, and back the answers.

Law of this file: the loop's time for the desk, and waking who tells; no policy
of its own and no wire. It outlives each opening of the link, as the desk does.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable

from signalling.layout.asking import Answer, Asked
from transports.desk import RequestDesk
from transports.requests import CarriesRequests

__all__ = ["Asking"]

_AT_ONCE = 8
"""Answers handed over at once."""


class Asking:
    """The requests of one link.

    ``up`` says whether the link is up, ``requested`` is called when requests
    wait to be looked at, and ``rejected`` counts what is turned away.
    """

    def __init__(
        self,
        carrier: CarriesRequests,
        rejected: Counter[str],
        *,
        up: Callable[[], bool],
        requested: Callable[[], None],
    ) -> None:
        self._carrier = carrier
        self._rejected = rejected
        self._desk = RequestDesk(rejected)
        self._up = up
        self._requested = requested
        self._untold = asyncio.Event()
        carrier.take_requests(self._take)

    @property
    def waiting(self) -> int:
        """How many requests wait to be looked at."""
        return self._desk.waiting

    def next(self) -> Asked | None:
        """Return the next request that is to be looked at, if there is one."""
        asked = self._desk.next(asyncio.get_running_loop().time())
        self._wake()
        return asked

    def answer(self, answer: Answer) -> None:
        """Take what is to be told of a request."""
        self._desk.answer(answer)
        self._wake()

    async def untold(self) -> None:
        """Wait until there is something to tell."""
        await self._untold.wait()

    async def tell(self, limit: int = _AT_ONCE) -> None:
        """Tell some of what there is to tell. Raises ``LinkError``."""
        answers = self._desk.answers(limit)
        if not self._desk.untold:
            self._untold.clear()
        if answers:
            await self._carrier.tell(answers)

    async def tell_all(self) -> None:
        """Tell everything there is to tell. Raises ``LinkError``."""
        await self.tell(self._desk.untold)

    def _take(self, asked: Asked) -> None:
        """Take a request from the link, or turn it away."""
        if not self._up():
            self._rejected["early-request"] += 1
            return
        self._desk.take(asked, asyncio.get_running_loop().time())
        self._wake()
        if self._desk.waiting:
            self._requested()

    def _wake(self) -> None:
        if self._desk.untold:
            self._untold.set()
