"""Reading a bus: what has arrived, in the order of its arrival, on the loop's thread.

Law of this file: from python-can's ``recv`` to a call; nothing is known of what
a message means. A bus that has a file descriptor is read when the loop says so;
any other by a thread. python-can's own ``Notifier`` reads one message a wake,
loses what its callbacks raise, and dies with the first error.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import deque
from typing import TYPE_CHECKING, Protocol

from transports.can.trouble import is_malformed

if TYPE_CHECKING:
    from collections.abc import Callable

    from can import BusABC, Message

__all__ = ["Reader", "make_reader"]

_AT_ONCE = 64
"""Messages taken before others have their turn."""
_KEPT = 10_000
"""Messages that a thread keeps for a loop that is held up; the oldest are lost then."""
_WAIT = 0.1
"""Seconds for which a thread waits before it looks whether it is to stop."""
_HOPELESS = 100
"""Things in a row that are no messages, after which the bus counts as broken."""


class Reader(Protocol):
    """Reads a bus until told to stop, or until the bus fails."""

    def stop(self) -> None:
        """Deliver nothing any more; may be called twice, and from within a delivery."""

    def join(self) -> None:
        """Wait for the end of what ``stop`` has ended; not on the loop's thread."""


class _Sorter:
    """Passes messages on, and tells what is only malformed from the end of a bus.

    ``deliver`` gets messages, ``malformed`` is called for what is none, ``failed``
    once with why reading has ended.
    """

    def __init__(
        self,
        bus: BusABC,
        deliver: Callable[[Message], None],
        malformed: Callable[[], None],
        failed: Callable[[Exception], None],
    ) -> None:
        self.stopped = False
        self._bus = bus
        self._deliver = deliver
        self._malformed = malformed
        self._failed = failed
        self._in_a_row = 0

    def message(self, message: Message) -> None:
        self._in_a_row = 0
        self._deliver(message)

    def error(self, error: Exception) -> bool:
        """Take an error of ``recv``; return whether reading goes on."""
        self._in_a_row += 1
        if is_malformed(error) and self._in_a_row < _HOPELESS:
            self._malformed()
            flush = getattr(self._bus, "flush", None)
            if isinstance(error.__cause__ or error, UnicodeDecodeError) and flush is not None:
                # A serial adapter's line that is no text stays in python-can's buffer for ever.
                flush()
            return True
        self._failed(error)
        return False


class _FileReader:
    """Reads a bus that has a file descriptor.

    A wake takes one message. Others are looked for when that which it has led to is
    done: to find none takes a millisecond on some adapters, for which an order would
    wait. They are looked for until there is none, since a bus may hold what it has
    already read from the file.
    """

    def __init__(self, bus: BusABC, descriptor: int, sorter: _Sorter) -> None:
        self._bus = bus
        self._descriptor = descriptor
        self._sorter = sorter
        self._scheduled = False
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(descriptor, self._readable)

    def stop(self) -> None:
        if not self._sorter.stopped:
            self._sorter.stopped = True
            self._loop.remove_reader(self._descriptor)

    def join(self) -> None:
        pass

    def _readable(self) -> None:
        if self._take() and not self._scheduled:
            self._schedule()

    def _schedule(self) -> None:
        self._scheduled = True
        self._loop.call_soon(self._drain)

    def _drain(self) -> None:
        self._scheduled = False
        for _ in range(_AT_ONCE):
            if not self._take():
                return
        self._schedule()

    def _take(self) -> bool:
        """Take the next message; return whether there may be another."""
        if self._sorter.stopped:
            return False
        try:
            message = self._bus.recv(0)
        except Exception as error:  # noqa: BLE001 - drivers raise what they like
            if self._goes_on(error):
                return True
            # A pulled cable is readable for ever.
            self.stop()
            return False
        if message is None:
            return False
        self._sorter.message(message)
        return True

    def _goes_on(self, error: Exception) -> bool:
        try:
            return self._sorter.error(error)
        except Exception as flushing:  # noqa: BLE001 - of the driver again
            return self._sorter.error(flushing)


class _ThreadReader:
    """Reads a bus that has no file descriptor."""

    def __init__(self, bus: BusABC, sorter: _Sorter) -> None:
        self._bus = bus
        self._sorter = sorter
        self._loop = asyncio.get_running_loop()
        self._arrived: deque[Message | Exception] = deque(maxlen=_KEPT)
        self._scheduled = False
        """Whether the loop is to take what has arrived; it is told once, however much that is."""
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="CAN: reader", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._sorter.stopped = True

    def join(self) -> None:
        self._thread.join()

    def _run(self) -> None:
        while not self._sorter.stopped:
            try:
                arrived: Message | Exception | None = self._bus.recv(_WAIT)
            except Exception as error:  # noqa: BLE001 - drivers raise what they like
                arrived = error
            if arrived is None:
                continue
            with self._lock:
                self._arrived.append(arrived)
                told, self._scheduled = self._scheduled, True
            if not told:
                with contextlib.suppress(RuntimeError):  # The loop is closed.
                    self._loop.call_soon_threadsafe(self._drain)
            if isinstance(arrived, Exception) and not is_malformed(arrived):
                return

    def _drain(self) -> None:
        for _ in range(_AT_ONCE):
            with self._lock:
                if self._sorter.stopped or not self._arrived:
                    self._scheduled = False
                    return
                arrived = self._arrived.popleft()
            if isinstance(arrived, Exception):
                if not self._sorter.error(arrived):
                    self.stop()
            else:
                self._sorter.message(arrived)
        self._loop.call_soon(self._drain)


def make_reader(
    bus: BusABC,
    *,
    deliver: Callable[[Message], None],
    malformed: Callable[[], None],
    failed: Callable[[Exception], None],
) -> Reader:
    """Begin to read a bus. All three are called on the loop's thread, and must not raise."""
    sorter = _Sorter(bus, deliver, malformed, failed)
    try:
        descriptor = bus.fileno()
    except Exception:  # noqa: BLE001 - many ways of saying that there is none
        descriptor = -1
    if descriptor >= 0:
        # Some loops watch no files.
        with contextlib.suppress(NotImplementedError):
            return _FileReader(bus, descriptor, sorter)
    return _ThreadReader(bus, sorter)
