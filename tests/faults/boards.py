"""Boards on the wire: the reference node, powered and wired to the railway.

Law of this file: pins, power and the mailbox of a CAN controller. What a node
does is the reference node's affair; what its lamps and stops mean to a driver
is read off the pins alone.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from attrs import evolve

from tests.faults.wire import Frame, Port, Wire
from tests.mixed.tern import Board
from transports.can.node import Node
from transports.can.node_file import node_file_from
from transports.can.protect import check_sum

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

_CLASS_SHIFT = 7
_FROM_CONTROLLER = frozenset({0, 1, 2, 3, 7, 11, 13})
"""Classes that a board's CAN controller lets through, by the page of the protocol."""
_DETECTOR_REPORT = 4


class RunningBoard:
    """One board. ``changed`` is called when an output has changed."""

    def __init__(
        self, board: Board, wire: Wire, random: Random, changed: Callable[[], None]
    ) -> None:
        self.board = board
        self.name = f"board {board.number}"
        self.deaf = self.mute = False
        """Whether it hears nothing; whether nothing of what it says reaches the wire."""
        self.stuck = False
        """Whether its counters stand."""
        self.detects: dict[str, bool | None] = dict.fromkeys(board.detectors, False)
        """By detector, whether it reads clear; ``None`` where it cannot be read."""
        self.proves: dict[str, bool | None] = dict.fromkeys(board.proofs, True)
        """By signal, whether its lamps are proved alight; ``None`` where that cannot be read."""
        self._settings = node_file_from(board.file)
        self._wire = wire
        self._random = random
        self._changed = changed
        self._node: Node | None = None
        self._port = Port(wire, f"board {board.number}", self._hear)
        self._pins: set[int] = set()
        self._timer: asyncio.TimerHandle | None = None
        self._sending = False
        self._stood: dict[tuple[int, bytes], bytes] = {}
        self.serial = board.serial

    # -- power

    def power_on(self) -> None:
        self._node = Node(
            self._settings,
            number=self.board.number,
            serial=self.serial,
            firmware=(1, 0, 0),
            start=self._random.randrange(1 << 16),
            now=self._now,
        )
        for signal, alight in self.proves.items():
            self._read(self.board.proofs[signal], alight)
        for detector, clear in self.detects.items():
            self._read(self.board.detectors[detector], clear)
        self._run()

    def power_off(self) -> None:
        self._node = None
        self._sending = False
        self._port.waiting.clear()
        self._pins.clear()
        self._stood.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._changed()

    def rejoin(self) -> None:
        """Go on after the bus was off."""
        if self._node is not None:
            self._apply(self._node.restart(self._now))
            self._run()

    def remove(self) -> None:
        """Take the board out for good."""
        self.power_off()
        self._port.leave()

    @property
    def powered(self) -> bool:
        return self._node is not None

    # -- what the railway sees of it, and it of the railway

    def aspect(self, signal: str) -> str:
        return self.board.aspect(signal, self._pins)

    def lifted(self, stop: str) -> bool:
        return self.board.stops[stop] in self._pins

    def detect(self, name: str, clear: bool | None) -> None:  # noqa: FBT001
        if self.detects[name] is not clear:
            self.detects[name] = clear
            self._read(self.board.detectors[name], clear)
            self._run()

    def prove(self, signal: str, alight: bool | None) -> None:  # noqa: FBT001
        self.proves[signal] = alight
        self._read(self.board.proofs[signal], alight)
        self._run()

    def _read(self, pin: int, level: bool | None) -> None:  # noqa: FBT001
        if self._node is not None:
            self._apply(self._node.read(pin, level, self._now))

    # -- running

    @property
    def _now(self) -> int:
        return int(asyncio.get_running_loop().time() * 1000 + 1e-6)

    def _hear(self, frame: Frame) -> None:
        if self._node is None or self.deaf or frame.message is not None:
            return
        if frame.identifier >> _CLASS_SHIFT in _FROM_CONTROLLER:
            self._apply(self._node.take(frame.identifier, frame.data, self._now))
            self._run()

    def _apply(self, changes: tuple[object, ...]) -> None:
        for change in changes:
            pin, on = change.pin, change.on  # type: ignore[attr-defined]
            (self._pins.add if on else self._pins.discard)(pin)
        if changes:
            self._changed()

    def _run(self) -> None:
        node = self._node
        if node is None:
            return
        if not self._sending:
            self._say(node)
        self._arm(node)

    def _say(self, node: Node) -> None:
        made = node.frame(self._now)
        if made is None:
            return
        identifier, data = self._as_stuck(*made) if self.stuck else self._as_counted(*made)
        frame = Frame(identifier, data, by=self.name)
        if identifier >> _CLASS_SHIFT == _DETECTOR_REPORT and not self.stuck:
            frame = evolve(frame, says=self._says(), still=self._says)
        self._sending = True
        if self.mute:
            self._gone(node)
        else:
            self._port.send(frame, lambda: self._gone(node))

    def _gone(self, node: Node) -> None:
        if node is self._node:
            self._sending = False
            node.sent(self._now)
            self._run()

    def _says(self) -> dict[str, str]:
        said = {True: "clear", False: "occupied"}
        return {
            f"detector {name}": said[clear]
            for name, clear in self.detects.items()
            if clear is not None
        }

    def _as_counted(self, identifier: int, data: bytes) -> tuple[int, bytes]:
        self._stood[identifier, data[3:4]] = data[1:3]
        return identifier, data

    def _as_stuck(self, identifier: int, data: bytes) -> tuple[int, bytes]:
        """Return the frame with the counter of a frame of its stream before counters stood.

        It is that of the newest that arrived. One that got lost on its way would be news.
        """
        made = self._stood.setdefault((identifier, data[3:4]), data[1:3])
        header = self._wire.arrived.get((identifier, data[3:4]), made)
        data = b"\0" + header + data[3:]
        return identifier, bytes([check_sum(identifier, data)]) + data[1:]

    def _arm(self, node: Node) -> None:
        if self._timer is not None:
            self._timer.cancel()
        loop = asyncio.get_running_loop()
        when = max(node.next_deadline / 1000, loop.time() + 0.001)
        self._timer = loop.call_at(when, self._due)

    def _due(self) -> None:
        self._timer = None
        if self._node is not None:
            self._apply(self._node.advance(self._now))
            self._run()


def double(board: Board) -> Board:
    """Return another board with the same number."""
    return evolve(board, serial=board.serial + 0x100)
