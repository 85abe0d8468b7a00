"""Requests that a running controller follows until nothing further will become of them.

Law of this file: who is to hear of what, and when; no rule and no wire. How a
request stands is read off the equations by ``core.outcomes``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator

from signalling.core.interlocking import Interlocking
from signalling.core.outcomes import Course
from signalling.core.words import AnyRequest
from signalling.layout.asking import Outcome, Stage

__all__ = ["Ask", "Asks", "Hear", "Waits", "from_the_second"]

Hear = Callable[[Outcome], None]
"""Where it is told what has become of a request: synchronous, quick, never raises."""

_MOST = 500
"""Requests that are followed at one time."""


class Ask:
    """A request that was made, and what has become of it.

    ``outcome`` is how it stands now. To await it is to wait until nothing
    further will become of it, and gives that outcome::

        outcome = await controller.ask("move t1 reverse")
        if outcome.stage is Stage.SET: ...

    Where the controller ends first, the outcome is that it failed.
    """

    def __init__(self, outcome: Outcome, hear: Hear | None = None) -> None:
        self._outcome = outcome
        self._hear = hear
        self._ended = asyncio.Event()
        self.tell(outcome)

    @property
    def outcome(self) -> Outcome:
        """What has become of it so far."""
        return self._outcome

    def tell(self, outcome: Outcome) -> None:
        """Take what has become of it, and pass it on."""
        self._outcome = outcome
        if outcome.final:
            self._ended.set()
        if self._hear is not None:
            self._hear(outcome)

    def __await__(self) -> Generator[None, None, Outcome]:
        yield from self._ended.wait().__await__()
        return self._outcome


class Asks:
    """The requests that are under way."""

    def __init__(self, interlocking: Interlocking) -> None:
        self._interlocking = interlocking
        self._under_way: list[tuple[Course, Ask]] = []

    def __len__(self) -> int:
        return len(self._under_way)

    @property
    def full(self) -> bool:
        """Whether no further request can be followed."""
        return len(self._under_way) >= _MOST

    def follow(self, request: AnyRequest, hear: Hear | None) -> Ask:
        """Follow a request that was just taken."""
        course = Course(self._interlocking, request)
        ask = Ask(course.outcome, hear)
        if not course.outcome.final:
            self._under_way.append((course, ask))
        return ask

    def look(self, *, asked: bool) -> None:
        """See how they stand after a step; ``asked`` is whether it was one of a request."""
        if not self._under_way:
            return
        news = [(course, ask) for course, ask in self._under_way if course.look(asked=asked)]
        if news:
            self._under_way = [each for each in self._under_way if not each[0].outcome.final]
            for course, ask in news:
                ask.tell(course.outcome)

    def end(self) -> None:
        """Give up following: the signalling is being shut down."""
        under_way, self._under_way = self._under_way, []
        for _, ask in under_way:
            ask.tell(Outcome(Stage.FAILED, "The signalling was shut down."))


class Waits:
    """Those who wait until an equation, an input or a memory has some value."""

    def __init__(self, interlocking: Interlocking) -> None:
        self._interlocking = interlocking
        self._waiting: dict[asyncio.Future[None], tuple[str, bool]] = {}

    async def until(self, name: str, *, holds: bool) -> None:
        """Wait until it is so. Raises ``KeyError`` for no name, ``CancelledError`` at the end."""
        value = self._interlocking.value(name)
        if value is None:
            raise KeyError(name)
        if value is holds:
            return
        future = asyncio.get_running_loop().create_future()
        self._waiting[future] = (name, holds)
        try:
            await future
        finally:
            self._waiting.pop(future, None)

    def look(self) -> None:
        """Let those go on whose time has come."""
        for future, (name, holds) in self._waiting.items():
            if not future.done() and self._interlocking.value(name) is holds:
                future.set_result(None)

    def end(self) -> None:
        """Let nobody wait for what will never be."""
        for future in self._waiting:
            future.cancel()


def from_the_second(hear: Hear) -> Hear:
    """Return what passes on each outcome but the first, which is there when asking returns."""
    later = False

    def listening(outcome: Outcome) -> None:
        nonlocal later
        if later:
            hear(outcome)
        later = True

    return listening
