"""Tern Junction at work: trains, boards, nodes and the real controller on wires in memory.

Law of this file: joining only. Everything runs on one loop whose clock jumps;
the transports, the supervisor, the controller and the nodes are the real ones.
What hardware shows goes to the trains and to the judge; what trains do goes to
the boards' inputs.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Self
from unittest import mock

from attrs import frozen

from signalling.controller import Controller
from signalling.core.words import Acknowledge, ConfirmBlock, MoveTurnout, RestoreBlock
from signalling.layout.notation import Lie
from signalling.layout.words import Device, Order
from signalling.simulate.world import World
from tests.faults.boards import RunningBoard
from tests.faults.judge import DANGER, Judge, Shown
from tests.faults.post import MemorySession, Post, by_post
from tests.faults.wire import INTERFACES, Wire, in_memory
from tests.mixed.tern import AT_REST, BELL, BOARDS, CALM, COIL, READS, ROUTES, STOPS, tern_table
from tests.mqtt_node import PyNode
from transports.link import LinkState
from transports.mqtt.session import Publication
from transports.supervise import Supervisor

if TYPE_CHECKING:
    from types import TracebackType

STEP = 0.02
"""Seconds between two looks at the outputs of nodes on MQTT."""
TICK = 0.1
FOREIGN = 0.3
"""Seconds after which the foreign devices say the same again."""
SETTLED = 1.5
"""Seconds for which a route must have been right before its signal is missed."""
LOCKED = 8.0
"""The same for a route that is locked: its approach time is 5 s."""

CONNECTIONS = ("shed", "yard")
"""The controller's, to the broker."""

_REPORT = "tern/v1/node/{}/report"


@frozen
class Change:
    """A signal that has come to show something else."""

    at: float
    signal: str
    before: str
    after: str
    right: bool
    """Whether everything by one of its routes was physically right: no train was the cause."""


