"""Checks the CAN transport against a node in another process, over UDP multicast.

Run by ``test_can_on_udp.py``, in a network of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.transports.can.played import on_node
from tests.transports.can.udp_far_end import GROUP
from transports.can import CanTransport
from transports.conformance import check_lossy_transport
from transports.transport import BoundDevice, Transport, TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from signalling.layout.words import Device


class OtherProcess:
    """The far end of the conformance checks, in another process."""

    def __init__(self) -> None:
        self._orders: dict[str, str | None] = {}
        self._said: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            str(Path(__file__).with_name("udp_far_end.py")),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        self._reader = asyncio.create_task(self._read(), name="the other process")
        await self._said.get()

    async def stop(self) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        assert self._reader is not None
        self._process.stdin.close()
        await self._process.wait()
        await self._reader

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


@contextlib.asynccontextmanager
async def make(devices: tuple[BoundDevice, ...]) -> AsyncIterator[tuple[Transport, OtherProcess]]:
    far_end = OtherProcess()
    await far_end.start()
    options = {"interface": "udp_multicast", "channel": GROUP, "lost_after": 0.8}
    settings = TransportSettings(name="club", options=options, devices=on_node(devices))
    yield CanTransport(settings), far_end
    await far_end.stop()


if __name__ == "__main__":
    asyncio.run(check_lossy_transport(make))
