"""One connection to an MQTT broker.

Law of this file: the only importer of the MQTT client, so that a change of
client touches this file only. It knows connections, topics and bytes, and
neither devices nor reports. A session is opened once and broken off once; a new
connection is a new session with a new client object, since re-used ones keep
state of the connection before.

MQTT 3.1.1, clean session, and QoS 1 both ways: a broker that has frozen accepts
QoS 0 in silence, and only a missing acknowledgement tells. Small packets are
sent at once (TCP_NODELAY): otherwise Nagle's algorithm and delayed
acknowledgements hold each exchange up by 40 ms or more. Set
``set_tcp_nodelay true`` in Mosquitto for the same reason.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from typing import TYPE_CHECKING, Any

import aiomqtt
from attrs import frozen

from signalling.errors import LinkError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Receive = Callable[[str, bytes, bool], None]
    """Called with topic, payload and whether the broker had retained it."""

__all__ = ["Endpoint", "Publication", "Session"]

_SUBSCRIPTIONS = 100
"""Topics subscribed to with one packet."""

_INFLIGHT = 200
"""Messages that may wait for their acknowledgement; more than a batch of orders ever is."""

_REFUSED = 0x80
"""The return code of a subscription that the broker refuses (MQTT 3.1.1, 3.9.3)."""

# What goes wrong is told through LinkError; the client's own lines would only repeat it.
_QUIET = logging.getLogger("transports.mqtt.client")
_QUIET.setLevel(logging.CRITICAL)


@frozen(kw_only=True)
class Publication:
    """A message to publish, at QoS 1 where not said otherwise."""

    topic: str
    payload: bytes
    retain: bool = False
    qos: int = 1


@frozen(kw_only=True)
class Endpoint:
    """Where a broker is, and who we are to it."""

    host: str
    port: int
    identifier: str
    """The client identifier; unique at the broker."""
    keepalive: int
    """Seconds of silence after which the broker begins to doubt us."""
    patience: float
    """Seconds that connecting, subscribing and disconnecting may take, each."""
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    will: Publication | None = None
    """What the broker publishes for us when we vanish."""

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class Session:
    """One connection, from ``open`` to ``break_off``. ``receive`` must not raise."""

    def __init__(self, endpoint: Endpoint, receive: Receive) -> None:
        self._endpoint = endpoint
        self._client = _Client(endpoint, receive)

    async def open(self) -> None:
        """Connect. Raises ``LinkError``; then, or cancelled, it leaves nothing behind."""
        connecting = asyncio.create_task(self._client.__aenter__(), name="connect to the broker")
        try:
            await asyncio.shield(connecting)
        except aiomqtt.MqttError as error:
            await self._client.break_off()
            raise self._failed("cannot connect", error) from error
        except asyncio.CancelledError:
            # Connecting runs in a thread, which cannot be stopped, only waited for.
            with contextlib.suppress(aiomqtt.MqttError):
                await connecting
            await self._client.break_off()
            raise

    async def subscribe(self, topics: Sequence[str]) -> None:
        """Subscribe to topics, at QoS 1.

        Raises ``LinkError``, also where the broker refuses one.
        """
        refused = await self.try_to_subscribe(topics)
        if refused:
            raise LinkError(f"{self._endpoint} refuses to let us read {', '.join(refused)}")

    async def try_to_subscribe(self, filters: Sequence[str]) -> list[str]:
        """Subscribe to topics or filters, at QoS 1; return those that the broker refuses.

        Raises ``LinkError``.
        """
        refused: list[str] = []
        for start in range(0, len(filters), _SUBSCRIPTIONS):
            some = filters[start : start + _SUBSCRIPTIONS]
            try:
                granted: Sequence[Any] = await self._client.subscribe(
                    [(topic, 1) for topic in some]
                )
            except aiomqtt.MqttError as error:
                raise self._failed("cannot subscribe", error) from error
            refused += [
                topic
                for topic, code in zip(some, granted, strict=True)
                if getattr(code, "value", code) >= _REFUSED
            ]
        return refused

    async def publish(self, publications: Sequence[Publication]) -> None:
        """Publish all at once, and return when the broker has acknowledged each.

        Raises ``LinkError``. Cancelled, any part of them may have gone out.
        """
        try:
            await self._client.publish_all(publications)
        except aiomqtt.MqttError as error:
            raise self._failed("cannot publish", error) from error

    async def wait_lost(self) -> str:
        """Return why, when the connection has gone."""
        try:
            await anext(self._client.messages)
        except aiomqtt.MqttError as error:
            cause = error.__cause__
            told = "" if cause is None or isinstance(cause, aiomqtt.MqttError) else f": {cause}"
            return f"the connection to MQTT broker {self._endpoint} has gone{told}"
        raise AssertionError("messages do not go through the client's queue")

    @property
    def connected(self) -> bool:
        """Whether the connection is up, as far as can be known without asking the broker."""
        return self._client.connected

    async def disconnect(self) -> None:
        """Take leave, so that the broker does not publish our will. Raises ``LinkError``."""
        try:
            await self._client.__aexit__(None, None, None)
        except aiomqtt.MqttError as error:
            raise self._failed("cannot disconnect", error) from error

    async def break_off(self) -> None:
        """Leave nothing open, at once and without a word. May be called at any time."""
        await self._client.break_off()

    def _failed(self, doing: str, error: Exception) -> LinkError:
        return LinkError(f"MQTT broker {self._endpoint}: {doing}: {error}")


class _Client(aiomqtt.Client):
    """The client, with what its public interface lacks.

    It hands messages straight to ``receive`` instead of through a queue,
    publishes many messages with one wait, writes at once instead of on a later
    pass of the loop (a third off a round trip), and can be broken off without
    waiting for the other end.
    """

    def __init__(self, endpoint: Endpoint, receive: Receive) -> None:
        will = endpoint.will
        if endpoint.tls is not None:
            endpoint.tls.sslsocket_class = _ClosedSocket
        super().__init__(
            endpoint.host,
            endpoint.port,
            identifier=endpoint.identifier,
            username=endpoint.username,
            password=endpoint.password,
            tls_context=endpoint.tls,
            keepalive=endpoint.keepalive,
            timeout=endpoint.patience,
            clean_session=True,
            will=aiomqtt.Will(will.topic, will.payload, will.qos, will.retain) if will else None,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            max_inflight_messages=_INFLIGHT,
            logger=_QUIET,
        )
        self._client.connect_timeout = endpoint.patience
        self._receive: Receive | None = receive
        self._unacknowledged: dict[int, _Batch] = {}
        self._loop_thread = threading.get_ident()

    @property
    def connected(self) -> bool:
        return self._connected.done() and not self._disconnected.done()

    async def publish_all(self, publications: Sequence[Publication]) -> None:
        batch = _Batch(self._loop.create_future())
        for each in publications:
            info = self._client.publish(each.topic, each.payload, each.qos, each.retain)
            if info.rc:
                raise aiomqtt.MqttCodeError(info.rc, "the message was not taken")
            if each.qos:
                batch.left += 1
                self._unacknowledged[info.mid] = batch
        self._client.loop_write()
        if batch.left:
            await batch.done

    async def break_off(self) -> None:
        """Leave nothing open, without a word to the broker. May be called at any time."""
        self._receive = None
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
            # Writing now fails at once, upon which the client closes the socket.
            self._client.disconnect()
            self._client.loop_write()
        if self._disconnected.done():
            self._disconnected.exception()  # Seen; else asyncio complains that nobody looked.
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.wait({self._misc_task})

    def _on_message(self, _client: Any, _userdata: Any, message: Any) -> None:
        if self._receive is not None:
            self._receive(message.topic, message.payload, message.retain)

    def _on_disconnect(self, *args: Any, **more: Any) -> None:
        super()._on_disconnect(*args, **more)
        for batch in self._unacknowledged.values():
            if not batch.done.done():
                batch.done.set_exception(aiomqtt.MqttError("the connection has gone"))
        self._unacknowledged.clear()

    def _on_publish(self, _client: Any, _userdata: Any, mid: int, *_rest: Any) -> None:
        batch = self._unacknowledged.pop(mid, None)
        if batch is not None:
            batch.left -= 1
            if not batch.left and not batch.done.done():
                batch.done.set_result(None)

    # What is to be written, such as the acknowledgement of a report, waits two passes of the
    # loop: the orders that the report leads to are then written together with it, which wakes
    # the broker once instead of twice. The selector is asked only when writing blocks.

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        if threading.get_ident() == self._loop_thread:
            self._loop.call_soon(self._loop.call_soon, self._write, sock)
        else:
            super()._on_socket_register_write(client, userdata, sock)

    def _write(self, sock: Any) -> None:
        if self._client.want_write():
            self._client.loop_write()
        if self._client.want_write() and sock.fileno() != -1:
            self._loop.add_writer(sock.fileno(), self._client.loop_write)


class _ClosedSocket(ssl.SSLSocket):
    """A TLS socket that closes when its handshake fails; the client would leave it open."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - as in ssl
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


class _Batch:
    """Messages of which the acknowledgements are waited for together."""

    def __init__(self, done: asyncio.Future[None]) -> None:
        self.left = 0
        self.done = done
