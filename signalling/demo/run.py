"""The demonstration at work: the real controller, real links, and Merrow Bay at their far end.

Law of this file: it joins them and keeps their time. Trains and turnouts are
the simulated railway's, aspects and stops the controller's; what passes between
them are reports and orders over the loopback transport, as over any other.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from importlib import resources

from attrs import frozen

from signalling.controller.controller import Controller
from signalling.core.interlocking import Snapshot
from signalling.core.words import (
    Alarm,
    ConfirmBlock,
    FreeSignal,
    HoldSignal,
    MoveTurnout,
    Request,
    RestoreBlock,
)
from signalling.demo.shunter import Shunter
from signalling.demo.signaller import Signaller
from signalling.simulate import TICK, Record, World
from signalling.table.load import load_table
from signalling.table.table import Table
from transports.loopback import LoopbackBench

__all__ = ["Demo", "Notice", "Outcome", "load_merrow_bay"]

_LINK = "here"
"""The transport's name in the layout file."""

_LOOK = 5
"""Ticks between two looks of the people who work the layout."""

_NOTICES = 40


@frozen
class Notice:
    """Something that happened, for people to read."""

    seconds: float
    text: str


@frozen(kw_only=True)
class Outcome:
    """What a demonstration came to."""

    layout: str
    signals: int
    seed: int
    record: Record
    alarms: tuple[Alarm, ...]
    """Every alarm that came up."""


def load_merrow_bay() -> Table:
    """Return the compiled layout of the demonstration."""
    with resources.as_file(resources.files("signalling.demo") / "layout.toml") as file:
        return load_table(file)


class Demo:
    """One run of the demonstration. ``seed`` decides what chance decides."""

    def __init__(self, table: Table, seed: int = 0) -> None:
        self.table = table
        self.seed = seed
        self.world = World(table, seed=seed)
        self.notices: deque[Notice] = deque(maxlen=_NOTICES)
        """What happened, the latest last."""
        self.snapshot: Snapshot | None = None
        """How the controller had everything when it was last looked at."""
        self._signaller = Signaller(seed)
        self._shunter = Shunter(self.world, seed)
        self._alarms: dict[Alarm, None] = {}
        self._wrong_side = 0
        self.stopping = False
        """Whether the run ends at the next tick."""

    def stop(self) -> None:
        """End the run at the next tick."""
        self.stopping = True

    async def run(self, seconds: float | None, watch: Callable[[], None] | None = None) -> Outcome:
        """Run for so many seconds of the loop's clock, or until stopped; call ``watch`` each tick.

        The loop's clock must not run ahead while anything is to be done, as
        ``paced(None)`` has it: then the same seed gives the same run.
        """
        world = self.world
        bench = LoopbackBench(world.order)
        for report in world.reports():
            bench.report(report.device, report.value)
        loop = asyncio.get_running_loop()
        start = loop.time()
        async with Controller(self.table, {_LINK: bench}) as controller:
            while not self.stopping and (seconds is None or world.seconds < seconds):
                # Before the clock goes on, what was reported last has been answered.
                await asyncio.sleep(start + (world.now + TICK) / 1e9 - loop.time())
                if world.now % (_LOOK * TICK) == 0:
                    self._work(controller)
                for report in world.advance(world.now + TICK):
                    bench.report(report.device, report.value)
                if watch is not None:
                    watch()
            record = world.record()
        layout = self.table.layout
        return Outcome(
            layout=layout.settings.name,
            signals=len(layout.signals),
            seed=self.seed,
            record=record,
            alarms=tuple(self._alarms),
        )

    def _work(self, controller: Controller) -> None:
        """Let the people who work the layout look at it and do something."""
        snapshot = self.snapshot = controller.interlocking.snapshot()
        for request in self._signaller(snapshot, self.world.now):
            controller.request(request)
            self._note(_told(request))
        said = self._shunter.act()
        if said is not None:
            self._note(said)
        for alarm in snapshot.alarms:
            if alarm not in self._alarms:
                self._alarms[alarm] = None
                self._note(alarm.sentence)
        events = self.world.truth.events
        for event in events[self._wrong_side :]:
            self._note(f"WRONG SIDE: {event.kind}, {event.thing}, {event.other}")
        self._wrong_side = len(events)

    def _note(self, text: str) -> None:
        self.notices.append(Notice(self.world.seconds, text))


def _told(request: Request) -> str:
    match request:
        case MoveTurnout(turnout, lie):
            return f"The signaller asks for turnout {turnout} {lie}."
        case HoldSignal(signal):
            return f"The next train is to call: signal {signal} is held."
        case FreeSignal(signal):
            return f"The train at signal {signal} may leave."
        case RestoreBlock(block):
            return f"The signaller has seen that block {block} is empty, and says so."
        case ConfirmBlock(block):
            return f"The signaller confirms that block {block} is empty: it is restored."
        case _:
            return str(request)
