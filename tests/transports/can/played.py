"""A node of our own schema, played by the tests: what docs/can-bus.md asks of one, and a bus.

The node knows nothing of the transport under test; it shares the codec with it,
which the tests of the codec hold against the page and against cantools.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import can
from attrs import evolve

from signalling.errors import RejectedInputError
from transports.can.frames import Frame, decode, encode
from transports.can.protect import Sequence, Tracker, Verdict
from transports.can.schema import load_schema

if TYPE_CHECKING:
    from collections.abc import Callable

    from signalling.layout.words import Device
    from transports.transport import BoundDevice

SCHEMA = load_schema()
PERIOD = 0.25


class PlayedNode:
    """A node that says and obeys, on any way of sending frames."""

    def __init__(
        self,
        number: int,
        send: Callable[[int, bytes], None],
        *,
        serial: int = 0xC0FFEE,
        start: int | None = None,
    ) -> None:
        self.number = number
        self.serial = serial
        self.frozen = False
        self.orders_lost = False
        """Whether it says that its outputs are at danger for want of orders."""
        self.inputs: dict[tuple[str, str], int] = {}
        """Values by frame and field."""
        self.outputs: dict[tuple[str, str], int] = {}
        self.rejected: list[str] = []
        self.identified = 0
        self.all_dangers = 0
        self._send = send
        self._start = start
        self._sequences: dict[tuple[str, int], Sequence] = {}
        self._trackers: dict[tuple[str, int], Tracker] = {}
        self._believed: dict[tuple[str, int], float] = {}
        self._task: asyncio.Task[None] | None = None
        self._page = 0

    # -- saying

    def start(self) -> None:
        for _ in range(3):
            self.say_status(0)
        for name in {name for name, _ in self.inputs}:
            for _ in range(3):
                self.say(name)
        self._task = asyncio.create_task(self._run(), name=f"played node {self.number}")

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(PERIOD)
            if not self.frozen:
                self.say_status((0, 1, 0, 2, 0, 3)[self._page % 6])
                self._page += 1
                for name in {name for name, _ in self.inputs}:
                    self.say(name)
            for stream, at in list(self._believed.items()):
                if loop.time() - at > SCHEMA.order_timeout:
                    del self._believed[stream]
                    self._trackers[stream].reset()
                    self._restrict(stream[0])

    def put(self, name: str, field: str, value: int) -> None:
        """Let an input read something, and say so at once."""
        first = not any(frame == name for frame, _ in self.inputs)
        self.inputs[name, field] = value
        for _ in range(3 if first else 1):
            self.say(name)

    def say(self, name: str) -> None:
        values = {field: value for (frame, field), value in self.inputs.items() if frame == name}
        self._say(name, 0, values)

    def say_status(self, page: int) -> None:
        pages = {0: {"Serial": self.serial}, 1: {"OrdersLost": int(self.orders_lost)}}
        self._say("NodeStatus", page, pages.get(page, {}))

    def _say(self, name: str, group: int, values: dict[str, int]) -> None:
        sequence = self._sequences.setdefault((name, group), Sequence(self._start))
        frame = encode(name, self.number, group=group, counter=sequence.counter, values=values)
        sequence.advance()
        if not self.frozen:
            self._send(*frame)

    # -- obeying

    def hear(self, identifier: int, data: bytes) -> None:
        if self.frozen:
            return
        try:
            frame = decode(identifier, data)
        except RejectedInputError as error:
            self.rejected.append(error.reason)
            return
        if not frame.shape.by_controller or frame.node not in (0, self.number):
            return
        if frame.shape.name == "AllDanger":
            self.all_dangers += 1
            for stream in self._trackers:
                self._trackers[stream].reset()
                self._restrict(stream[0])
            self._believed.clear()
        elif frame.shape.name == "Identify":
            if frame["Serial"] in (0, self.serial):
                self.identified += 1
        else:
            self._obey(frame)

    def _obey(self, frame: Frame) -> None:
        stream = (frame.shape.name, frame.group)
        tracker = self._trackers.setdefault(
            stream, Tracker(SCHEMA.largest_step, SCHEMA.frames_to_sync)
        )
        was_synced = tracker.synced
        verdict = tracker.take(frame.counter, frame.content)
        if verdict is Verdict.GOOD:
            self._believed[stream] = asyncio.get_running_loop().time()
            for field, value in frame.values().items():
                if frame.group == 0:
                    self.outputs[frame.shape.name, field] = value
        elif verdict is not Verdict.SYNCING:
            self.rejected.append(str(verdict))
        if was_synced and not tracker.synced:
            self._restrict(frame.shape.name)

    def _restrict(self, name: str) -> None:
        if name != "TurnoutOrder":
            for key in self.outputs:
                if key[0] == name:
                    self.outputs[key] = 0


def on_node(devices: tuple[BoundDevice, ...], node: int = 3) -> tuple[BoundDevice, ...]:
    """Bind each device to a port of a node: the first of a kind to port 0, and so on."""
    ports: dict[str, int] = {}
    found = []
    for device in devices:
        port = ports.setdefault(device.device.kind, 0)
        ports[device.device.kind] += 1
        where = {"node": node, "port": port}
        found.append(
            evolve(
                device,
                report=where if device.reports else {},
                order=where if device.orders else {},
            )
        )
    return tuple(found)


REPORTS = {
    ("detector", "clear"): ("DetectorReport", "Port0", 1),
    ("detector", "occupied"): ("DetectorReport", "Port0", 2),
    ("turnout", "normal"): ("TurnoutReport", "Port0", 1),
    ("turnout", "reverse"): ("TurnoutReport", "Port0", 2),
    ("turnout", "moving"): ("TurnoutReport", "Port0", 3),
}
ORDERS = {
    "turnout": ("TurnoutOrder", "Port0", (None, "normal", "reverse")),
    "signal": ("SignalOrder", "Aspect0", ("danger", "caution", "clear")),
    "stop": ("StopOrder", "Port0", ("applied", "lifted")),
}


class PlayedFarEnd:
    """The far end of the conformance checks: one node with a port 0 of each kind."""

    def __init__(self, node: PlayedNode) -> None:
        self.node = node

    async def report(self, device: Device, value: str) -> None:
        self.node.put(*REPORTS[device.kind, value])

    def ordered(self, device: Device) -> str | None:
        name, field, words = ORDERS[device.kind]
        value = self.node.outputs.get((name, field))
        return None if value is None else words[value]

    async def cut(self) -> None:
        self.node.frozen = True

    async def mend(self) -> None:
        self.node.frozen = False

    async def freeze(self) -> None:
        self.node.frozen = True

    async def thaw(self) -> None:
        self.node.frozen = False


class PlayedBus:
    """A node's end of a python-can bus, read on the loop."""

    def __init__(self, bus: can.BusABC) -> None:
        self._bus = bus
        self._nodes: list[PlayedNode] = []
        self._task: asyncio.Task[None] | None = None
        self.heard: list[tuple[int, bytes]] = []

    def join(self, node: PlayedNode) -> None:
        self._nodes.append(node)

    def send(self, identifier: int, data: bytes, *, extended: bool = False) -> None:
        self._bus.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=extended))

    def start(self) -> None:
        self._task = asyncio.create_task(self._run(), name="played bus")

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._bus.shutdown()

    async def _run(self) -> None:
        while True:
            while (message := self._bus.recv(0)) is not None:
                self.heard.append((message.arbitration_id, bytes(message.data)))
                for node in self._nodes:
                    node.hear(message.arbitration_id, bytes(message.data))
            await asyncio.sleep(0.002)


class PoorFarEnd(PlayedFarEnd):
    """A node whose frames a poor bus drops, repeats, delays or reorders."""

    def __init__(self, bus: PlayedBus) -> None:
        super().__init__(PlayedNode(3, self._send))
        self._bus = bus
        self._trouble = ""
        self._held: list[tuple[int, bytes]] = []

    def _send(self, identifier: int, data: bytes) -> None:
        match self._trouble:
            case "drop":
                return
            case "duplicate":
                self._bus.send(identifier, data)
            case "reorder" if not self._held:
                self._held.append((identifier, data))
                return
            case "delay" if len(self._held) < 8:
                self._held.append((identifier, data))
                return
        self._bus.send(identifier, data)
        held, self._held = self._held, []
        for each in held:
            self._bus.send(*each)

    async def trouble(self, kind: str) -> None:
        self._trouble = kind

    async def calm(self) -> None:
        self._trouble = ""
