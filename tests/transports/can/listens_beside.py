"""Listens to a bus between processes: alone, without a word, and then beside who works it.

    python listens_beside.py GROUP FOLDER

To be run in a network of its own, as ``test_can_on_udp.py`` does.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Self

import can

LAYOUT = """
[layout]
name = "Gannet Point"
[blocks]
d1 = {}
d2 = {}
d3 = {}
[lines]
ring = "d1 > d2 > d3 > d1"
[signals]
A = { at = "d1 > d2" }
B = { at = "d2 > d3" }
C = { at = "d3 > d1" }
[stops]
S = { signal = "A" }
[transports.bus]
kind = "can"
interface = "udp_multicast"
channel = "GROUP"
[[bindings]]
device = ["detector d1", "detector d2"]
transport = "bus"
report = { node = 3, ports = { d1 = 0, d2 = 1 } }
[[bindings]]
device = "detector d3"
transport = "bus"
fresh = 2
[bindings.report]
dbc = "merrow.dbc"
message = "Occupancy"
signal = "Section_1"
values = { occupied = 1, clear = 0 }
[[bindings]]
device = "stop S"
transport = "bus"
order = { node = 3, port = 0 }
"""
NODE = """
[board]
serial = 7
[stops]
0 = { lift = 4 }
[detectors]
0 = { clear = 24 }
1 = { clear = 25 }
"""
PATIENCE = 60.0
QUIET = 2.0
"""Seconds; longer than any sign of life, or a refreshed order, is waited with."""


class Program:
    """A ``signalling`` with ``--json``, and what it has printed."""

    def __init__(self, *arguments: str) -> None:
        self.arguments = arguments
        self.events: list[dict[str, Any]] = []

    async def __aenter__(self) -> Self:
        self.process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "signalling", *self.arguments, "--json"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self._reader = asyncio.create_task(self._read())
        return self

    async def __aexit__(self, *_: object) -> None:
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        await self._reader

    async def _read(self) -> None:
        assert self.process.stdout is not None
        async for line in self.process.stdout:
            self.events.append(json.loads(line))

    async def says(self, **wanted: Any) -> dict[str, Any]:
        """Wait for an event that has this in it."""
        deadline = time.monotonic() + PATIENCE
        while True:
            for event in self.events:
                if wanted.items() <= event.items():
                    return event
            assert time.monotonic() < deadline, (self.arguments, wanted, self.events)
            await asyncio.sleep(0.02)

    async def tells(self, kind: str, name: str, value: str, *, order: bool) -> dict[str, Any]:
        """Wait until it tells of a device that counts."""
        told = {"kind": kind, "name": name, "order": order, "value": value, "reason": ""}
        deadline = time.monotonic() + PATIENCE
        while True:
            for event in self.events:
                if told in event.get("devices", ()):
                    return event
            assert time.monotonic() < deadline, (told, self.events)
            await asyncio.sleep(0.02)

    def write(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())

    async def end(self) -> None:
        self.process.send_signal(signal.SIGINT)
        assert await self.process.wait() == 0
        await self._reader
        assert self.process.stderr is not None
        errors = await self.process.stderr.read()
        assert not errors, errors


def arrived(bus: can.BusABC) -> list[int]:
    return [message.arbitration_id for message in iter(lambda: bus.recv(0), None)]


def write_files(group: str, folder: Path) -> tuple[str, str]:
    layout, node = folder / "gannet.toml", folder / "node.toml"
    layout.write_text(LAYOUT.replace("GROUP", group))
    node.write_text(NODE)
    shutil.copy(Path(__file__).with_name("merrow.dbc"), folder)
    return str(layout), str(node)


async def main(group: str, layout: str, node: str) -> None:
    place = ("--interface", "udp_multicast", "--channel", group)
    with can.Bus(interface="udp_multicast", channel=group, ignore_config=True) as wire:
        async with Program("listen", layout) as listen:
            await listen.says(event="link", state="up")
            # Alone with it: of all that is on the bus, nothing is its own.
            wire.send(can.Message(arbitration_id=0x7A0, data=b"\x01\x02", is_extended_id=False))
            stranger = await listen.says(event="arrival", place="7A0")
            assert (stranger["raw"], stranger["bound"]) == ("01 02", False)
            wire.send(can.Message(arbitration_id=0x610, data=b"\x01\x7d", is_extended_id=False))
            bound = await listen.tells("detector", "d3", "occupied", order=False)
            assert bound["values"]["Volts"] == 12.5
            await asyncio.sleep(QUIET)
            # This bus returns what one sends oneself.
            assert arrived(wire) == [0x7A0, 0x610], "a listener says nothing"
            # Beside a node and who works the layout.
            async with (
                Program(
                    "node", "--config", node, "--node", "3", *place, "--pins", "simulated"
                ) as board,
                Program("run", layout) as run,
            ):
                board.write("24 on")
                board.write("25 off")
                await listen.tells("detector", "d1", "clear", order=False)
                await listen.tells("detector", "d2", "occupied", order=False)
                await listen.tells("stop", "S", "applied", order=True)
                await run.says(event="report", kind="detector", name="d1", value="clear")
                await board.says(event="orders", lost=False)
                await run.end()
                board.process.kill()
            # What is not said again is not known any more, to a listener as well.
            await listen.says(event="device", kind="detector", name="d1", value=None)
            await listen.end()
    stopped = listen.events[-1]
    assert (stopped["event"], stopped["unheard"], stopped["passed_over"]) == ("stopped", [], 0)
    assert "another-controller" not in stopped["turned_away"]["bus"]
    totals = [event for event in listen.events if event["event"] == "total"]
    assert {"7A0", "610"} <= {event["place"] for event in totals}
    assert sum(event["count"] for event in totals) > len(totals)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], *write_files(sys.argv[1], Path(sys.argv[2]))))
