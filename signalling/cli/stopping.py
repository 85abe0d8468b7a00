"""What is done when the operating system asks a running verb to stop.

Law of this file: signals of the operating system, and nothing of any verb.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable

__all__ = ["when_asked_to_stop"]


def when_asked_to_stop(act: Callable[[], object], *more: str) -> None:
    """Let SIGINT and SIGTERM, and the signals of these further names, call ``act``.

    To be called on the running loop. Windows has not all of them, and takes
    none here: there, Ctrl-C cancels instead.
    """
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM", *more):
        with contextlib.suppress(AttributeError, NotImplementedError):
            loop.add_signal_handler(getattr(signal, name), act)
