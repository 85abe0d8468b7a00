"""A serial port is for one program: a second one is refused before it does harm.

Law of this file: who has a port; nothing of CAN. Two programs on one serial
adapter would each take half of what it says, and opening it resets it. So the
port's file is locked while we have it, which a second one of us sees.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows, where a serial port has one user anyway
    fcntl = None  # type: ignore[assignment]

__all__ = ["claim", "release"]


def claim(channel: object) -> int | None:
    """Lock a channel that is a serial port; return what ``release`` takes, or ``None``.

    Raises ``OSError`` where the port cannot be opened, or another program has it.
    """
    path = channel.partition("@")[0] if isinstance(channel, str) else ""
    if fcntl is None or not Path(path).is_char_device():
        return None  # Where it is not there, whoever opens it says so.
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        raise OSError(errno.EBUSY, "another program has the port") from error
    return descriptor


def release(descriptor: int | None) -> None:
    """Let go of a port."""
    if descriptor is not None:
        os.close(descriptor)
