"""Leaving a group of links, in whatever way its body ended.

Law of this file: tasks, and nothing of what they do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from types import TracebackType

__all__ = ["leave"]


async def leave(
    group: asyncio.TaskGroup,
    tasks: Iterable[asyncio.Task[None]],
    kind: type[BaseException] | None,
    error: BaseException | None,
    traceback: TracebackType | None,
) -> None:
    """End the tasks of a group, which go on for ever by themselves, and wait for them.

    What one of them raised is raised, alone where it is the only one.
    """
    try:
        # A link that is cancelled says what it says last and then closes; cancelled twice it
        # would not. A group that was itself cancelled has done so already.
        if isinstance(error, asyncio.CancelledError):
            await group.__aexit__(kind, error, traceback)
        else:
            for task in tasks:
                task.cancel()
            await group.__aexit__(None, None, None)
    except BaseExceptionGroup as several:
        if len(several.exceptions) == 1:
            raise several.exceptions[0] from None
        raise
