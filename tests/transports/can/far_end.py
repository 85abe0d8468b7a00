"""A played node in a process of its own, told what to do on its standard input.

    python far_end.py INTERFACE CHANNEL

Each line is a verb with its arguments, as JSON; what the node is ordered, and that a
verb is done, are told on the standard output in the same way.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys

import can
from can.interfaces.socketcan import SocketcanBus

from signalling.layout.words import Device
from tests.transports.can.played import PlayedBus, PoorFarEnd


class Wire(SocketcanBus):
    """A bus whose interface can be down: what it does not carry then is lost, as on a cut wire."""

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        with contextlib.suppress(can.CanOperationError):
            super().send(msg, timeout)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        with contextlib.suppress(can.CanOperationError):
            return super()._recv_internal(timeout)
        return None, False


def open_bus(interface: str, channel: str) -> can.BusABC:
    if interface == "socketcan":
        return Wire(channel)
    return can.Bus(interface=interface, channel=channel, ignore_config=True)


class Place:
    """Where the node stands: a new one for each check, on a bus that is opened anew."""

    def __init__(self, interface: str, channel: str) -> None:
        self._interface = interface
        self._channel = channel

    async def begin(self) -> None:
        self._bus = PlayedBus(open_bus(self._interface, self._channel))
        self.far_end = PoorFarEnd(self._bus)
        self._bus.join(self.far_end.node)
        self._bus.start()
        self.far_end.node.start()
        self._telling = asyncio.create_task(tell(self.far_end))

    async def end(self) -> None:
        self._telling.cancel()
        await self.far_end.node.stop()
        await self._bus.stop()


async def main(interface: str, channel: str) -> None:
    place = Place(interface, channel)
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    async for line in reader:
        verb, *arguments = json.loads(line)
        if verb in ("begin", "end"):
            await getattr(place, verb)()
        elif verb == "report":
            kind, name, value = arguments
            await place.far_end.report(Device(kind, name), value)
        else:
            await getattr(place.far_end, verb)(*arguments)
        say({"done": verb})


async def tell(far_end: PoorFarEnd) -> None:
    """Say every change of what the node has been ordered."""
    told: dict[str, str | None] = {}
    while True:
        for kind, name in (("turnout", "t1"), ("signal", "M1"), ("stop", "S1")):
            value = far_end.ordered(Device(kind, name))
            if told.get(kind) != value:
                told[kind] = value
                say({"ordered": kind, "value": value})
        await asyncio.sleep(0.002)


def say(document: object) -> None:
    print(json.dumps(document), flush=True)  # noqa: T201 - how it tells


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
