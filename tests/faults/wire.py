"""A CAN bus in memory, on the loop's clock: python-can at one end, boards at the others.

Law of this file: what a real bus does: one frame at a time, the lower identifier
first, each for its time on the wire; every other end hears it. What a test does
to frames on their way is its own affair (``Wire.troubles``). Nothing here knows
what a frame means.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar
from unittest import mock

import can
from attrs import evolve, field, frozen

if TYPE_CHECKING:
    from collections.abc import Mapping

INTERFACES = ("virtual", "pcan")
"""Names that the bus goes by: one that takes frames at once, and one that a thread writes."""
_BIT = 1 / 125_000
_MAILBOXES = 3
"""Frames that an adapter holds, as common CAN controllers do."""

Result = TypeVar("Result")


@frozen(eq=False)
class Frame:
    """A frame on the wire, and what the tests know of it."""

    identifier: int
    data: bytes
    by: str = ""
    """Who sent it."""
    said: float = 0.0
    """When."""
    says: Mapping[str, str] = field(factory=dict)
    """What of the railway it truly says; empty where it is not what its sender made."""
    still: Callable[[], Mapping[str, str]] | None = None
    """What it would say if it were made now."""
    message: can.Message | None = None
    """What the adapter makes of it, where that is no data frame."""

    @property
    def seconds(self) -> float:
        """How long it takes, with the most stuff bits there can be (Davis et al. 2007)."""
        size = min(len(self.data), 8)
        return (34 + 8 * size + 13 + (34 + 8 * size - 1) // 4) * _BIT


Trouble = Callable[[Frame, "Port"], Iterable[tuple[float, Frame]] | None]
"""What becomes of a frame on its way to an end: when it arrives, and as what.

``None`` where this trouble does not concern it.
"""


class Port:
    """One end of the wire. ``hear`` takes what arrives."""

    def __init__(self, wire: Wire, name: str, hear: Callable[[Frame], None]) -> None:
        self.name = name
        self.hear = hear
        self.waiting: list[tuple[Frame, Callable[[], None] | None]] = []
        self._wire = wire
        wire.ports.append(self)

    def send(self, frame: Frame, gone: Callable[[], None] | None = None) -> None:
        """Let a frame go when the bus is free; ``gone`` is called when it has."""
        self.waiting.append((frame, gone))
        self._wire.begin()

    def leave(self) -> None:
        """Be on the wire no more."""
        self.waiting.clear()
        with contextlib.suppress(ValueError):
            self._wire.ports.remove(self)


class Wire:
    """The bus."""

    def __init__(self) -> None:
        self.ports: list[Port] = []
        self.troubles: list[Trouble] = []
        self.adapters: list[MemoryBus] = []
        self.unplugged = False
        """Whether there is no adapter."""
        self.full = False
        """Whether adapters take nothing."""
        self.heard: Callable[[Frame], None] = lambda _: None
        """Called with what arrives at an adapter as its sender made it."""
        self.arrived: dict[tuple[int, bytes], bytes] = {}
        """By stream, the counter of the newest frame that arrived as its sender made it."""
        self.passed: deque[Frame] = deque(maxlen=4000)
        """What went over the wire of late."""
        self._busy = False

    def begin(self) -> None:
        """Let the next frame go, unless one is going."""
        if self._busy:
            return
        ports = [port for port in self.ports if port.waiting]
        if not ports:
            return
        port = min(ports, key=_next_identifier)
        at = min(range(len(port.waiting)), key=lambda index: port.waiting[index][0].identifier)
        frame, gone = port.waiting.pop(at)
        self._busy = True
        frame = self._as_it_goes(frame)
        asyncio.get_running_loop().call_later(frame.seconds, self._end, port, frame, gone)

    @staticmethod
    def _as_it_goes(frame: Frame) -> Frame:
        """Return a frame that may have waited: what is no longer so, it does not say."""
        if frame.still is None:
            return frame
        now = frame.still().items()
        says = {device: value for device, value in frame.says.items() if (device, value) in now}
        return evolve(frame, said=asyncio.get_running_loop().time(), says=says)

    def _end(self, sender: Port, frame: Frame, gone: Callable[[], None] | None) -> None:
        self._busy = False
        self.passed.append(frame)
        if gone is not None:
            gone()
        self.put(frame, sender)
        self.begin()

    def put(self, frame: Frame, sender: Port | None = None, *, troubled: bool = True) -> None:
        """Let every end but the sender's hear a frame."""
        for port in list(self.ports):
            if port is not sender:
                self._carry(frame, port, troubled=troubled)

    def _carry(self, frame: Frame, port: Port, *, troubled: bool) -> None:
        for trouble in self.troubles if troubled else ():
            arrivals = trouble(frame, port)
            if arrivals is not None:
                for delay, each in arrivals:
                    if delay > 0:
                        loop = asyncio.get_running_loop()
                        loop.call_later(delay, self._arrive, each, port)
                    else:
                        self._arrive(each, port)
                return
        self._arrive(frame, port)

    def _arrive(self, frame: Frame, port: Port) -> None:
        if port in self.ports:
            port.hear(frame)


