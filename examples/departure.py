"""A departure from platform 1: after the stop's time and the guard's press, and not before."""

import asyncio
from pathlib import Path

from signalling import Controller, Report, device

DWELL = 30  # seconds
PRESS = Report(device("button guard"), "pressed")


async def press(controller: Controller) -> None:
    changes = controller.changes()
    await anext(changes)  # how everything stands now
    async for change in changes:
        if PRESS in change.reports:
            return


async def depart(controller: Controller) -> None:
    await controller.until("block p1 occupied")
    print("A train has arrived.")
    await asyncio.gather(asyncio.sleep(DWELL), press(controller))
    asked = controller.ask("set P1/main wait")
    print(f"P1/main: {asked.outcome.stage} {asked.outcome.reason}")
    outcome = await asked
    print(f"P1/main: {outcome.stage} {outcome.reason}")
    await controller.until("block p1 occupied", holds=False)
    print("It has left.")


async def main() -> None:
    async with Controller(Path(__file__).with_name("station.toml")) as controller:
        await controller.until("block p1 occupied", holds=False)
        while True:
            await depart(controller)


asyncio.run(main())
