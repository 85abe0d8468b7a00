"""One opening of a bus: from all danger at its beginning to all danger at its end.

Law of this file: what is said when, and until when the bus counts as alive; one
object for each opening, so that nothing of an earlier one is believed.
"""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING

from signalling.errors import LinkError
from transports.can.bus import Bus
from transports.can.foreign import ForeignIncoming
from transports.can.incoming import Incoming
from transports.deadline import DeadlineTimer

if TYPE_CHECKING:
    from collections.abc import Callable

    from transports.can.bindings import Bindings
    from transports.can.foreign import Publisher
    from transports.can.options import Options
    from transports.can.outgoing import CanFrame, Outgoing
    from transports.can.worker import Worker
    from transports.transport import LinkCounters, Sink

__all__ = ["Link"]

logger = logging.getLogger(__name__)


class Link:
    """One opening, from opening to closing."""

    def __init__(
        self,
        name: str,
        options: Options,
        bindings: Bindings,
        *,
        outgoing: Outgoing,
        sink: Sink,
        counters: LinkCounters,
        tap: Callable[[CanFrame], None] | None,
        after: Worker | None,
        reach: Callable[[int, bool], None],
    ) -> None:
        self._name = name
        self._outgoing = outgoing
        self._reach = reach
        self._tap = tap
        self._timing = options.timing
        self._publishers = bindings.publishers
        self._heard = asyncio.Event()
        rejected = counters.rejected
        # Foreign devices may have nothing to say for hours; a node of ours never has.
        self._must_hear = bool(bindings.nodes) and not (
            bindings.foreign_reports or bindings.publishers
        )
        foreign = ForeignIncoming(
            bindings.foreign_reports,
            bindings.publishers,
            say=sink,
            rejected=rejected,
            poll=self._ask,
        )
        self.incoming = Incoming(
            name,
            bindings.own_reports,
            bindings.nodes,
            foreign=foreign,
            say=sink,
            rejected=rejected,
            silence=options.timing.lost_after if self._must_hear else None,
            ours=outgoing.ours,
            trust=self._trust,
            reach=self._set_reach,
            answer=self._answer,
        )
        self._overdue = DeadlineTimer(lambda: self.incoming.next_deadline, self._check)
        self.bus = Bus(
            f"transport {name}",
            options.interface,
            {**options.arguments, **({} if tap is not None else bindings.filters)},
            outgoing=outgoing,
            take=self._take,
            rejected=rejected,
            patience=options.timing.send,
            after=after,
        )

    async def open(self) -> None:
        """Open the bus, put everything to danger, and wait for a node where there must be one.

        Raises ``LinkError`` or ``ConfigurationError``; ``close`` or ``abandon``
        is to be called in any case.
        """
        await self.bus.open()
        self._outgoing.begin()
        for publisher in self._publishers.values():
            self._ask(publisher)
        self.bus.pump()
        if self._must_hear:
            await self._wait_for_a_node()

    def abandon(self) -> None:
        """Let go of the bus without waiting for it."""
        self._overdue.stop()
        self.bus.abandon()

    async def close(self, within: float) -> None:
        """Put everything to danger as far as the bus takes frames, and let go of it."""
        self._overdue.stop()
        if not self.bus.lost:
            self._outgoing.all_danger()
            self.bus.pump()
        if not await self.bus.close(within):
            logger.warning("%s: the adapter does not let go of the bus", self._name)

    async def _wait_for_a_node(self) -> None:
        waiting = asyncio.ensure_future(self._heard.wait())
        losing = asyncio.ensure_future(self.bus.wait_lost())
        try:
            done, _ = await asyncio.wait(
                {waiting, losing},
                timeout=self._timing.lost_after,
                return_when=asyncio.FIRST_COMPLETED,
            )
        finally:
            waiting.cancel()
            losing.cancel()
            await asyncio.gather(waiting, losing, return_exceptions=True)
        if losing in done:
            raise LinkError(losing.result())
        if waiting not in done:
            raise LinkError(
                f"no node was heard within {self._timing.lost_after:g} s: see that the nodes have "
                "power, and that bit rate, cable and the two terminating resistors are right"
            )

    def _take(self, frame: CanFrame, now: float) -> None:
        if self._tap is not None:
            self._tap(frame)
        incoming = self.incoming
        incoming.take(frame.identifier, frame.data, now, extended=frame.extended)
        if incoming.heard and not self._heard.is_set():
            self._heard.set()
        self._overdue.arm(now)

    def _check(self, now: float) -> None:
        self.incoming.check(now)
        if self.incoming.silent:
            self.bus.lose(f"no node was heard for {self._timing.lost_after:g} s")
        if self.bus.lost:
            self._overdue.stop()

    def _ask(self, publisher: Publisher) -> None:
        """Ask a publisher for the state of its devices."""
        if publisher.poll is not None:
            self._outgoing.single(publisher.poll)
            self.bus.pump()

    def _trust(self, node: int, trusted: bool) -> None:  # noqa: FBT001
        """Order a node only while it is known to be one board; else it is held at danger."""
        self._outgoing.hold(node, held=not trusted)
        self.bus.pump()

    def _set_reach(self, node: int, reached: bool) -> None:  # noqa: FBT001
        """Say whether a node gets its orders; begin them anew for one that has lost them."""
        if not reached:
            self._outgoing.renew(node)
            self.bus.pump()
        self._reach(node, reached)

    def _answer(self, node: int, page: int, counter: int) -> None:
        self._outgoing.answer(node, page, counter)
        self.bus.pump()