def _next_identifier(port: Port) -> int:
    return min(frame.identifier for frame, _ in port.waiting)


class MemoryBus(can.BusABC):
    """python-can's end of a wire: a descriptor to wait for, ``recv`` and ``send``."""

    wire: Wire

    def __init__(self, channel: Any = None, **more: Any) -> None:
        super().__init__(channel=channel, **more)
        if self.wire.unplugged:
            self._is_shutdown = True
            raise can.CanInitializationError("no adapter") from OSError(errno.ENODEV, "no adapter")
        self.channel_info = f"memory {channel}"
        self._event = os.eventfd(0, os.EFD_NONBLOCK)
        self._arrived: deque[can.Message | OSError] = deque()
        self._port = Port(self.wire, "adapter", self._hear)
        self.wire.adapters.append(self)

    def fileno(self) -> int:
        return self._event

    def _hear(self, frame: Frame) -> None:
        if frame.says:
            self.wire.arrived[frame.identifier, frame.data[3:4]] = frame.data[1:3]
            self.wire.heard(frame)
        self.say(
            frame.message
            or can.Message(
                arbitration_id=frame.identifier, data=frame.data, is_extended_id=False, check=False
            )
        )

    def say(self, message: can.Message | OSError) -> None:
        """Let something be read."""
        self._arrived.append(message)
        os.eventfd_write(self._event, 1)

    def recv(self, timeout: float | None = None) -> can.Message | None:  # noqa: ARG002
        if not self._arrived:
            with contextlib.suppress(BlockingIOError):
                os.eventfd_read(self._event)
            return None
        arrived = self._arrived.popleft()
        if isinstance(arrived, OSError):
            raise arrived
        return arrived

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002
        if self.wire.unplugged:
            raise can.CanOperationError("no adapter") from OSError(errno.ENODEV, "no adapter")
        if self.wire.full or len(self._port.waiting) >= _MAILBOXES:
            raise can.CanOperationError("full") from OSError(errno.ENOBUFS, "full")
        now = asyncio.get_running_loop().time()
        self._port.send(Frame(msg.arbitration_id, bytes(msg.data), by="controller", said=now))

    def shutdown(self) -> None:
        if not self._is_shutdown:
            super().shutdown()
            self._port.leave()
            self.wire.adapters.remove(self)
            os.close(self._event)


class AtOnce:
    """In the place of the worker's thread: a clock that jumps does not wait for threads."""

    def __init__(self, _name: str, _after: AtOnce | None = None) -> None:
        self._loop = asyncio.get_running_loop()

    def do(self, job: Callable[[], Result]) -> asyncio.Future[Result]:
        future: asyncio.Future[Result] = self._loop.create_future()
        future.add_done_callback(lambda done: done.cancelled() or done.exception())
        try:
            future.set_result(job())
        except Exception as error:  # noqa: BLE001 - raised where the job was asked for
            future.set_exception(error)
        return future

    async def end(self, within: float) -> bool:  # noqa: ARG002
        return True

    def abandon(self) -> None:
        pass


@contextlib.contextmanager
def in_memory(wire: Wire) -> Iterator[None]:
    """Let python-can open this wire, and the worker do things at once."""
    backend = type("MemoryBus", (MemoryBus,), {"wire": wire})

    def make(*, interface: str, ignore_config: bool, **options: Any) -> can.BusABC:
        assert interface in INTERFACES
        assert ignore_config
        bus: can.BusABC = backend(**options)
        return bus

    with (
        mock.patch("transports.can.bus.can.Bus", make),
        mock.patch("transports.can.bus.Worker", AtOnce),
    ):
        yield
