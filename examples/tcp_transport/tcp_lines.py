"""A transport of one's own: lines of text over TCP, each of them a device and one word for it.

It says `signal A danger` and hears `detector q1 occupied`. An empty line from the hardware means
that it is there: it says so when it takes a connection, and again at least every second.
"""

import asyncio
import contextlib
from collections.abc import Iterable

from signalling import ConfigurationError, Device, LinkError, Order, Report
from transports import SUPERVISED_OPTIONS, LinkCounters, Sink, Timing, TransportSettings

GONE = (OSError, EOFError, asyncio.LimitOverrunError)


class TcpLines:
    def __init__(self, settings: TransportSettings) -> None:
        self.name, self.counters = settings.name, LinkCounters()
        given = {k: v for k, v in settings.options.items() if k not in SUPERVISED_OPTIONS}
        match {"host": "127.0.0.1", **given}:
            case {"host": str(host), "port": int(port), **more} if not more and 0 < port < 65_536:
                self._address = (host, port)
            case _:
                raise ConfigurationError(
                    f"transport {self.name}",
                    f"It takes a host and a port, and not {given}.",
                    'Write, as an example, host = "127.0.0.1" and port = 7070.',
                )
        self._lost_after = Timing.from_options(self.name, settings.options).lost_after
        self._writer: asyncio.StreamWriter | None = None
        self._reading: asyncio.Task[str] | None = None

    async def open(self, sink: Sink) -> None:
        await self.close()
        try:
            reader, self._writer = await asyncio.open_connection(*self._address, limit=1000)
            async with asyncio.timeout(self._lost_after):
                await reader.readuntil(b"\n")
        except BaseException as error:  # a cancelled opening leaves nothing behind either
            await self.close()
            if not isinstance(error, GONE):
                raise
            raise LinkError(f"no answer from {self._address}: {error!r}") from error
        self._reading = asyncio.create_task(self._read(reader, sink), name=f"{self.name}: read")

    async def _read(self, reader: asyncio.StreamReader, sink: Sink) -> str:
        """Take lines until there are no more; return why."""
        try:
            while True:
                async with asyncio.timeout(self._lost_after):
                    line = await reader.readuntil(b"\n")  # half a line is never believed
                match line.decode("ascii", "replace").split():
                    case [kind, name, value]:
                        sink(Report(Device(kind, name), value))
                    case [_, *_]:
                        self.counters.rejected["malformed"] += 1
        except TimeoutError:
            return f"nothing was heard for {self._lost_after:g} s"
        except GONE as error:
            return f"the connection has gone: {error}"

    async def wait_lost(self) -> None:
        if self._reading is not None:
            await asyncio.wait({self._reading})
            if not self._reading.cancelled():
                raise LinkError(self._reading.result())

    async def send(self, orders: Iterable[Order]) -> None:
        if self._writer is None or self._reading is None or self._reading.done():
            raise LinkError("there is no connection")
        for order in orders:
            self._writer.write(f"{order.device} {order.value}\n".encode())
            self.counters.sent += 1
        try:
            await self._writer.drain()
        except OSError as error:
            raise LinkError(f"the connection has gone: {error}") from error

    async def close(self) -> None:
        reading, self._reading = self._reading, None
        writer, self._writer = self._writer, None
        if reading is not None:
            reading.cancel()
            await asyncio.wait({reading})
        if writer is not None:
            writer.close()
            try:
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
            finally:
                writer.transport.abort()  # what a dead peer does not take is thrown away
