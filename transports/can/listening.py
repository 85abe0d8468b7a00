"""Listening on a bus without a word: not a frame is sent.

Law of this file: the bus of one who only listens. What a frame means is for
``reading``. Like any CAN controller ours acknowledges what it receives, so that
a single node can be heard, too.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from signalling.errors import LinkError
from transports.can.bus import Bus
from transports.can.opening import Openings
from transports.can.reading import FrameReader
from transports.deadline import DeadlineTimer
from transports.transport import LinkCounters

if TYPE_CHECKING:
    from collections.abc import Iterable

    from signalling.layout.words import Order
    from transports.can.bindings import Bindings
    from transports.can.options import Options
    from transports.can.outgoing import CanFrame
    from transports.can.worker import Worker
    from transports.listen import Hear
    from transports.transport import Sink

__all__ = ["CanListener"]

logger = logging.getLogger(__name__)


class _Silence:
    """What a bus is given to send: nothing."""

    def next_frame(self) -> CanFrame | None:
        return None

    def gone(self) -> None:
        pass

    def stuck(self) -> None:
        pass


class CanListener:
    """A transport that says nothing, and hears every frame. A quiet bus is no lost link."""

    def __init__(self, name: str, options: Options, bindings: Bindings, hear: Hear) -> None:
        self.name = name
        self.counters = LinkCounters()
        self._options = options
        self._bindings = bindings
        self._hear = hear
        self._openings = Openings()
        self._bus: Bus | None = None
        self._worker: Worker | None = None
        self._reader: FrameReader | None = None
        self._overdue: DeadlineTimer | None = None

    async def open(self, sink: Sink) -> None:
        """Open the bus. Raises ``LinkError`` or ``ConfigurationError``."""
        await self.close()
        self._reader = reader = FrameReader(self.name, self._bindings, sink, self.counters)
        self._overdue = DeadlineTimer(lambda: reader.next_deadline, reader.check)
        bus = Bus(
            f"transport {self.name}",
            self._options.interface,
            self._options.arguments,
            outgoing=_Silence(),
            take=self._take,
            rejected=self.counters.rejected,
            patience=self._options.timing.send,
            after=self._worker,
        )
        self._worker = bus.worker
        await self._openings.open(bus)
        self._bus = bus

    async def wait_lost(self) -> None:
        """Raise ``LinkError``, which says why, when the bus has gone."""
        if self._bus is not None:
            raise LinkError(await self._bus.wait_lost())

    async def send(self, orders: Iterable[Order]) -> None:
        """Send nothing."""

    async def close(self) -> None:
        """Let go of the bus."""
        bus, self._bus = self._bus, None
        if self._overdue is not None:
            self._overdue.stop()
        within = self._options.timing.farewell / 2
        if bus is not None:
            if not await bus.close(within):
                logger.warning("%s: the adapter does not let go of the bus", self.name)
        elif self._worker is not None:
            # An opening that failed, or was given up, may still hold the adapter.
            await self._worker.end(within)

    def _take(self, frame: CanFrame, now: float) -> None:
        if self._reader is not None and self._overdue is not None:
            self._hear(self._reader.read(frame, now))
            self._overdue.arm(now)
