"""Carrying requests: what a transport may do besides those of ``transport``.

Law of this file: data, and the two methods; no wire. A transport is dumb here
too: it hands over what arrives and says what it is given. Which requests are
too old, too many or repeated is decided in ``desk``, once for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, runtime_checkable

from signalling.layout.asking import Answer, Asked

__all__ = ["Answer", "Asked", "CarriesRequests", "RequestSink"]

RequestSink = Callable[[Asked], None]
"""Where a transport delivers requests: synchronous, quick, never raises."""


@runtime_checkable
class CarriesRequests(Protocol):
    """A transport over which requests can be made."""

    def take_requests(self, sink: RequestSink) -> None:
        """Deliver requests to ``sink`` from the next opening on; without this, take none.

        Called at most once, before ``open``. What a link has kept for whoever
        comes later is no request, and is counted in ``counters.rejected``.
        """

    async def tell(self, answers: Iterable[Answer]) -> None:
        """Hand answers to the wire; as ``send``, and may be called while that runs.

        Raises ``LinkError`` when that cannot be done.
        """
