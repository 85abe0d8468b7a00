"""A played node in a process of its own, told what to do on its standard input."""

from __future__ import annotations

import asyncio
import json
import sys

import can

from signalling.layout.words import Device
from tests.transports.can.played import PlayedBus, PoorFarEnd

GROUP = "239.74.163.2"


async def main() -> None:
    bus = PlayedBus(can.Bus(interface="udp_multicast", channel=GROUP, ignore_config=True))
    far_end = PoorFarEnd(bus)
    bus.join(far_end.node)
    bus.start()
    far_end.node.start()
    telling = asyncio.create_task(tell(far_end))
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    async for line in reader:
        verb, *arguments = json.loads(line)
        if verb == "report":
            kind, name, value = arguments
            await far_end.report(Device(kind, name), value)
        else:
            await getattr(far_end, verb)(*arguments)
        say({"done": verb})
    telling.cancel()
    await far_end.node.stop()
    await bus.stop()


async def tell(far_end: PoorFarEnd) -> None:
    """Say every change of what the node has been ordered."""
    told: dict[str, str | None] = {}
    say({"ready": True})
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
    asyncio.run(main())
