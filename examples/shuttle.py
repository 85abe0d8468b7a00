"""A shuttle between platform 2 and Eider Point, over a single line that others may use too."""

import asyncio
from pathlib import Path

from signalling import Controller, Stage

DWELL = 20  # seconds
OUT = (["P2/branch"], "h1")
BACK = (["H/branch", "B/branch"], "p2")


async def run(controller: Controller, routes: list[str], to: str) -> None:
    for route in routes:
        while True:
            outcome = await controller.ask(f"set {route} wait")
            print(f"{route}: {outcome.stage} {outcome.reason}")
            if outcome.stage is Stage.SET:
                break
            await asyncio.sleep(DWELL)  # somebody has taken it back, or held the signal
    await controller.until(f"block {to} occupied")
    print(f"In {to}.")
    await asyncio.sleep(DWELL)


async def main() -> None:
    async with Controller(Path(__file__).with_name("station.toml")) as controller:
        await controller.until("block h1 occupied", holds=False)  # the train begins in platform 2
        while True:
            await run(controller, *OUT)
            await run(controller, *BACK)


asyncio.run(main())
