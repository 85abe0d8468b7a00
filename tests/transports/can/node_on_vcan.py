"""Runs ``signalling node`` on vcan0, where ``cansend`` and ``candump`` are its controller.

The program ends with 0 when all has gone as it says.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.transports.can.can_utils import (
    CHANNEL,
    PATIENCE,
    Candump,
    cansend,
    end,
    link,
    tasks,
    until,
)
from tests.transports.can.node_runs import heard
from transports.can.frames import decode, encode

NODE = "[board]\nserial = 7\n[stops]\n0 = { lift = 4 }\n[detectors]\n0 = { clear = 24 }\n"


class NodeProcess:
    """``signalling node`` with simulated pins, and what it says."""

    def __init__(self, file: Path) -> None:
        self.events: list[dict[str, Any]] = []
        self.process: asyncio.subprocess.Process | None = None
        self._file = file

    async def run(self) -> None:
        self.process = process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "signalling", "node", "--config", str(self._file)),
            *("--node", "3", "--interface", "socketcan", "--channel", CHANNEL),
            *("--pins", "simulated", "--json"),
            stdin=subprocess.PIPE,
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

    def put(self, line: str) -> None:
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())

    def pin(self, number: int) -> bool | None:
        """Return what an output was last set to."""
        said = [each["on"] for each in self.events if each.get("pin") == number]
        return said[-1] if said else None

    def link(self) -> str:
        said = [each["state"] for each in self.events if each["event"] == "link"]
        return said[-1] if said else ""


async def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "node.toml"
        file.write_text(NODE)
        await play(Candump(), NodeProcess(file))


async def play(dump: Candump, node: NodeProcess) -> None:
    counter = 0

    def frames(name: str) -> list[dict[str, int]]:
        decoded = (decode(*each) for each in dump.frames)
        return [each.values() for each in decoded if each.shape.name == name]

    def lift() -> None:
        nonlocal counter
        for _ in range(3):
            counter += 1
            cansend(*encode("StopOrder", 3, counter=counter, values={"Port0": 1}))

    async def seen(condition: Any, what: str) -> None:
        await until(condition, what, lambda: (node.events, dump.frames[-20:]))

    def answer(identifier: int, data: bytes) -> None:
        said = decode(identifier, data)
        if said.shape.name == "NodeStatus":
            cansend(*heard(said.node, said.group, said.counter))

    dump.hear.append(answer)
    async with tasks(dump.run(), node.run()):
        await seen(lambda: node.link() == "up", "the node on the bus")
        await seen(lambda: len(dump.frames) > 6, "its first frames")
        first = [decode(*each) for each in dump.frames[:3]]
        assert [(each.shape.name, each["Serial"]) for each in first] == [("NodeStatus", 7)] * 3
        node.put("24 on")
        await seen(lambda: frames("DetectorReport")[-1]["Port0"] == 1, "a report")
        lift()
        await seen(lambda: node.pin(4) is True, "an order by cansend")
        await seen(lambda: node.pin(4) is False, "no refresh: the stop applied by itself")
        lift()
        await seen(lambda: node.pin(4) is True, "an order again")
        cansend(*encode("AllDanger", 0, counter=1))
        await seen(lambda: node.pin(4) is False, "all danger")
        link("down")
        await seen(lambda: node.link() == "lost", "an interface that is down")
        before = len(dump.frames)
        link("up")
        await seen(lambda: len(dump.frames) > before + 8, "frames on the link that came back")
        assert decode(*dump.frames[before])["Serial"] == 7
        lift()
        await seen(lambda: node.pin(4) is True, "an order on it")
        assert node.process is not None
        node.process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(PATIENCE):
            assert await node.process.wait() == 0
        await seen(lambda: node.pin(4) is False, "stopped, with the stop applied")
        assert frames("DetectorReport")[-1]["Port0"] == 0


if __name__ == "__main__":
    asyncio.run(main())
