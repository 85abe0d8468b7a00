"""Checks the CAN transport against a node in another process, over a bus between them.

    python between_processes.py INTERFACE CHANNEL

With ``socketcan``, the checks cut the link by taking the interface down. The kernel
itself loses and reorders nothing there, so that the checks over a poor link are for
the others.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.transports.can.played import on_node
from transports.can import CanTransport
from transports.conformance import check_lossy_transport, check_transport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from signalling.layout.words import Device


class OtherProcess:
    """The far end of the conformance checks, in another process."""

    def __init__(self, interface: str, channel: str) -> None:
        self.channel = channel
        self.interface = interface
        self._orders: dict[str, str | None] = {}
        self._said: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            str(Path(__file__).with_name("far_end.py")),
            *(self.interface, self.channel),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        self._reader = asyncio.create_task(self._read(), name="the other process")

    async def stop(self) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        assert self._reader is not None
        self._process.stdin.close()
        await self._process.wait()
        await self._reader

    async def begin(self) -> None:
        """Start with a new node, which has been ordered nothing."""
        self._orders.clear()
        await self._do("begin")

    async def end(self) -> None:
        await self._do("end")

    async def _read(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        async for line in self._process.stdout:
            said = json.loads(line)
            if "ordered" in said:
                self._orders[said["ordered"]] = said["value"]
            else:
                self._said.put_nowait(said)

    async def _do(self, *command: str) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(command).encode() + b"\n")
        await self._said.get()

    async def report(self, device: Device, value: str) -> None:
        await self._do("report", device.kind, device.name, value)

    def ordered(self, device: Device) -> str | None:
        return self._orders.get(device.kind)

    async def cut(self) -> None:
        await self._do("cut")

    async def mend(self) -> None:
        await self._do("mend")

    async def freeze(self) -> None:
        await self._do("freeze")

    async def thaw(self) -> None:
        await self._do("thaw")

    async def trouble(self, kind: str) -> None:
        await self._do("trouble", kind)

    async def calm(self) -> None:
        await self._do("calm")


class BehindTheKernel(OtherProcess):
    """A node on a bus of SocketCAN, whose interface can be taken down."""

    async def _link(self, state: str) -> None:
        process = await asyncio.create_subprocess_exec("ip", "link", "set", self.channel, state)
        assert await process.wait() == 0

    async def cut(self) -> None:
        await self._link("down")

    async def mend(self) -> None:
        await self._link("up")


@contextlib.asynccontextmanager
async def make(
    devices: tuple[BoundDevice, ...], far_end: OtherProcess
) -> AsyncIterator[tuple[Transport, OtherProcess]]:
    await far_end.begin()
    options = {"interface": far_end.interface, "channel": far_end.channel, "lost_after": 0.8}
    settings = TransportSettings(name="club", options=options, devices=on_node(devices))
    yield CanTransport(settings), far_end
    await far_end.end()


async def main(interface: str, channel: str) -> None:
    kernel = interface == "socketcan"
    far_end = (BehindTheKernel if kernel else OtherProcess)(interface, channel)
    await far_end.start()
    check = check_transport if kernel else check_lossy_transport
    await check(functools.partial(make, far_end=far_end))
    await far_end.stop()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
