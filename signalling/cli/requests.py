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
from typing import Any

from signalling.controller.controller import Controller
from signalling.core.requests import FORMS, parse_request
from signalling.core.words import Refusal

__all__ = ["take_requests"]

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


def _answered(controller: Controller, line: str, at: float) -> dict[str, Any]:
    event: dict[str, Any] = {"at": round(at, 6), "event": "request", "request": line}
    if line == "help":
        forms = "; ".join(f"`{form.words}`: {form.sentence}" for form in FORMS)
        return event | {"taken": False, "reason": f"Requests are {forms}."}
    request = parse_request(line)
    try:
        answer = request if isinstance(request, Refusal) else controller.request(request)
    except RuntimeError:
        answer = Refusal("The signalling is being shut down.")
    reason = answer.reason if isinstance(answer, Refusal) else ""
    return event | {"taken": not reason, "reason": reason}
