"""Signalling added to an asyncio program: it says where trains are, we say what signals show."""

import asyncio
from pathlib import Path

from signalling import Controller, device
from transports import LoopbackBench


async def show(controller: Controller) -> None:
    async for change in controller.changes():
        for order in change.orders:
            print(f"{order.device}: {order.value}")


async def main() -> None:
    bench = LoopbackBench()  # stands in for the hardware that your program talks to
    async with Controller(Path(__file__).with_name("plain_line.toml"), bench) as controller:
        showing = asyncio.create_task(show(controller))
        for block in ("m1", "m2", "m3", "m4"):
            bench.report(device(f"detector {block}"), "clear")
        bench.report(device("danger hold-back"), "free")
        await asyncio.sleep(15)  # clear after 1.5 s; then the tunnel's hidden sections step up
        bench.report(device("detector m4"), "occupied")
        await asyncio.sleep(0.1)
    await showing


asyncio.run(main())
