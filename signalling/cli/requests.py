"""Requests from standard input, for ``signalling run``.

Law of this file: lines in, answers out, through the controller. Reading waits
in a thread of its own, which ends with the program and holds nothing up.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import threading
from collections.abc import Awaitable, Callable
from concurrent.futures import CancelledError
from itertools import count
from typing import Any

from signalling.controller.asks import from_the_second
from signalling.controller.controller import Controller
from signalling.core.requests import FORMS
from signalling.layout.asking import Answer, Asked, Outcome, Stage

__all__ = ["YOU", "request_event", "take_requests"]

YOU = "you"
"""Who asks on standard input."""
_NUMBERS = count(1)

LONGEST = 1000
"""Characters of a line that are looked at."""


def take_requests(
    controller: Controller, tell: Callable[[dict[str, Any]], Awaitable[None]]
) -> None:
    """Begin to take requests from standard input; ``tell`` gets an event for each.

    To be called on the loop's thread. The next line is read when the answer to
    the one before has been told, so nothing piles up.
    """
    loop = asyncio.get_running_loop()
    if hasattr(signal, "SIGTTIN"):
        # In the background of a terminal, reading then fails instead of stopping us.
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)

    async def answer(line: str) -> None:
        await tell(_answered(controller, line, loop.time()))

    def read() -> None:
        # Until the input ends or the loop does.
        with contextlib.suppress(OSError, ValueError, RuntimeError, CancelledError):
            while line := sys.stdin.readline(LONGEST):
                if line.strip():
                    asyncio.run_coroutine_threadsafe(answer(line.strip()), loop).result()

    threading.Thread(target=read, name="requests", daemon=True).start()


def request_event(at: float, answer: Answer) -> dict[str, Any]:
    """Return what is printed of a request, and of what has become of it."""
    asked, outcome = answer.asked, answer.outcome
    return {
        "at": round(at, 6),
        "event": "request",
        "by": asked.by,
        "request": asked.text,
        "outcome": outcome.stage.value,
        "reason": outcome.reason,
        "final": outcome.final,
    }


def _answered(controller: Controller, line: str, at: float) -> dict[str, Any]:
    """Make the request that a line is; what becomes of it later is told as a change."""
    asked = Asked(id=f"{next(_NUMBERS)}", by=YOU, text=line, at=at)
    if line == "help":
        forms = "; ".join(f"`{form.words}`: {form.sentence}" for form in FORMS)
        outcome = Outcome(Stage.REFUSED, f"Requests are {forms}.")
        return request_event(at, Answer(asked, outcome))

    def later(outcome: Outcome) -> None:
        controller.announce(Answer(asked, outcome))

    try:
        outcome = controller.ask(line, from_the_second(later)).outcome
    except RuntimeError:
        outcome = Outcome(Stage.REFUSED, "The signalling is being shut down.")
    return request_event(at, Answer(asked, outcome))
