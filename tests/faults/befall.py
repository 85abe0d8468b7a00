"""What may befall anything on its way: lost, again, later; for a while, or so many times.

Law of this file: of frames and of messages alike; nothing of what they are.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Iterator
from random import Random
from typing import Generic, TypeVar

from tests.faults.railway import Railway

PATIENCE = 1.5
"""Seconds that a fault waits for something to befall."""

Thing = TypeVar("Thing")
Trouble = TypeVar("Trouble")
Become = Callable[[Thing], Iterable[tuple[float, Thing]]]
"""What becomes of one: each thing that arrives, and after how many seconds."""


class Befalling(Generic[Thing]):
    """Something that befalls things on their way: as many as ``count``, of those chosen."""

    def __init__(
        self, chosen: Callable[[Thing], bool], become: Become[Thing], count: int = 1 << 30
    ) -> None:
        self.left = count
        self._chosen, self._become = chosen, become

    def befall(self, thing: Thing) -> list[tuple[float, Thing]] | None:
        """Return what becomes of one, or ``None`` where nothing befalls it."""
        if self.left <= 0 or not self._chosen(thing):
            return None
        self.left -= 1
        return list(self._become(thing))


@contextlib.contextmanager
def during(troubles: list[Trouble], trouble: Trouble) -> Iterator[None]:
    """Let there be a trouble for a while."""
    troubles.append(trouble)
    try:
        yield
    finally:
        troubles.remove(trouble)


async def until_done(
    railway: Railway, befalling: Befalling[Thing], within: float = PATIENCE
) -> None:
    """Wait until it has befallen as many as it should, or for so long."""
    until = railway.now + within
    while befalling.left > 0 and railway.now < until:
        await asyncio.sleep(0.02)
    await asyncio.sleep(0.002)


def twice(
    random: Random, untrue: Callable[[Thing], Thing], after: tuple[float, ...]
) -> Become[Thing]:
    """Let things arrive, and again; ``untrue`` makes of one what nobody has just said."""

    def become(thing: Thing) -> list[tuple[float, Thing]]:
        again = random.choice(after)
        return [(0.0, thing), (again, untrue(thing))]

    return become


def out_of_order(random: Random) -> Become[Thing]:
    """Let things arrive later, each by its own time."""

    def become(thing: Thing) -> list[tuple[float, Thing]]:
        return [(random.choice((0.0, 0.05, 0.3, 0.55)), thing)]

    return become