class Railway:
    """The whole, as an asynchronous context manager. ``seed`` decides what chance decides.

    One that is not ``busy`` has no trains, and nobody throws a turnout. One that is
    not ``controlled`` has its hardware alone.
    """

    def __init__(
        self, seed: int, *, limit: float = 1.06, busy: bool = True, controlled: bool = True
    ) -> None:
        self.random = Random(seed)
        self.wire = Wire()
        self.post = Post()
        interface = INTERFACES[seed % len(INTERFACES)]
        self.table = tern_table(interface, "tern", 1, busy=busy)
        self._busy, self._controlled = busy, controlled
        self.world = World(self.table, seed=seed)
        self.judge = Judge(self.world, limit)
        self.boards = {
            name: RunningBoard(board, self.wire, self.random, self._look_soon)
            for name, board in BOARDS.items()
        }
        self.nodes: dict[str, PyNode] = {}
        self.changes: list[Change] = []
        self.restored = 0
        """Times that a person had to declare a block empty, or an alarm seen to."""
        self.bell = False
        self.foreign = True
        """Whether the foreign devices say anything."""
        self.controller = Controller(self.table)
        self._readings: dict[str, Callable[[], str]] = {}
        self._stack = contextlib.AsyncExitStack()
        self._tasks: list[asyncio.Task[None]] = []
        self._looking = False

    async def __aenter__(self) -> Self:
        stack = self._stack
        stack.enter_context(in_memory(self.wire))
        stack.enter_context(by_post(self.post))
        stack.enter_context(_seeded(self.random))
        self.wire.heard = lambda frame: self.judge.heard(frame.says, frame.said)
        self.post.heard = lambda message: self.judge.heard(message.says, message.said)
        self.post.says = self._says
        for name in READS:
            self.nodes[name] = await stack.enter_async_context(self.make_node(name))
        for report in self.world.reports():
            self._tell(report.device, report.value)
        for board in self.boards.values():
            board.power_on()
        self.judge.shown = self.read()
        if self._controlled:
            await self.controller.__aenter__()
            stack.push_async_callback(self._end_the_controller)
        self._tasks = [
            asyncio.create_task(self._tick(), name="the railway"),
            asyncio.create_task(self._say_foreign(), name="foreign devices"),
        ]
        if self._busy:
            self._tasks.append(asyncio.create_task(self._work(), name="the people"))
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._stack.aclose()
        for board in self.boards.values():
            board.remove()

    # -- the controller

    async def _end_the_controller(self) -> None:
        await self.controller.__aexit__(None, None, None)

    async def lose_the_controller(self) -> None:
        """Let the controller end as if it were killed: nothing that it would still say arrives."""
        for name in CONNECTIONS:
            session = self.session(name)
            if session is not None:
                self.post.cut(session, None)
        self.wire.unplugged = True
        await self._end_the_controller()
        self.wire.unplugged = False

    async def start_a_controller(self) -> None:
        self.controller = Controller(self.table)
        await self.controller.__aenter__()

    # -- the hardware

    def make_node(self, name: str, serial: str = "TJ-1") -> PyNode:
        """Return a node on MQTT that is not at work yet."""
        at_rest = {kind: dict(states) for kind, states in AT_REST[name].items()}
        node = PyNode("tern", name, serial, at_rest, port=1)
        for kind, names in READS[name].items():
            node.end.reports[kind] = dict.fromkeys(names, CALM[kind])
        return node

    def at_the_end(self, node: PyNode) -> None:
        """See to it that a node that was put to work later is ended."""
        self._stack.push_async_exit(node)

    def session(self, name: str) -> MemorySession | None:
        """Return the connection of a node, or of the controller's ``shed`` or ``yard``."""
        topic = {"shed": _REPORT.format("box"), "yard": COIL}.get(
            name, f"tern/v1/node/{name}/order"
        )
        for session in self.post.sessions:
            if topic in session.topics:
                return session
        return None

    def _says(self, topic: str) -> Mapping[str, str]:
        """Return what a message that is published now truly says."""
        if topic == COIL:
            return {"detector r5": "occupied" if self.world.inside["r5"] else "clear"}
        if topic == BELL:
            return {"danger bell": "danger" if self.bell else "free"}
        for name, node in self.nodes.items():
            if topic == _REPORT.format(name):
                return {
                    f"{kind} {device}": value
                    for kind, states in node.end.reports.items()
                    for device, value in states.items()
                    if value is not None
                }
        return {}

    def _tell(self, device: Device, value: str | None) -> None:
        """Let hardware read what a device is."""
        if device.kind == "detector":
            for board in self.boards.values():
                if device.name in board.detects and board.detects[device.name] is not None:
                    board.detect(device.name, value == "clear")
            if device.name == "r5":
                self._say_coil()
        for name, kinds in READS.items():
            if device.name in kinds.get(device.kind, ()):
                self.nodes[name].report(device.kind, **{device.name: value})

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Let a foreign client publish something."""
        if self.post.running:
            self.post.publish(Publication(topic=topic, payload=payload.encode(), retain=retain))

    def _say_coil(self) -> None:
        if self.foreign:
            self.say(COIL, f'{{"on": {"true" if self.world.inside["r5"] else "false"}}}')

    def ring(self, *, rings: bool) -> None:
        """Operate the danger switch, or let it go."""
        self.bell = rings
        self.judge.look_at_the_railway(self.now, bell=rings)
        if self.foreign:
            self.say(BELL, "down" if rings else "up")

    # -- what is shown

    @property
    def now(self) -> float:
        return asyncio.get_running_loop().time()

    def read(self) -> Shown:
        """Return what hardware shows now."""
        shown = Shown()
        for name in ROUTES:
            shown.aspects[name] = self._aspect(name)
        for board in self.boards.values():
            shown.lifted.update({stop: board.lifted(stop) for stop in board.board.stops})
        return shown

    def _aspect(self, signal: str) -> str:
        for board in self.boards.values():
            if signal in board.board.signals:
                return board.aspect(signal)
        for node in self.nodes.values():
            state = node.end.outputs.get("signal", {}).get(signal)
            if state is not None:
                shown: str = node.shown["signal"][signal]["aspect"]
                return shown
        raise AssertionError(signal)

    def _look_soon(self) -> None:
        if not self._looking:
            self._looking = True
            asyncio.get_running_loop().call_soon(self.look)

    def look(self) -> None:
        """Judge what was shown until now, and note what is shown from now on."""
        self._looking = False
        now, shown = self.now, self.read()
        self.judge.judge(now)
        for signal, after in shown.aspects.items():
            before = self.judge.shown.aspects.get(signal, DANGER)
            if before != after:
                right = self.judge.physically_right(signal)
                self.changes.append(Change(now, signal, before, after, right))
        self.judge.shown = shown

    # -- what goes on

    async def _tick(self) -> None:
        loop = asyncio.get_running_loop()
        start, steps = loop.time(), 0
        while True:
            steps += 1
            await asyncio.sleep(max(start + steps * STEP - loop.time(), 0))
            self.look()
            if steps % round(TICK / STEP) == 0:
                self._move()

    def _move(self) -> None:
        """Let trains run by what is shown."""
        for signal, aspect in self.judge.shown.aspects.items():
            self.world.order(Order(Device("signal", signal), aspect))
        for stop, lifted in self.judge.shown.lifted.items():
            self.world.order(Order(Device("stop", stop), "lifted" if lifted else "applied"))
        ordered = self.nodes["points"].shown["turnout"]["tw"]
        if ordered is not None:
            self.world.order(Order(Device("turnout", "tw"), ordered))
        news = self.world.advance(round(self.now * 1e9))
        self.judge.look_at_the_railway(self.now, bell=self.bell)
        for report in news:
            self._tell(report.device, report.value)

    async def _say_foreign(self) -> None:
        while True:
            self._say_coil()
            if self.foreign:
                self.say(BELL, "down" if self.bell else "up")
            await asyncio.sleep(FOREIGN)

    async def _work(self) -> None:
        """Throw turnouts, ring the bell, and see to alarms, as people would."""
        while True:
            await asyncio.sleep(1.0)
            self._throw()
            if self.random.random() < 0.05:
                self.ring(rings=not self.bell)
            elif self.bell:
                self.ring(rings=False)
            for alarm in self.controller.interlocking.alarms:
                self._see_to(alarm.kind, alarm.thing.rpartition(" ")[2])

    def _throw(self) -> None:
        inside, lying = self.world.inside, self.world.lying
        waiting = [lie for block, lie in (("p1", Lie.NORMAL), ("p2", Lie.REVERSE)) if inside[block]]
        if waiting and not inside["je"] and lying["te"] is not None and lying["te"] not in waiting:
            self.world.throw("te", self.random.choice(waiting))

    def ask_for_the_turnout(self) -> None:
        """Ask for the turnout that the controller moves to lie in one way or the other."""
        self.controller.request(MoveTurnout("tw", self.random.choice(list(Lie))))

    def _see_to(self, kind: str, thing: str) -> None:
        if kind == "train-lost" and not self.world.inside.get(thing):
            self.controller.request(RestoreBlock(thing))
            self.controller.request(ConfirmBlock(thing))
            self.restored += 1
        elif kind in ("passed-at-danger", "lamps-failed"):
            self.controller.request(Acknowledge(thing))
            self.restored += 1

    # -- whether all is well

    def ailing(self) -> list[str]:
        """Return what is not as it was before all faults; nothing where all is well."""
        found = []
        for link in self.controller.status().links:
            if link.state is not LinkState.UP:
                found.append(f"link {link.name} is {link.state}: {link.error}")
            found += [
                f"{device} is not known"
                for device, heard in link.heard.items()
                if heard.value is None
            ]
        found += [f"{device} has not been heard" for device in self.judge.unheard(self.now)]
        for settled, signals in ((SETTLED, set(ROUTES) - {"R2"}), (LOCKED, {"R2"})):
            for signal in self.judge.should_be_off(self.now, settled):
                if signal in signals and self.judge.shown.aspects[signal] == DANGER:
                    found.append(f"signal {signal} is at danger")
        for stop, signal in STOPS.items():
            off = self.judge.shown.aspects[signal] != DANGER
            if off is not self.judge.shown.lifted[stop]:
                found.append(f"stop {stop} is not as its signal")
        return found

    def off(self) -> set[str]:
        return {each for each, aspect in self.judge.shown.aspects.items() if aspect != DANGER}


@contextlib.contextmanager
def _seeded(chance: Random) -> Iterator[None]:
    """Let everything that is drawn by chance follow from the seed."""
    supervisor = partial(Supervisor, jitter=Random(chance.random()).random)

    def token(size: int = 32) -> str:
        return chance.randbytes(size).hex()

    with (
        mock.patch.object(secrets, "randbelow", chance.randrange),
        mock.patch.object(secrets, "token_hex", token),
        mock.patch("signalling.controller.controller.Supervisor", supervisor),
    ):
        yield
