"""A node on a bus and on pins: what runs the pure node in time.

Law of this file: time, bus and pins joined to the node, which decides all. The
bus is kept by the same supervisor as every link. Whatever happens here, the
outputs are set to danger at the end.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from attrs import evolve

from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import Order
from transports.can.bus import Bus
from transports.can.node import Node, PinChange
from transports.can.options import Options
from transports.can.outgoing import CanFrame
from transports.can.pins import Pins
from transports.can.schema import ALL_NODES, load_schema
from transports.can.worker import Worker
from transports.link import LinkState
from transports.supervise import Supervisor
from transports.transport import LinkCounters, Sink, TransportSettings

__all__ = ["NodeRunner"]

logger = logging.getLogger(__name__)

Event = dict[str, Any]

POLL: Final = 0.01
"""Seconds between two readings of the inputs."""
_SUPPLY: Final = 1.0
"""Seconds between two readings of the supply voltage."""
_LAST_WORDS: Final = 0.03
"""Seconds for which it goes on speaking once everything is at danger: the gap between frames."""
_FAREWELL: Final = 0.5
"""Seconds for which the last frames may take to go out."""


class NodeRunner:
    """Runs a node until cancelled.

    ``make`` makes the node; it gets the time in milliseconds. ``bus`` is what a
    layout file's table for a CAN transport says: ``interface``, ``channel``,
    ``bitrate``, ``options``. ``supply`` is a file with the supply voltage in mV.
    ``say`` gets events, each with ``at`` in seconds of the loop and ``event``; it
    must return at once and not raise.

    Raises ``ConfigurationError`` where the bus is set up wrongly; ``run`` does
    so too, and where an output cannot be set.
    """

    def __init__(
        self,
        make: Callable[[int], Node],
        pins: Pins,
        inputs: Iterable[int],
        bus: Mapping[str, Any],
        *,
        supply: str | None = None,
        say: Callable[[Event], None] = lambda _: None,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._pins = pins
        self._inputs = tuple(inputs)
        self._supply = None if supply is None else Path(supply)
        self._say = say
        self._timer: asyncio.TimerHandle | None = None
        self._broken: asyncio.Future[None] = self._loop.create_future()
        self._ended = False
        self._levels: dict[int, bool | None] = {}
        self._errors: tuple[int, int] | None = None
        self._link_told = ("", "")
        self._lost: bool | None = None
        self._identified = False
        self.node = make(self._now())
        settings = TransportSettings(name=f"of node {self.node.number}", options=bus, devices=())
        self._link = _Link(settings, self)

    async def run(self) -> None:
        """Run until cancelled; then everything is at danger, and the pins are let go."""
        supervisor = Supervisor(
            self._link,
            (),
            deliver=lambda _: None,
            timing=evolve(self._link.options.timing, farewell=_FAREWELL),
            changed=self._link_changed,
        )
        tasks = {
            asyncio.create_task(self._read_inputs(), name="read the inputs"),
            asyncio.create_task(supervisor.run(), name="keep the bus"),
        }
        if self._supply is not None:
            tasks.add(asyncio.create_task(self._read_supply(), name="read the supply"))
        try:
            self._act(self.node.advance(self._now()))
            ends: set[asyncio.Future[None]] = {*tasks, self._broken}
            done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            for end in done:
                end.result()
        finally:
            # First of all, and whatever the rest does.
            self._act(self.node.stop(self._now()))
            try:
                # What it reported is not known any more: that is said before the bus is left.
                await asyncio.sleep(_LAST_WORDS)
            finally:
                await self._end(tasks)

    async def _end(self, tasks: Iterable[asyncio.Task[None]]) -> None:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self._ended = True
        self._arm()
        self._pins.close()

    # -- what the link asks and tells

    def next_frame(self) -> CanFrame | None:
        """Return the frame that goes next, as a bus asks for it."""
        frame = self.node.frame(self._now())
        return None if frame is None else CanFrame(*frame)

    def gone(self) -> None:
        """Take it that the frame has gone."""
        self.node.sent(self._now())
        self._arm()

    def stuck(self) -> None:
        """Do nothing: the frame is made anew when the bus takes one."""

    def take(self, frame: CanFrame, _: float) -> None:
        """Take a frame from the bus."""
        if not frame.extended and self.node.listens(frame.identifier):
            self._act(self.node.take(frame.identifier, frame.data, self._now()))

    def begin(self) -> None:
        """Take it that the bus has been opened."""
        self._act(self.node.restart(self._now()))

    # -- in time

    def _now(self) -> int:
        return round(self._loop.time() * 1000)

    def _act(self, changes: Iterable[PinChange]) -> None:
        """Set outputs first, and then say what there is to say."""
        try:
            for change in changes:
                self._pins.write(change.pin, on=change.on)
        except Exception as error:  # noqa: BLE001 - drivers raise what they like
            if not self._broken.done():
                self._broken.set_exception(_unusable(error))
        self._link.pump()
        self._tell()
        self._arm()

    def _arm(self) -> None:
        now, frame, change = self._now(), self.node.next_frame, self.node.next_change
        # A frame that is due and has not gone waits for the bus, which asks for it by itself.
        times = [at for at in (change, frame if frame > now else None) if at is not None]
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None
        if times and not self._ended:
            self._timer = self._loop.call_at(max(min(times), now + 1) / 1000, self._advance)

    def _advance(self) -> None:
        self._timer = None
        self._act(self.node.advance(self._now()))

    def _tell(self) -> None:
        if self.node.orders_lost != self._lost:
            self._lost = self.node.orders_lost
            self._event("orders", lost=self._lost)
        if self.node.identified != self._identified:
            self._identified = self.node.identified
            self._event("identify", on=self._identified)

    def _event(self, event: str, **more: Any) -> None:
        self._say({"at": round(self._loop.time(), 6), "event": event, **more})

    def _link_changed(self, supervisor: Supervisor) -> None:
        error = supervisor.error if supervisor.state is LinkState.LOST else ""
        news = (str(supervisor.state), error)
        # Not each try of a bus that is not there is told.
        if supervisor.state is not LinkState.OPENING and news != self._link_told:
            self._link_told = news
            self._event("link", state=news[0], error=error)

    async def _read_inputs(self) -> None:
        while True:
            for pin in self._inputs:
                level = self._pins.read(pin)
                if pin not in self._levels or level != self._levels[pin]:
                    self._levels[pin] = level
                    self._act(self.node.read(pin, level, self._now()))
            errors = self._link.error_counters
            if errors is not None and errors != self._errors:
                self._errors = errors
                self._act(self.node.errors(*errors, self._now()))
            await asyncio.sleep(POLL)

    async def _read_supply(self) -> None:
        file = self._supply
        assert file is not None  # noqa: S101 - for the type
        while True:
            millivolts = 0
            with contextlib.suppress(OSError, ValueError):
                # Asking a sensor may take a while.
                millivolts = int(await asyncio.to_thread(file.read_text, "ascii"))
            self._act(self.node.supply(max(0, millivolts), self._now()))
            await asyncio.sleep(_SUPPLY)


def _unusable(error: Exception) -> ConfigurationError:
    return ConfigurationError(
        "pins",
        f"An output cannot be set: {error}.",
        "See that nothing else uses this computer's pins.",
    )


class _Link:
    """The node's bus, as the supervisor keeps a transport; it has no devices."""

    def __init__(self, settings: TransportSettings, runner: NodeRunner) -> None:
        self.name = settings.name
        self.counters = LinkCounters()
        self.options = Options.read(settings)
        self._runner = runner
        self._bus: Bus | None = None
        self._worker: Worker | None = None
        self._opened_once = False

    @property
    def error_counters(self) -> tuple[int, int] | None:
        return None if self._bus is None else self._bus.error_counters

    def pump(self) -> None:
        if self._bus is not None and not self._bus.lost:
            self._bus.pump()

    async def open(self, sink: Sink) -> None:  # noqa: ARG002 - nothing is reported here
        await self.close()
        options = self.options
        self._bus = bus = Bus(
            f"bus {self.name}",
            options.interface,
            {**options.arguments, "can_filters": _filters(self._runner.node.number)},
            outgoing=self._runner,
            take=self._runner.take,
            rejected=self.counters.rejected,
            patience=load_schema().order_timeout,
            after=self._worker,
        )
        self._worker = bus.worker
        try:
            await bus.open()
        except ConfigurationError as error:
            bus.abandon()
            self._bus = None
            if self._opened_once:
                # The same table has opened it before: something else has changed.
                raise LinkError(error.reason) from error
            raise
        except BaseException:
            bus.abandon()
            self._bus = None
            raise
        self._opened_once = True
        self._runner.begin()

    async def wait_lost(self) -> None:
        if self._bus is not None:
            raise LinkError(await self._bus.wait_lost())

    async def send(self, orders: Iterable[Order]) -> None:
        """Send nothing: a node gives no orders."""

    async def close(self) -> None:
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.pump()
            await bus.close(_FAREWELL / 2)


def _filters(number: int) -> list[dict[str, int | bool]]:
    """Return what python-can is to let through: the controller's frames for this node."""
    return [
        {"can_id": shape.identifier(node), "can_mask": 0x7FF, "extended": False}
        for shape in load_schema().shapes.values()
        if shape.by_controller
        for node in (ALL_NODES, number)
    ]
