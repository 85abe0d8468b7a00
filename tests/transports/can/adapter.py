"""A serial CAN adapter, played by the tests at the other end of a pseudo-terminal.

What it says is the line protocol that such adapters share and python-can calls
``slcan``: ``S4`` sets the bit rate, ``O`` opens, ``C`` closes, ``t1032AABB`` is a
frame; each ends with a carriage return.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from tests.transports.can.played import PlayedNode


class Adapter:
    """An adapter plugged in at ``port``, with nodes on its bus."""

    def __init__(self, port: Path) -> None:
        self.port = port
        self.commands: list[str] = []
        self.frozen = False
        self.open = False
        self._nodes: list[PlayedNode] = []
        self._near = self._far = -1
        self._line = bytearray()

    def join(self, node: PlayedNode) -> None:
        self._nodes.append(node)

    def plug_in(self) -> None:
        self._near, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(self._far))
        self._watch()

    def pull_out(self) -> None:
        if self._near >= 0:
            asyncio.get_running_loop().remove_reader(self._near)
            os.close(self._near)
            os.close(self._far)
            self._near = self._far = -1
            self.port.unlink(missing_ok=True)
        self.open = False

    def freeze(self) -> None:
        self.frozen = True
        asyncio.get_running_loop().remove_reader(self._near)

    def thaw(self) -> None:
        self.frozen = False
        if self._near >= 0:
            self._watch()

    def send(self, identifier: int, data: bytes) -> None:
        """Pass a frame of a node on to the host."""
        if self.open:
            self.say(f"t{identifier:03X}{len(data)}{data.hex().upper()}\r".encode())

    def say(self, text: bytes) -> None:
        if self._near >= 0 and not self.frozen:
            with contextlib.suppress(BlockingIOError):
                os.write(self._near, text)

    def _watch(self) -> None:
        asyncio.get_running_loop().add_reader(self._near, self._readable)

    def _readable(self) -> None:
        with contextlib.suppress(OSError):
            self._line += os.read(self._near, 4096)
        *lines, rest = self._line.split(b"\r")
        self._line = bytearray(rest)
        for line in lines:
            self._take(line.decode())

    def _take(self, line: str) -> None:
        if line.startswith("t"):
            if self.open:
                self.say(b"z\r")
                identifier, data = int(line[1:4], 16), bytes.fromhex(line[5:])
                for node in self._nodes:
                    node.hear(identifier, data)
            return
        self.commands.append(line)
        if line in ("O", "C"):
            self.open = line == "O"
        if line:
            self.say(b"\r")
