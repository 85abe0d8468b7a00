"""Listening at a broker without a word: no will, no sign of life, no order, nothing asked.

Law of this file: the connection of one who only listens, and what it subscribes
to. What a message means is for ``reading`` and ``own.reading``. To the broker we
are one more client, which it tells nobody.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Protocol

from signalling.errors import LinkError
from transports.deadline import DeadlineTimer
from transports.mqtt.endpoint import endpoint
from transports.mqtt.filters import checked_filter, without_covered
from transports.mqtt.session import Session
from transports.transport import LinkCounters

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from signalling.layout.words import Order
    from transports.listen import Arrival, Hear
    from transports.mqtt.options import Options
    from transports.transport import Sink

__all__ = ["MqttListener", "Reader"]


class Reader(Protocol):
    """Makes something of messages on one opening of a link. ``now`` is the loop's time."""

    def read(self, topic: str, payload: bytes, now: float, *, retained: bool) -> Arrival:
        """Return what a message says."""

    @property
    def next_deadline(self) -> float | None:
        """When something falls overdue that was heard, or ``None``; then ``check`` is called."""

    def check(self, now: float) -> None:
        """Take it that what is overdue is not known any more."""


class MqttListener:
    """A transport that says nothing.

    ``topics`` are those that are bound; ``more`` are filters that the user asks
    for besides; without any, it listens to everything. ``reading`` makes what
    serves one opening.

    Raises ``ConfigurationError`` for a filter that is none.
    """

    def __init__(
        self,
        name: str,
        options: Options,
        *,
        topics: Sequence[str],
        more: Sequence[str],
        reading: Callable[[Sink, LinkCounters], Reader],
        hear: Hear,
    ) -> None:
        self.name = name
        self.counters = LinkCounters()
        self._options = options
        self._topics = tuple(topics)
        self._wide = tuple(
            checked_filter(f"transport {name}, listening", each) for each in more or ("#",)
        )
        self._reading = reading
        self._hear = hear
        self._reader: Reader | None = None
        self._session: Session | None = None
        self._overdue: DeadlineTimer | None = None

    async def open(self, sink: Sink) -> None:
        """Connect and listen.

        Where the broker refuses some filters, the rest is still listened to.
        """
        await self.close()
        self._reader = reader = self._reading(sink, self.counters)
        self._overdue = DeadlineTimer(lambda: reader.next_deadline, reader.check)
        self._session = session = Session(endpoint(self._options, "listening"), self._receive)
        try:
            await session.open()
            await self._subscribe(session)
        except BaseException:
            await self.close()
            raise

    async def _subscribe(self, session: Session) -> None:
        wide = without_covered(self._wide)
        refused = await session.try_to_subscribe(wide)
        granted = [each for each in wide if each not in refused]
        every = without_covered((*granted, *self._topics))
        rest = [each for each in every if each not in granted]
        refused += await session.try_to_subscribe(rest)
        if len(refused) == len(wide) + len(rest):
            raise LinkError(f"the broker lets us read nothing of {', '.join(refused)}")
        self.counters.rejected.update(f"filter-refused: {each}" for each in refused)

    async def wait_lost(self) -> None:
        """Raise ``LinkError``, which says why, when the connection has gone."""
        if self._session is not None:
            raise LinkError(await self._session.wait_lost())

    async def send(self, orders: Iterable[Order]) -> None:
        """Send nothing."""

    async def close(self) -> None:
        """Break the connection off."""
        session, self._session = self._session, None
        if self._overdue is not None:
            self._overdue.stop()
        if session is not None:
            await session.break_off()

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
        if self._reader is not None and self._overdue is not None:
            now = asyncio.get_running_loop().time()
            self._hear(self._reader.read(topic, payload, now, retained=retained))
            self._overdue.arm(now)
