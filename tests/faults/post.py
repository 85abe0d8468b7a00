"""An MQTT broker in memory, on the loop's clock, in the place of one connection's session.

Law of this file: what a broker does with sessions, wills, acknowledgements and
retained messages, and what becomes of all of them when it is killed or frozen.
What a test does to messages on their way is its own affair (``Post.troubles``).
The faults that need a real broker are in ``test_real_broker.py``.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any
from unittest import mock

from attrs import evolve, field, frozen

from signalling.errors import LinkError
from transports.mqtt.session import Endpoint, Publication

if TYPE_CHECKING:
    from collections.abc import Mapping

WAY = 0.001
"""Seconds that a message takes to the broker, or from it."""


@frozen(eq=False)
class Message:
    """A message on its way to one session, and what the tests know of it."""

    topic: str
    payload: bytes
    retained: bool = False
    said: float = 0.0
    """When it was published."""
    says: Mapping[str, str] = field(factory=dict)
    """What of the railway it truly says; empty where it is not what its publisher made."""


Trouble = Callable[[Message, "MemorySession"], Iterable[tuple[float, Message]] | None]
"""What becomes of a message on its way to a session; ``None`` where that is not troubled."""


class Post:
    """The broker."""

    def __init__(self) -> None:
        self.running = True
        self.troubles: list[Trouble] = []
        self.sessions: list[MemorySession] = []
        self.retained: dict[str, bytes] = {}
        self.passed: deque[Message] = deque(maxlen=4000)
        """What was published of late."""
        self.says: Callable[[str], Mapping[str, str]] = lambda _: {}
        """What a message that is published now on a topic says of the railway."""
        self.heard: Callable[[Message], None] = lambda _: None
        """Called with what arrives as its publisher made it."""
        self.thawed = asyncio.Event()
        self.thawed.set()
        self._stuck: list[Callable[[], None]] = []

    # -- trouble

    def kill(self) -> None:
        """End at once, as by ``kill -9``: no will, no word, nothing kept."""
        self.running = False
        self.retained.clear()
        self._stuck.clear()
        for session in list(self.sessions):
            session.lose("the broker has gone")
        self.thawed.set()

    def start(self) -> None:
        self.running = True

    def freeze(self) -> None:
        self.thawed.clear()

    def thaw(self) -> None:
        """Go on with what came in meanwhile."""
        self.thawed.set()
        stuck, self._stuck = self._stuck, []
        for each in stuck:
            each()

    def cut(self, session: MemorySession, will_after: float | None) -> None:
        """Let one connection break; its will is published later, or never."""
        session.lose("the connection has gone")
        will = session.endpoint.will
        if will is not None and will_after is not None:
            loop = asyncio.get_running_loop()
            loop.call_later(will_after, self._will, will)

    def _will(self, will: Publication) -> None:
        if self.running:
            self.publish(will)

    # -- the broker's work

    def when_thawed(self, action: Callable[[], None]) -> None:
        if self.thawed.is_set():
            action()
        else:
            self._stuck.append(action)

    def publish(self, publication: Publication) -> None:
        """Take a message, and pass it on to whoever listens."""
        now = asyncio.get_running_loop().time()
        message = Message(
            publication.topic, publication.payload, said=now, says=self.says(publication.topic)
        )
        self.when_thawed(lambda: self._distribute(message, retain=publication.retain))

    def _distribute(self, message: Message, *, retain: bool) -> None:
        if not self.running:
            return
        self.passed.append(message)
        if retain:
            self.retained[message.topic] = message.payload
        for session in list(self.sessions):
            if message.topic in session.topics:
                self.deliver(message, session)

    def deliver(self, message: Message, session: MemorySession, *, troubled: bool = True) -> None:
        """Send a message to a session."""
        for trouble in self.troubles if troubled else ():
            arrivals = trouble(message, session)
            if arrivals is not None:
                for delay, each in arrivals:
                    self._send(each, session, WAY + delay)
                return
        self._send(message, session, WAY)

    def _send(self, message: Message, session: MemorySession, delay: float) -> None:
        if delay > WAY:
            asyncio.get_running_loop().call_later(delay, session.arrive, message)
        else:
            session.inward.pass_on(lambda: session.arrive(message))


class _Way:
    """One direction of a connection: what goes in comes out in the same order."""

    def __init__(self) -> None:
        self._under_way: deque[Callable[[], None]] = deque()

    def pass_on(self, action: Callable[[], None]) -> None:
        # Timers of one instant fire in any order; which action is next is not left to them.
        self._under_way.append(action)
        asyncio.get_running_loop().call_later(WAY, lambda: self._under_way.popleft()())


class MemorySession:
    """One connection, as ``transports.mqtt.session.Session``."""

    def __init__(
        self, post: Post, endpoint: Endpoint, receive: Callable[[str, bytes, bool], None]
    ) -> None:
        self.endpoint = endpoint
        self.topics: set[str] = set()
        self.deaf = self.mute = False
        """Whether nothing arrives here; whether nothing that is said here reaches the broker."""
        self.inward, self._outward = _Way(), _Way()
        self._post = post
        self._receive = receive
        self._loop = asyncio.get_running_loop()
        self._lost: asyncio.Future[str] = self._loop.create_future()
        self._open = False

    @property
    def connected(self) -> bool:
        return self._open and not self._lost.done()

    async def open(self) -> None:
        await asyncio.sleep(WAY)
        if not self._post.running:
            raise LinkError("cannot connect")
        try:
            async with asyncio.timeout(self.endpoint.patience):
                await self._post.thawed.wait()
                await asyncio.sleep(2 * WAY)
        except TimeoutError:
            raise LinkError("cannot connect: no answer") from None
        if not self._post.running:
            raise LinkError("cannot connect")
        self._open = True
        self._post.sessions.append(self)

    async def subscribe(self, topics: Sequence[str]) -> None:
        await self._answer(lambda: self._subscribe(topics))

    def _subscribe(self, topics: Sequence[str]) -> None:
        self.topics.update(topics)
        for topic in topics:
            if topic in self._post.retained:
                message = Message(topic, self._post.retained[topic], retained=True)
                self._post.deliver(message, self)

    async def publish(self, publications: Sequence[Publication]) -> None:
        said = tuple(publications)

        def take() -> None:
            for publication in said:
                self._post.publish(publication)

        await self._answer((lambda: None) if self.mute else take)

    async def _answer(self, action: Callable[[], None]) -> None:
        """Let the broker do something, and wait until it says that it has."""
        if not self.connected:
            raise LinkError("the connection has gone")
        done: asyncio.Future[None] = self._loop.create_future()

        def act() -> None:
            if self._post.running:
                self._post.when_thawed(finish)

        def finish() -> None:
            action()
            self.inward.pass_on(settle)

        def settle() -> None:
            if not done.done():
                done.set_result(None)

        self._outward.pass_on(act)
        lost = asyncio.ensure_future(self.wait_lost())
        ends: set[asyncio.Future[Any]] = {done, lost}
        try:
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            lost.cancel()
        if not done.done():
            raise LinkError("the connection has gone")

    def arrive(self, message: Message) -> None:
        """Take a message that the broker has sent."""
        if not self.connected or self.deaf or not self._post.running:
            return
        if not self._post.thawed.is_set():
            self._post.when_thawed(lambda: self.arrive(message))
            return
        if message.says:
            self._post.heard(message)
        self._receive(message.topic, message.payload, message.retained)

    async def wait_lost(self) -> str:
        return await asyncio.shield(self._lost)

    def lose(self, reason: str) -> None:
        if not self._lost.done():
            self._lost.set_result(reason)
        with contextlib.suppress(ValueError):
            self._post.sessions.remove(self)

    async def disconnect(self) -> None:
        await self._answer(lambda: self.lose("disconnected"))

    async def break_off(self) -> None:
        was_connected = self.connected
        self.lose("broken off")
        if was_connected and self.endpoint.will is not None:
            will = self.endpoint.will
            self._post.when_thawed(lambda: self._post._will(will))


@contextlib.contextmanager
def by_post(post: Post) -> Iterator[None]:
    """Let every connection be one to this broker."""

    def make(endpoint: Endpoint, receive: Any) -> MemorySession:
        return MemorySession(post, endpoint, receive)

    with mock.patch("transports.mqtt.link.Session", make):
        yield


def altered(message: Message, payload: bytes) -> Message:
    """Return a message with other bytes, which says nothing that is true."""
    return evolve(message, payload=payload, says={})
