"""One opening of a bus by python-can: the only file that opens, writes and closes it.

Law of this file: frames in and out, and when the bus has gone; nothing of what
they mean. Writing has no queue: the next frame is asked for when the bus takes
one, so that a bus that is busy gets the newest orders. That a frame was taken
proves nothing; only what a node says does.
"""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING, Any, Protocol

import can

from signalling.errors import ConfigurationError, LinkError
from transports.can.outgoing import CanFrame
from transports.can.reader import Reader, make_reader
from transports.can.serial_port import claim, release
from transports.can.trouble import (
    bus_condition,
    error_counters,
    is_full,
    is_malformed,
    is_wrong_setup,
    sentence,
)
from transports.can.worker import Worker

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable, Mapping


__all__ = ["Bus", "FrameSource"]

_NEVER_BLOCK = frozenset({"socketcan", "udp_multicast", "virtual"})
"""Interfaces that take a frame, or refuse it, at once; all others are written by a thread."""

_RETRY = 0.002
"""Seconds after which a bus that was full is tried again."""
_STALE = 0.2
"""Seconds spent at most on throwing away what arrived before we were there."""


class FrameSource(Protocol):
    """What gives a bus the frames that are to go, each when the bus takes one."""

    def next_frame(self) -> CanFrame | None:
        """Return the frame that goes next, or ``None``; then ``gone`` or ``stuck`` follows."""

    def gone(self) -> None:
        """Take it that the frame that was asked for has gone."""

    def stuck(self) -> None:
        """Take it that the bus did not take the frame."""


