"""What its author tests: everything that every transport must do, and what this one adds."""

import asyncio
import contextlib
from collections.abc import AsyncIterator

import pytest
from tcp_lines import TcpLines

from signalling import ConfigurationError, Device, Report
from transports import BoundDevice, TransportSettings, check_transport


class Hardware:
    """The far end: hardware that speaks the protocol, in the hands of the checks.

    It takes one connection at a time: a new one ends the one before, with what was not yet read.
    """

    def __init__(self) -> None:
        self.port = 0
        self._orders: dict[Device, str] = {}
        self._awake = asyncio.Event()
        self._awake.set()
        self._writer: asyncio.StreamWriter | None = None
        self._connections: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        self._living = asyncio.create_task(self._live())

    async def stop(self) -> None:
        self._server.close()
        self._living.cancel()
        if self._writer is not None:
            self._writer.transport.abort()
        await asyncio.wait({self._living, *self._connections})

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._writer is not None:
            self._writer.transport.abort()
        self._writer = writer
        if self._awake.is_set():
            self.say("")
        self._connections.add(asyncio.create_task(self._listen(reader, writer)))

    async def _listen(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while line := await reader.readline():
                await self._awake.wait()
                if writer is not self._writer:
                    break
                kind, name, value = line.decode().split()
                self._orders[Device(kind, name)] = value
        writer.transport.abort()

    async def _live(self) -> None:
        """Say again and again that it is there."""
        while True:
            await asyncio.sleep(0.3)
            await self._awake.wait()
            self.say("")

    def say(self, line: str) -> None:
        if self._writer is not None:
            self._writer.write(f"{line}\n".encode())

    # What the checks need of a far end: see transports.FarEnd.

    async def report(self, device: Device, value: str) -> None:
        self.say(f"{device} {value}")

    def ordered(self, device: Device) -> str | None:
        return self._orders.get(device)

    async def cut(self) -> None:
        await self.stop()

    async def mend(self) -> None:
        await self.start()

    async def freeze(self) -> None:
        self._awake.clear()

    async def thaw(self) -> None:
        self._awake.set()


@contextlib.asynccontextmanager
async def make(devices: tuple[BoundDevice, ...]) -> AsyncIterator[tuple[TcpLines, Hardware]]:
    hardware = Hardware()
    await hardware.start()
    options = {"port": hardware.port}
    yield TcpLines(TransportSettings(name="quay", options=options, devices=devices)), hardware
    await hardware.stop()


def test_it_does_what_every_transport_must() -> None:
    asyncio.run(check_transport(make))


def test_what_is_no_report_is_rejected_and_counted() -> None:
    async def run() -> None:
        async with make(()) as (transport, hardware):
            heard: list[Report] = []
            ended = asyncio.Event()

            def sink(report: Report) -> None:
                heard.append(report)
                if report.value == "occupied":
                    ended.set()

            await transport.open(sink)
            for line in (
                "detector d1",
                "detector d1 clear at last",
                "\xff",
                "",
                "detector d2 clear",
            ):
                hardware.say(line)
            hardware.say("detector d3 occupied")
            await ended.wait()
            assert [report.device.name for report in heard] == ["d2", "d3"]
            assert transport.counters.rejected["malformed"] == 3
            await transport.close()

    asyncio.run(run())


@pytest.mark.parametrize(
    "options", [{}, {"port": "7070"}, {"port": 70_700}, {"port": 7070, "speed": 9600}]
)
def test_a_table_that_cannot_be_used_is_refused(options: dict[str, object]) -> None:
    with pytest.raises(ConfigurationError, match="takes a host and a port"):
        TcpLines(TransportSettings(name="quay", options=options, devices=()))
