"""Runs ``signalling run`` on vcan0, where all others use Linux's can-utils.

A node of ours, and devices of others by their DBC file, say what they have to say
with ``cansend``, and hear what ``candump`` shows. See ``gannet.toml`` for the layout.
The program ends with 0 when all has gone as it says.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cantools
from cantools.database.can import Database

from tests.transports.can.played import PlayedNode
from transports.can.frames import decode

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

HERE = Path(__file__).parent
CHANNEL = "vcan0"
PATIENCE = 20.0
_LINE = re.compile(rf"\(\d+\.\d+\) {CHANNEL} ([0-9A-F]{{3}})#([0-9A-F]*)")
DANGER, CAUTION, CLEAR = 0, 1, 2
FREE, TAKEN = 1, 2


def cansend(identifier: int, data: bytes) -> None:
    """Send a frame; while the interface is down it is lost, as on a wire that is cut."""
    command = ["cansend", CHANNEL, f"{identifier:03X}#{data.hex()}"]
    subprocess.run(command, check=False, capture_output=True, timeout=PATIENCE)


async def end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        process.kill()
        await process.wait()


class Candump:
    """What goes over the bus, as candump shows it."""

    def __init__(self) -> None:
        self.frames: list[tuple[int, bytes]] = []
        self.hear: list[Callable[[int, bytes], None]] = []

    async def run(self) -> None:
        process = await asyncio.create_subprocess_exec(
            *("candump", "-L", "-D", CHANNEL), stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        try:
            async for line in process.stdout:
                if match := _LINE.match(line.decode()):
                    frame = int(match[1], 16), bytes.fromhex(match[2])
                    self.frames.append(frame)
                    for each in self.hear:
                        each(*frame)
            await process.wait()
        finally:
            await end(process)


class Shed:
    """Devices of others: what their DBC file says, by cantools alone."""

    def __init__(self) -> None:
        database = cantools.database.load_file(HERE / "merrow.dbc")
        assert isinstance(database, Database)
        self._occupancy = database.get_message_by_name("Occupancy")
        self._signals = database.get_message_by_name("Signals")
        self.taken = False
        self.heads: tuple[Any, Any] | None = None

    def say(self) -> None:
        values = {"Section_1": int(self.taken), "Section_2": 0, "Section_3": 0, "Volts": 12.0}
        cansend(self._occupancy.frame_id, self._occupancy.encode(values))

    def hear(self, identifier: int, data: bytes) -> None:
        if identifier == self._signals.frame_id:
            values = self._signals.decode_simple(data)
            self.heads = str(values["Head_1"]), values["Head_2"]

    async def run(self) -> None:
        while True:
            self.say()
            await asyncio.sleep(0.5)


class Running:
    """``signalling run``, and what it says."""

    def __init__(self) -> None:
        self.events: list[dict[str, Any]] = []
        self._process: asyncio.subprocess.Process | None = None

    async def run(self) -> None:
        self._process = process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "signalling", "run", "--json", str(HERE / "gannet.toml")),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
        )
        assert process.stdout is not None
        try:
            async for line in process.stdout:
                sys.stdout.write(line.decode())
                self.events.append(json.loads(line))
            await process.wait()
        finally:
            await end(process)

    async def stop(self) -> int:
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(PATIENCE):
            return await self._process.wait()

    def said(self, since: int, **what: Any) -> bool:
        return any(what.items() <= event.items() for event in self.events[since:])


@contextlib.asynccontextmanager
async def tasks(*running: Any) -> AsyncIterator[None]:
    started = [asyncio.create_task(each) for each in running]
    try:
        yield
    finally:
        for each in started:
            each.cancel()
        await asyncio.gather(*started, return_exceptions=True)


async def until(condition: Callable[[], object], what: str, seen: Callable[[], object]) -> None:
    loop = asyncio.get_running_loop()
    deadline = loop.time() + PATIENCE
    while not condition():
        if loop.time() > deadline:
            raise AssertionError(f"never came: {what}; seen: {seen()}")
        await asyncio.sleep(0.01)
    print(f"{loop.time():.2f} {what}", flush=True)  # noqa: T201 - shown where a later step fails


async def main() -> None:
    dump, shed, running = Candump(), Shed(), Running()
    node = PlayedNode(3, cansend)
    dump.hear += [node.hear, shed.hear]

    def aspects() -> tuple[int | None, tuple[Any, Any] | None]:
        return node.outputs.get(("SignalOrder", "Aspect0")), shed.heads

    async def shown(m1: int, m2: str, m3: int, what: str) -> None:
        await until(lambda: aspects() == (m1, (m2, m3)), what, lambda: (aspects(), node.rejected))

    def d2(value: int) -> None:
        node.put("DetectorReport", "Port1", value)

    node.inputs = {("DetectorReport", "Port0"): FREE, ("DetectorReport", "Port1"): FREE}
    async with tasks(dump.run(), running.run()):
        await until(lambda: dump.frames, "the controller on the bus", lambda: "nothing")
        first = decode(*dump.frames[0])
        assert (first.shape.name, first.node) == ("AllDanger", 0)
        node.start()
        async with tasks(shed.run()):
            await shown(CLEAR, "Green", 5, "all clear")
            d2(TAKEN)
            await shown(DANGER, "Green", 1, "a report of ours puts M1 to danger, and M3 to caution")
            d2(FREE)
            shed.taken = True
            await shown(CAUTION, "Red", 5, "a report of others puts M2 to danger")
            shed.taken = False
            await shown(CLEAR, "Green", 5, "all clear again")

            events = len(running.events)
            link("down")
            await until(
                lambda: (
                    running.said(events, event="link", name="club", state="lost")
                    and all(
                        running.said(
                            events, event="order", kind="signal", name=name, value="danger"
                        )
                        for name in ("M1", "M2", "M3")
                    )
                ),
                "the loss is noticed, and every signal ordered to danger",
                lambda: running.events[events:],
            )
            await until(lambda: aspects()[0] == DANGER, "the node is at danger by itself", aspects)
            frames = len(dump.frames)
            link("up")
            await shown(CLEAR, "Green", 5, "all clear on the link that came back")
            orders = [each for each in dump.frames[frames:] if is_order(*each)]
            assert decode(*orders[0]).shape.name == "AllDanger", orders

            assert await running.stop() == 0
            await shown(DANGER, "Red", 0, "stopped, with every signal at danger")
        await node.stop()


def link(state: str) -> None:
    subprocess.run(["ip", "link", "set", CHANNEL, state], check=True)


def is_order(identifier: int, data: bytes) -> bool:
    return identifier < 0x200 and decode(identifier, data).shape.by_controller


if __name__ == "__main__":
    asyncio.run(main())
