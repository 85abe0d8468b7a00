"""One connection to a broker, from opening to closing, for whatever is said on it.

Law of this file: in which order things are said when a connection opens, runs
and closes, and when it counts as dead. What is said is the conversation's
affair, the wire is ``session``'s, and policy the supervisor's.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

from signalling.errors import LinkError
from transports.deadline import DeadlineTimer
from transports.mqtt.endpoint import endpoint
from transports.mqtt.session import Session

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable

    from signalling.layout.asking import Answer
    from signalling.layout.words import Order
    from transports.mqtt.conversation import Conversation
    from transports.mqtt.options import Options

__all__ = ["Link"]


class Link:
    """One connection. ``converse`` is given what wakes us, and returns the conversation."""

    def __init__(
        self, options: Options, converse: Callable[[Callable[[], None]], Conversation]
    ) -> None:
        self._timing = options.timing
        self._woken = asyncio.Event()
        self.conversation = converse(self._woken.set)
        self._overdue = DeadlineTimer(
            lambda: self.conversation.next_deadline, self.conversation.check
        )
        self._telling: asyncio.Task[None] | None = None
        self.session = Session(
            endpoint(options, "signalling", self.conversation.will), self._receive
        )

    async def open(self) -> None:
        """Connect, listen, and say what is to be said first. Raises ``LinkError``."""
        try:
            await self.session.open()
            await self.session.subscribe(self.conversation.topics)
            opening = self.conversation.opening(self._now())
            await self._answered(self.session.publish(opening))
        except BaseException:
            await self.close()
            raise
        self._telling = asyncio.create_task(self._keep_telling(), name="MQTT: sign of life")

    async def wait_lost(self) -> None:
        """Raise ``LinkError``, which says why, when the connection has gone."""
        watching = asyncio.create_task(self.session.wait_lost(), name="MQTT: connection")
        tasks = {watching} if self._telling is None else {watching, self._telling}
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            watching.cancel()
            await asyncio.wait({watching})
        for task in done - {watching}:
            task.result()
        raise LinkError(watching.result())

    async def send(self, orders: Iterable[Order]) -> None:
        """Publish orders, and return when the broker has acknowledged them."""
        said = self.conversation.orders(orders, self._now())
        if not said and not self.session.connected:
            raise LinkError("the connection to the MQTT broker has gone")
        await self.session.publish(said)

    async def tell(self, answers: Iterable[Answer]) -> None:
        """Publish answers to requests, and return when the broker has acknowledged them."""
        await self.session.publish(self.conversation.answers(answers))

    async def close(self) -> None:
        """Say what is said last, as far as the broker listens, and disconnect."""
        self._overdue.stop()
        opened = self._telling is not None
        if self._telling is not None:
            self._telling.cancel()
            await asyncio.wait({self._telling})
            # A broker that did not answer the sign of life will not answer now.
            opened = self._telling.cancelled() or self._telling.exception() is None
        try:
            if opened and self.session.connected:
                await self._answered(self.session.publish(self.conversation.closing()))
                await self._answered(self.session.disconnect())
        except LinkError:
            pass  # Then our will says it for us.
        finally:
            await self.session.break_off()

    async def _keep_telling(self) -> None:
        """Say what is to be said, at short intervals and whenever woken."""
        while True:
            pause = self.conversation.next_turn - self._now()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(pause, 0)):
                    await self._woken.wait()
            self._woken.clear()
            said = self.conversation.turn(self._now())
            await self._answered(self.session.publish(said))

    async def _answered(self, doing: Awaitable[None]) -> None:
        """Wait for the broker's answer; raise ``LinkError`` where there is none in time."""
        try:
            async with asyncio.timeout(self._timing.send):
                await doing
        except TimeoutError:
            raise LinkError(
                f"the MQTT broker does not answer within {self._timing.send:g} s"
            ) from None

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
        now = self._now()
        self.conversation.receive(topic, payload, now, retained=retained)
        self._overdue.arm(now)
