"""A platform for each train that comes: 1 where it can be had, else 3, else whatever comes free."""

import asyncio
from pathlib import Path

from signalling import Controller, Stage

CHOICE = ("A/main", "A/loop")


async def choose(controller: Controller) -> None:
    await controller.until("block a2 occupied")
    for route in CHOICE:
        asked = controller.ask(f"set {route}")
        if asked.outcome.stage is not Stage.REFUSED:
            break
        print(asked.outcome.reason)
    else:
        asked = controller.ask(f"set {CHOICE[0]} wait")
    outcome = await asked
    print(f"{outcome.stage}: {outcome.reason or route}")
    await controller.until("block a2 occupied", holds=False)


async def main() -> None:
    async with Controller(Path(__file__).with_name("station.toml")) as controller:
        await controller.until("block a2 occupied", holds=False)
        while True:
            await choose(controller)


asyncio.run(main())
