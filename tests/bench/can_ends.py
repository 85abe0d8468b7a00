"""The two ends of a benchmark over CAN: wires that the driver holds, and who answers on them.

The driver plays a node; on each wire one process answers it: a controller, or a
bare loop of the same library that sends each report back. Each has a channel of
its own, so that it is woken by what is for it and by nothing else.
"""

from __future__ import annotations

import asyncio
import os
import pty
import select
import tty
from collections.abc import Mapping
from multiprocessing.connection import Connection
from typing import Any, Protocol

import can

from signalling.controller import Controller
from signalling.controller.clock import paced
from transports.can.frames import encode
from transports.can.protect import Sequence

GROUP = "239.74.163.2"
NODE = 3
"""The number of the node that the driver plays."""
BLOCKS = 6
REPORT, ORDER = 4 << 7 | NODE, 2 << 7 | NODE
"""Identifiers of ``DetectorReport`` and ``SignalOrder``."""

Frame = tuple[int, bytes]


# -- wires


class Wire(Protocol):
    """The driver's end of a channel."""

    def send(self, frame: Frame) -> None:
        """Send a frame to the other end."""

    def receive(self, within: float) -> Frame | None:
        """Return the next frame that has arrived, or ``None``."""


class Udp:
    """A channel of python-can's UDP multicast: a port of the group."""

    def __init__(self, port: int) -> None:
        self.options = {"interface": "udp_multicast", "channel": GROUP, "port": port}
        self._bus = can.Bus(ignore_config=True, **self.options)

    def send(self, frame: Frame) -> None:
        self._bus.send(message(frame))

    def receive(self, within: float) -> Frame | None:
        found = self._bus.recv(within)
        return None if found is None else (found.arbitration_id, bytes(found.data))

    def close(self) -> None:
        self._bus.shutdown()


class Serial:
    """A serial adapter on a pseudo-terminal, of which the driver is the inside."""

    def __init__(self, _number: int) -> None:
        self._near, self._far = pty.openpty()
        tty.setraw(self._far)
        self.options = {
            "interface": "slcan",
            "channel": os.ttyname(self._far),
            "bitrate": 500_000,
            "sleep_after_open": 0,
        }
        self._rest = b""
        self._arrived: list[Frame] = []

    def send(self, frame: Frame) -> None:
        identifier, data = frame
        os.write(self._near, f"t{identifier:03X}{len(data)}{data.hex().upper()}\r".encode())

    def receive(self, within: float) -> Frame | None:
        while not self._arrived:
            if not select.select([self._near], [], [], within)[0]:
                return None
            *lines, self._rest = (self._rest + os.read(self._near, 4096)).split(b"\r")
            for line in filter(None, lines):
                # As an adapter does: `z` for each frame, nothing but the end for a command.
                os.write(self._near, b"z\r" if line[:1] == b"t" else b"\r")
                if line[:1] == b"t":
                    self._arrived.append((int(line[1:4], 16), bytes.fromhex(line[5:].decode())))
        return self._arrived.pop(0)

    def close(self) -> None:
        os.close(self._near)
        os.close(self._far)


# -- the node that the driver plays


class Node:
    """Says frames of our own schema, each stream with its counter."""

    def __init__(self, number: int = NODE) -> None:
        self.number = number
        self._sequences: dict[tuple[str, int], Sequence] = {}

    def status(self) -> tuple[Frame, Frame]:
        """Say which board it is, and that it gets its orders."""
        identity = self._frame("NodeStatus", {"Serial": 0xC0FFEE + self.number})
        return identity, self._frame("NodeStatus", {"OrdersLost": 0}, page=1)

    def report(self, *, occupied: bool = False) -> Frame:
        """Report every block clear but the first, which may be occupied."""
        ports = dict.fromkeys((f"Port{port}" for port in range(BLOCKS)), 1)
        return self._frame("DetectorReport", ports | {"Port0": 2 if occupied else 1})

    def _frame(self, name: str, values: Mapping[str, int], page: int = 0) -> Frame:
        sequence = self._sequences.setdefault((name, page), Sequence())
        counter = sequence.counter
        frame = encode(name, self.number, counter=counter, group=page, values=values)
        sequence.advance()
        return frame


def message(frame: Frame) -> can.Message:
    return can.Message(arbitration_id=frame[0], data=frame[1], is_extended_id=False)


# -- who answers, each in a process of its own


def echo(options: dict[str, Any]) -> None:
    """The barest that the library can do: wait for a frame, send it back."""
    bus = can.Bus(ignore_config=True, **options)
    while True:
        found = bus.recv()
        if found is not None and found.arbitration_id == REPORT:
            bus.send(message((ORDER, bytes(found.data))))


def control(layout: str, asked: Connection) -> None:
    """A controller, which tells the counters of its link whenever it is asked."""

    async def run() -> None:
        async with Controller(layout) as controller:

            def tell() -> None:
                asked.recv()
                (link,) = controller.status().links
                asked.send(dict(link.counters.rejected))

            asyncio.get_running_loop().add_reader(asked.fileno(), tell)
            await asyncio.Event().wait()

    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(run())


def bindings(options: Mapping[str, Any], more: str = "") -> str:
    """Return the part of a layout file that binds a ring to the node on a channel."""
    table = dict(options)
    lines = [f"{key} = {table.pop(key)!r}" for key in ("interface", "channel")]
    if "bitrate" in table:
        lines.append(f"bitrate = {table.pop('bitrate')}")
    given = ", ".join(f"{key} = {value}" for key, value in table.items())
    blocks = ", ".join(f"b{block} = {block}" for block in range(BLOCKS))
    signals = blocks.replace("b", "S")
    return f"""
[transports.bench]
kind = "can"
{chr(10).join(lines)}
options = {{ {given} }}
[[bindings]]
device = "detector *"
transport = "bench"
report = {{ node = {NODE}, ports = {{ {blocks} }} }}
[[bindings]]
device = "signal *"
transport = "bench"
order = {{ node = {NODE}, ports = {{ {signals} }} }}
{more}
"""
