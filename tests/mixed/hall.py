"""Tern Junction on real wires: a real Mosquitto, a serial adapter or python-can's virtual bus.

Law of this file: joining only, in real time. The boards are the reference node
with simulated pins; their bus is joined to the controller's by a cable, which
can be cut. The nodes on MQTT and the foreign devices are clients of the broker.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, Self

import aiomqtt
import can

from signalling.controller import Controller
from tests.mixed.tern import (
    AT_REST,
    BELL,
    BOARDS,
    CALM,
    COIL,
    READS,
    Board,
    tern_text,
)
from tests.mqtt_node import PyNode
from tests.transports.can.adapter import Adapter
from transports.can.node_board import make_node
from transports.can.node_file import node_file_from
from transports.can.node_runner import NodeRunner
from transports.can.pins import SimulatedPins

if TYPE_CHECKING:
    from tests.conftest import Broker

CHANNELS = (f"tern-{number}" for number in itertools.count())


class BoardAtWork:
    """A board with the reference node and simulated pins."""

    def __init__(self, board: Board, channel: str) -> None:
        self.board = board
        self.pins = SimulatedPins()
        for pin in (*board.detectors.values(), *board.proofs.values()):
            self.pins.put(pin, on=True)
        self._settings = node_file_from(board.file)
        self._channel = channel
        self._task: asyncio.Task[None] | None = None

    def power_on(self) -> None:
        board = self.board
        runner = NodeRunner(
            lambda now: make_node(self._settings, board.number, board.serial, (1, 0, 0), now),
            self.pins,
            self._settings.read,
            {"interface": "virtual", "channel": self._channel},
        )
        self._task = asyncio.create_task(runner.run(), name=f"board {board.number}")

    async def power_off(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    def aspect(self, signal: str) -> str:
        return self.board.aspect(signal, {pin for pin, on in self.pins.outputs.items() if on})

    def lifted(self, stop: str) -> bool:
        return self.pins.outputs.get(self.board.stops[stop], False)


class Far(Protocol):
    """The controller's end of the cable."""

    def send(self, identifier: int, data: bytes) -> None: ...


class Cable:
    """Joins the boards' bus to the controller's, frame by frame, until it is cut."""

    def __init__(self, boards: str, folder: Path) -> None:
        self.cut = False
        self._near = can.Bus(interface="virtual", channel=boards)
        self._folder = folder
        self._far: Far | None = None
        self._task: asyncio.Task[None] | None = None
        self.adapter: Adapter | None = None
        self._bus: can.BusABC | None = None

    def to_adapter(self) -> tuple[str, str]:
        """Join it to a serial adapter, plugged in; return interface and channel."""
        self.adapter = Adapter(self._folder / "adapter")
        self.adapter.join(self)  # type: ignore[arg-type]  # it hears as a node does
        self.adapter.plug_in()
        self._far = self.adapter
        return "slcan", str(self.adapter.port)

    def to_virtual(self) -> tuple[str, str]:
        channel = next(CHANNELS)
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._far = self
        return "virtual", channel

    def send(self, identifier: int, data: bytes) -> None:
        """Pass a frame on to the controller's virtual bus."""
        assert self._bus is not None
        self._bus.send(_message(identifier, data))

    def hear(self, identifier: int, data: bytes) -> None:
        """Take a frame of the controller's."""
        if not self.cut:
            self._near.send(_message(identifier, data))

    def start(self) -> None:
        self._task = asyncio.create_task(self._run(), name="cable")

    async def _run(self) -> None:
        assert self._far is not None
        while True:
            while (message := self._near.recv(0)) is not None:
                if not self.cut:
                    self._far.send(message.arbitration_id, bytes(message.data))
            while self._bus is not None and (message := self._bus.recv(0)) is not None:
                self.hear(message.arbitration_id, bytes(message.data))
            await asyncio.sleep(0.002)

    async def stop(self) -> None:
        assert self._task is not None
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task
        if self.adapter is not None:
            self.adapter.pull_out()
        self._near.shutdown()
        if self._bus is not None:
            self._bus.shutdown()


def _message(identifier: int, data: bytes) -> can.Message:
    return can.Message(arbitration_id=identifier, data=data, is_extended_id=False)


class Hall:
    """All of it, as an asynchronous context manager; where not ``controlled``, hardware alone."""

    def __init__(
        self, broker: Broker, folder: Path, medium: str, *, controlled: bool = True
    ) -> None:
        self.broker = broker
        self.folder = folder
        channel = next(CHANNELS)
        self.cable = Cable(channel, folder)
        interface, name = self.cable.to_adapter() if medium == "slcan" else self.cable.to_virtual()
        self.layout = folder / "tern.toml"
        text = tern_text(interface, name, broker.port, busy=False)
        if medium == "slcan":
            text = text.replace(
                'interface = "slcan"', 'interface = "slcan"\noptions = { sleep_after_open = 0 }'
            )
        self.layout.write_text(text)
        self.boards = {name: BoardAtWork(board, channel) for name, board in BOARDS.items()}
        self.nodes: dict[str, PyNode] = {}
        self.foreign = True
        self.controller = Controller(self.layout)
        self._controlled = controlled
        self._stack = contextlib.AsyncExitStack()
        self._changes: list[tuple[str, str]] = []
        self._shown: dict[str, str] = {}
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Self:
        self.cable.start()
        self._stack.push_async_callback(self.cable.stop)
        for board in self.boards.values():
            board.power_on()
            self._stack.push_async_callback(board.power_off)
        for name, kinds in READS.items():
            at_rest = {kind: dict(states) for kind, states in AT_REST[name].items()}
            node = PyNode("tern", name, "TJ-1", at_rest, port=self.broker.port)
            for kind, devices in kinds.items():
                node.end.reports[kind] = dict.fromkeys(devices, CALM[kind])
            self.nodes[name] = await self._stack.enter_async_context(node)
        self._tasks = [
            asyncio.create_task(self._say_foreign(), name="foreign devices"),
            asyncio.create_task(self._watch(), name="who looks at the signals"),
        ]
        if self._controlled:
            await self._stack.enter_async_context(self.controller)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stack.aclose()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _say_foreign(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self.broker.port, timeout=2) as client:
                    while True:
                        if self.foreign:
                            await client.publish(COIL, '{"on": false}')
                            await client.publish(BELL, "up")
                        await asyncio.sleep(0.25)
            await asyncio.sleep(0.1)

    # -- what is shown

    @property
    def aspects(self) -> dict[str, str]:
        found = {}
        for board in self.boards.values():
            found.update({signal: board.aspect(signal) for signal in board.board.signals})
        for node in self.nodes.values():
            states: Mapping[str, Mapping[str, str]] = node.shown.get("signal", {})
            found.update({signal: state["aspect"] for signal, state in states.items()})
        return found

    @property
    def applied(self) -> set[str]:
        return {
            stop
            for board in self.boards.values()
            for stop in board.board.stops
            if not board.lifted(stop)
        }

    async def _watch(self) -> None:
        while True:
            self._look()
            await asyncio.sleep(0.005)

    def _look(self) -> None:
        aspects = self.aspects
        self._changes += [each for each in aspects.items() if each not in self._shown.items()]
        self._shown = aspects

    @contextlib.contextmanager
    def changes(self) -> Iterator[list[tuple[str, str]]]:
        """Give what comes to be shown from here on: signals and aspects."""
        self._look()
        self._changes = []
        yield self._changes
        self._look()
