"""The MQTT transport: a session, what arrives on it, and what is said on it.

Law of this file: in which order things are said when a connection opens, runs
and closes. What a message means is ``incoming``'s affair, the wire is
``session``'s, and policy the supervisor's.

We say of ourselves on ``{base}/controller``, retained: ``online`` again and
again while we run, which also proves that the broker is alive; ``offline``
when we stop, or through our will when we vanish.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import secrets
from typing import TYPE_CHECKING

from attrs import evolve

from signalling.errors import LinkError
from transports.mqtt.incoming import Incoming
from transports.mqtt.options import Options
from transports.mqtt.presence import OFFLINE, ONLINE, Publisher
from transports.mqtt.session import Endpoint, Publication, Session
from transports.mqtt.topics import Routes, checked_topic
from transports.transport import LinkCounters

if TYPE_CHECKING:
    from collections.abc import Awaitable, Iterable

    from signalling.layout.words import Order
    from transports.transport import Sink, TransportSettings

__all__ = ["MqttTransport"]

_PATIENCE = 3.0
"""Seconds that connecting, and each subscription, may take."""


class MqttTransport:
    """A transport over an MQTT broker.

    Raises ``ConfigurationError`` where its table or a binding cannot be used.
    """

    def __init__(self, settings: TransportSettings) -> None:
        self.name = settings.name
        self.counters = LinkCounters()
        self._options = options = Options.read(settings)
        self._publishers = {
            name: Publisher.make(settings.name, name, table)
            for name, table in options.publishers.items()
        }
        status = checked_topic(f"transport {self.name}, base", f"{options.base}/controller")
        self._online = Publication(topic=status, payload=ONLINE.encode(), retain=True)
        self._routes = Routes.make(
            settings.name, options.base, settings.devices, self._publishers, status
        )
        self._link: _Link | None = None

    async def open(self, sink: Sink) -> None:
        """Connect, listen, ask those who are to be asked, and say that we are there."""
        await self.close()
        link = _Link(
            self._options,
            self._routes,
            self._publishers,
            online=self._online,
            sink=sink,
            counters=self.counters,
        )
        await link.open()
        self._link = link

    async def wait_lost(self) -> None:
        """Return when the connection has gone; raise ``LinkError`` when the broker is silent."""
        if self._link is not None:
            await self._link.wait_lost()

    async def send(self, orders: Iterable[Order]) -> None:
        """Publish orders, and return when the broker has acknowledged them."""
        if self._link is None:
            raise LinkError("the connection is not open")
        publications = [self._routes.orders[order.device][order.value] for order in orders]
        await self._link.session.publish(publications)
        self.counters.sent += len(publications)

    async def close(self) -> None:
        """Say that we are off, as far as the broker listens, and disconnect."""
        link, self._link = self._link, None
        if link is not None:
            await link.close()


class _Link:
    """One connection, from opening to closing."""

    def __init__(
        self,
        options: Options,
        routes: Routes,
        publishers: dict[str, Publisher],
        *,
        online: Publication,
        sink: Sink,
        counters: LinkCounters,
    ) -> None:
        self._timing = options.timing
        self._online = online
        self._offline = evolve(online, payload=OFFLINE.encode())
        self._to_ask = {
            publisher.name: publisher.poll
            for publisher in publishers.values()
            if publisher.poll is not None
        }
        self._incoming = Incoming(
            routes.reports,
            publishers,
            say=sink,
            rejected=counters.rejected,
            poll=self._ask,
            limit=options.payload_limit,
        )
        self._turn = asyncio.Event()
        self._presence_timer: asyncio.TimerHandle | None = None
        self._telling: asyncio.Task[None] | None = None
        self.session = Session(
            Endpoint(
                host=options.host,
                port=options.port,
                identifier=f"signalling-{secrets.token_hex(5)}",
                username=options.username,
                password=options.password,
                tls=options.tls,
                # We are never silent for long; this is for the broker, about us.
                keepalive=math.ceil(2 * options.timing.lost_after),
                patience=_PATIENCE,
                will=self._offline,
            ),
            self._receive,
        )

    async def open(self) -> None:
        try:
            await self.session.open()
            await self.session.subscribe(self._incoming.topics)
            await self._tell()
        except BaseException:
            await self.close()
            raise
        self._telling = asyncio.create_task(self._keep_telling(), name="MQTT: sign of life")

    async def wait_lost(self) -> None:
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

    async def close(self) -> None:
        if self._presence_timer is not None:
            self._presence_timer.cancel()
        opened = self._telling is not None
        if self._telling is not None:
            self._telling.cancel()
            await asyncio.wait({self._telling})
            # A broker that did not answer the sign of life will not answer now.
            opened = self._telling.cancelled() or self._telling.exception() is None
        try:
            if opened and self.session.connected:
                await self._answered(self.session.publish([self._offline]))
                await self._answered(self.session.disconnect())
        except LinkError:
            pass  # Then our will says it for us.
        finally:
            await self.session.break_off()

    async def _keep_telling(self) -> None:
        """Say that we are there, at short intervals and whenever somebody is to be asked."""
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._timing.silence):
                    await self._turn.wait()
            await self._tell()

    async def _tell(self) -> None:
        self._turn.clear()
        to_ask, self._to_ask = self._to_ask, {}
        await self._answered(self.session.publish([self._online, *to_ask.values()]))

    async def _answered(self, doing: Awaitable[None]) -> None:
        """Wait for the broker's answer; raise ``LinkError`` where there is none in time."""
        try:
            async with asyncio.timeout(self._timing.send):
                await doing
        except TimeoutError:
            raise LinkError(
                f"the MQTT broker does not answer within {self._timing.send:g} s"
            ) from None

    def _ask(self, publisher: Publisher) -> None:
        """Let a publisher be asked for the state of its devices."""
        if publisher.poll is not None:
            self._to_ask[publisher.name] = publisher.poll
            self._turn.set()

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
        now = asyncio.get_running_loop().time()
        self._incoming.take(topic, payload, now, retained=retained)
        if self._presence_timer is None:
            self._arm_presence(now)

    def _arm_presence(self, now: float) -> None:
        deadline = self._incoming.presence.next_deadline
        if deadline is not None:
            # Timers may fire a little early; a later one is then armed.
            loop = asyncio.get_running_loop()
            self._presence_timer = loop.call_at(max(deadline, now + 1e-6), self._look)

    def _look(self) -> None:
        self._presence_timer = None
        now = asyncio.get_running_loop().time()
        self._incoming.presence.check(now)
        self._arm_presence(now)
