"""Openings of a bus that follow each other.

Law of this file: whose fault it is when one fails; no wire.
"""

from __future__ import annotations

from typing import Protocol

from signalling.errors import ConfigurationError, LinkError

__all__ = ["Openings"]


class _Openable(Protocol):
    async def open(self) -> None: ...

    def abandon(self) -> None: ...


class Openings:
    """All openings of one transport, each of something new."""

    def __init__(self) -> None:
        self._once = False

    async def open(self, opening: _Openable) -> None:
        """Open something; abandon it where that fails, or is cancelled.

        Raises ``LinkError``; ``ConfigurationError`` only as long as none has
        succeeded: later, the same table has opened it before, and something
        else has changed, such as an adapter that was pulled out.
        """
        try:
            await opening.open()
        except BaseException as error:
            opening.abandon()
            if self._once and isinstance(error, ConfigurationError):
                raise LinkError(error.reason) from error
            raise
        self._once = True