class Bus:
    """An open bus, until it is lost or closed.

    ``take`` gets each data frame; ``rejected`` counts what is none. ``patience``
    is how long the bus may take no frame, in seconds.
    """

    def __init__(
        self,
        thing: str,
        interface: str,
        arguments: Mapping[str, Any],
        *,
        outgoing: FrameSource,
        take: Callable[[CanFrame, float], None],
        rejected: Counter[str],
        patience: float,
        after: Worker | None,
    ) -> None:
        self._thing = thing
        self._interface = interface
        self._arguments = dict(arguments)
        self._outgoing = outgoing
        self._take = take
        self._rejected = rejected
        self._patience = patience
        self._loop = asyncio.get_running_loop()
        self._bus: can.BusABC | None = None
        self._port: int | None = None
        self._reader: Reader | None = None
        self._lost: asyncio.Future[str] = self._loop.create_future()
        self._blocks = interface not in _NEVER_BLOCK
        self._under_way: asyncio.Future[None] | None = None
        self._retry: asyncio.TimerHandle | None = None
        self._stuck_since: float | None = None
        self.error_counters: tuple[int, int] | None = None
        """The adapter's transmit and receive error counters, where it says them."""
        self.worker = Worker(f"CAN: {thing}", after)

    @property
    def lost(self) -> bool:
        """Whether the bus has gone."""
        return self._lost.done()

    async def open(self) -> None:
        """Open the bus and begin to read. Raises ``LinkError`` or ``ConfigurationError``.

        Cancelled, or failed, ``close`` is still to be called.
        """
        try:
            bus = await asyncio.shield(self.worker.do(self._open))
        except Exception as error:
            told = sentence(error, self._arguments)
            if is_wrong_setup(error):
                raise ConfigurationError(
                    self._thing,
                    f"python-can cannot open the interface {self._interface!r} so: {told}.",
                    "Correct channel, bitrate and options; python-can's manual lists what the "
                    "interface takes.",
                ) from error
            raise LinkError(f"the bus cannot be opened: {told}") from error
        self._reader = make_reader(
            bus,
            deliver=self._arrived,
            malformed=self._malformed,
            failed=lambda error: self.lose(sentence(error, self._arguments)),
        )

    async def wait_lost(self) -> str:
        """Return why the bus has gone, when it has."""
        return await asyncio.shield(self._lost)

    def lose(self, reason: str) -> None:
        """Take it that the bus has gone."""
        if not self._lost.done():
            self._lost.set_result(reason)
        self._stop()

    def pump(self) -> None:
        """Send what must go out, as far as the bus takes it; the rest follows by itself."""
        if self._bus is None or self._retry is not None or self._under_way is not None:
            return
        while not self.lost and (frame := self._outgoing.next_frame()) is not None:
            if self._blocks:
                self._write_by_thread(frame)
                return
            try:
                self._bus.send(_message(frame), 0)
            except Exception as error:  # noqa: BLE001 - drivers raise what they like
                self._not_taken(error)
                return
            self._taken()

    async def close(self, within: float) -> bool:
        """Close the bus, after what is still to go out; return whether that was done in time.

        ``within`` is how long each of the two may take.
        """
        deadline = self._loop.time() + within
        while self._under_way is not None or self._retry is not None:
            if self.lost or self._loop.time() >= deadline:
                break
            await asyncio.sleep(_RETRY)
        self.lose("the link was closed")
        self.worker.do(self._close)
        return await self.worker.end(within)

    def abandon(self) -> None:
        """Close the bus without waiting for it."""
        self.lose("the link was closed")
        self.worker.do(self._close)
        self.worker.abandon()

    # -- on the worker's thread

    def _open(self) -> can.BusABC:
        # Before the driver opens it, which would reset an adapter that somebody else uses.
        self._port = claim(self._arguments.get("channel"))
        self._bus = bus = can.Bus(interface=self._interface, ignore_config=True, **self._arguments)
        # What waits in the adapter was said before we were there.
        until = time.monotonic() + _STALE
        while time.monotonic() < until:
            try:
                if bus.recv(0) is None:
                    break
            except Exception as error:
                if not is_malformed(error):
                    raise
        return bus

    def _close(self) -> None:
        if self._reader is not None:
            self._reader.join()
        try:
            if self._bus is not None:
                self._bus.shutdown()
        finally:
            port, self._port = self._port, None
            release(port)

    # -- reading

    def _arrived(self, message: can.Message) -> None:
        if message.is_error_frame:
            condition = bus_condition(message)
            self._rejected[condition] += 1
            self.error_counters = error_counters(message) or self.error_counters
            if condition == "bus-off":
                self.lose("the adapter went off the bus for too many errors (bus-off)")
        elif message.is_remote_frame:
            self._rejected["remote-frame"] += 1
        elif message.is_fd:
            self._rejected["fd-frame"] += 1
        elif len(message.data) != message.dlc:
            self._rejected["truncated"] += 1
        else:
            frame = CanFrame(message.arbitration_id, bytes(message.data), message.is_extended_id)
            self._take(frame, self._loop.time())

    def _malformed(self) -> None:
        self._rejected["malformed"] += 1

    # -- writing

    def _write_by_thread(self, frame: CanFrame) -> None:
        bus, message, patience = self._bus, _message(frame), self._patience
        assert bus is not None  # noqa: S101 - for the type; there is one when anything is sent
        self._under_way = self.worker.do(lambda: bus.send(message, patience))
        self._retry = self._loop.call_later(patience, self._hangs)
        self._under_way.add_done_callback(self._written)

    def _written(self, done: asyncio.Future[None]) -> None:
        self._under_way = None
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None
        if self.lost:
            return
        error = None if done.cancelled() else done.exception()
        if error is None:
            self._taken()
        elif isinstance(error, Exception):
            self._not_taken(error)
        self.pump()

    def _hangs(self) -> None:
        self._retry = None
        self.lose(f"the bus took no frame for {self._patience:g} s")

    def _taken(self) -> None:
        self._stuck_since = None
        self._outgoing.gone()

    def _not_taken(self, error: Exception) -> None:
        self._outgoing.stuck()
        now = self._loop.time()
        if self._stuck_since is None:
            self._stuck_since = now
        told = sentence(error, self._arguments)
        if not is_full(error):
            self.lose(f"a frame could not be sent: {told}")
        elif now - self._stuck_since >= self._patience:
            self.lose(f"the bus took no frame for {self._patience:g} s: {told}")
        else:
            self._retry = self._loop.call_later(_RETRY, self._try_again)

    def _try_again(self) -> None:
        self._retry = None
        self.pump()

    def _stop(self) -> None:
        if self._reader is not None:
            self._reader.stop()
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None


def _message(frame: CanFrame) -> can.Message:
    return can.Message(
        arbitration_id=frame.identifier, data=frame.data, is_extended_id=frame.extended
    )
