"""A node of our own schema: what docs/can-bus.md asks of one, without a bus and without pins.

Law of this file: frames, levels of inputs and the time in; frames and changes of
outputs out; no bus, no pin, no clock. Times are whole milliseconds of any clock
that never jumps. Whatever is not certain is dropped and counted, and outputs
that nobody orders are at their most restrictive. The same rules stand in C in
``shared/node-c/node.c``, and tests hold both against each other.
"""

from __future__ import annotations

from collections import Counter

from attrs import define, frozen

from signalling.errors import RejectedInputError
from transports.can.frames import Frame, decode
from transports.can.node_answers import Answers
from transports.can.node_model import NodeFile
from transports.can.node_sender import Sender, milliseconds
from transports.can.node_things import BLINK
from transports.can.node_wiring import Wiring
from transports.can.protect import COUNTER_RANGE, Tracker, Verdict
from transports.can.schema import ALL_NODES, LAST_NODE, load_schema

__all__ = ["Node", "PinChange"]

_LARGEST_ERRORS = 255
_LARGEST_SUPPLY = 65535


@frozen
class PinChange:
    """An output that is to be set."""

    pin: int
    on: bool


@define(eq=False)
class _Orders:
    """What is ordered of one group of ports."""

    tracker: Tracker
    frame: Frame | None = None
    """What is in force; ``None`` where nothing is, and all is most restrictive."""
    until: int | None = None
    """When the stream counts as silent."""

    def reset(self) -> None:
        self.tracker.reset()
        self.frame, self.until = None, None

    def value(self, stem: str, port: int) -> int:
        """Return what is ordered of a port."""
        return 0 if self.frame is None else self.frame[f"{stem}{port % self.frame.shape.ports}"]


class Node:
    """A board with its number on the bus.

    ``start`` is the counter that its streams of frames begin with: a random one
    for each start. ``now`` is the time of power-on. Every method that may change
    outputs returns the changes in the order in which they are to be made: what
    goes off before what goes on.

    After each call, ``frame`` gives the frames that are to go; ``next_deadline``
    is when ``advance`` is to be called and ``frame`` asked at the latest.
    """

    def __init__(
        self,
        settings: NodeFile,
        *,
        number: int,
        serial: int,
        firmware: tuple[int, int, int],
        start: int,
        now: int,
    ) -> None:
        self._schema = schema = load_schema()
        self._settings = settings
        self.number = number
        self.serial = serial
        self._firmware = firmware
        self.rejected: Counter[str] = Counter()
        """Frames that were rejected, by reason."""
        self._order_timeout = milliseconds(schema.order_timeout)
        self._levels: dict[int, bool | None] = {}
        self._supply = 0
        self._errors = (0, 0)
        self._stopped = False
        self._blink_until: int | None = None
        self._blink_at = now
        self._blink_lit = False
        self._wiring = Wiring(settings, schema, now)
        self._orders = {
            (name, group): _Orders(Tracker(schema.largest_step, schema.frames_to_sync))
            for name, group in self._wiring.ordered_groups
        }
        self._answers = Answers(self._order_timeout)
        self._sender = Sender(
            schema,
            number,
            self._wiring.reported_groups,
            self._page,
            self._answers.said,
            start=start,
            now=now,
        )
        self._shown: dict[int, bool] = {}

    # -- what comes in

    def take(self, identifier: int, data: bytes, now: int) -> tuple[PinChange, ...]:
        """Take a data frame with an identifier of 11 bits from the bus."""
        if self._stopped or not self.listens(identifier):
            return ()
        self._expire(now)
        try:
            self._obey(decode(identifier, data, self._schema), now)
        except RejectedInputError as error:
            self.rejected[error.reason] += 1
            if error.reason == "out-of-range":
                # Who says what is never said says nothing that can be believed.
                self._distrust(self._schema.shapes[identifier >> 7].name)
        return self._run(now)

    def read(self, pin: int, on: bool | None, now: int) -> tuple[PinChange, ...]:  # noqa: FBT001
        """Take how an input is: on, off, or not known."""
        if not self._stopped:
            self._levels[pin] = on
        return self._run(now)

    def supply(self, millivolts: int, now: int) -> tuple[PinChange, ...]:
        """Take the supply voltage, in mV; 0 where it is not known."""
        self._supply = millivolts
        return self._run(now)

    def errors(self, transmit: int, receive: int, now: int) -> tuple[PinChange, ...]:
        """Take the error counters of the CAN controller."""
        self._errors = (min(transmit, _LARGEST_ERRORS), min(receive, _LARGEST_ERRORS))
        return self._run(now)

    def restart(self, now: int) -> tuple[PinChange, ...]:
        """Begin to speak anew, when the bus is back after it was off or lost."""
        self._sender.restart(now)
        return self._run(now)

    def advance(self, now: int) -> tuple[PinChange, ...]:
        """Take it that it is this late."""
        return self._run(now)

    def stop(self, now: int) -> tuple[PinChange, ...]:
        """Put everything to its most restrictive state for good, and report nothing as known."""
        self._stopped = True
        self._levels.clear()
        self._blink_until = None
        self._distrust()
        return self._run(now)

    def listens(self, identifier: int) -> bool:
        """Return whether frames with this identifier are for this node."""
        shape = self._schema.shapes.get(identifier >> 7)
        if shape is None or not shape.by_controller:
            return False
        return identifier & LAST_NODE in (ALL_NODES, self.number)

    # -- what goes out

    def frame(self, now: int) -> tuple[int, bytes] | None:
        """Return identifier and data of the frame that is to go now, or ``None``.

        When it has gone, ``sent`` is to be called, and ``frame`` again.
        """
        return self._sender.frame(now)

    def sent(self, now: int) -> None:
        """Take it that the frame that was asked for has gone."""
        self._sender.sent(now)

    @property
    def next_deadline(self) -> int:
        """When ``advance`` is to be called at the latest, and ``frame`` asked."""
        change = self.next_change
        return self.next_frame if change is None else min(change, self.next_frame)

    @property
    def next_change(self) -> int | None:
        """When something changes by time alone; ``None`` where nothing does."""
        times = [*(orders.until for orders in self._orders.values()), *self._wiring.deadlines]
        times.append(self._answers.until)
        if self._blink_until is not None:
            times += [self._blink_until, self._blink_at]
        return min((at for at in times if at is not None), default=None)

    @property
    def next_frame(self) -> int:
        """When the next frame is to go."""
        return self._sender.next_deadline

    @property
    def on(self) -> frozenset[int]:
        """The output pins that are on."""
        return frozenset(pin for pin, on in self._shown.items() if on)

    @property
    def orders_lost(self) -> bool:
        """Whether outputs are at their most restrictive because nobody orders them."""
        return any(not orders.tracker.synced for orders in self._orders.values())

    @property
    def unanswered(self) -> bool:
        """Whether no controller has shown in time that it hears this node."""
        return self._answers.until is None

    @property
    def identified(self) -> bool:
        """Whether it blinks so that a person can find it."""
        return self._blink_until is not None

    @property
    def lost(self) -> int:
        """Frames that its counters show as lost."""
        return sum(orders.tracker.lost for orders in self._orders.values())

    # -- receiving

    def _obey(self, frame: Frame, now: int) -> None:
        match frame.shape.name:
            case "AllDanger":
                self._distrust()
            case "Identify":
                if frame["Serial"] in (0, self.serial):
                    self._identify(now)
            case "Heard":
                if not self._answers.take(frame.group, frame["HeardCounter"], now):
                    raise RejectedInputError("stale", f"page {frame.group}")
            case name:
                self._order(name, frame, now)

    def _order(self, name: str, frame: Frame, now: int) -> None:
        orders = self._orders.get((name, frame.group))
        if orders is None:
            raise RejectedInputError("unknown-group", f"{name} {frame.group}")
        if not self._wiring.able(frame):
            raise RejectedInputError("out-of-range", name)
        if self.unanswered:
            raise RejectedInputError("unproved", f"{name} may be of any age")
        verdict = orders.tracker.take(frame.counter, frame.content)
        if verdict is Verdict.GOOD:
            orders.frame = frame
        elif not orders.tracker.synced:
            orders.frame = None
        if verdict not in (Verdict.REPEATED, Verdict.LATE):
            orders.until = now + self._order_timeout
        if verdict not in (Verdict.GOOD, Verdict.SYNCING):
            raise RejectedInputError(verdict)

    def _distrust(self, name: str | None = None) -> None:
        """Take orders, of one class or of all, for not given, until they are again."""
        for (each, _), orders in self._orders.items():
            if name in (each, None):
                orders.reset()

    def _identify(self, now: int) -> None:
        if self._blink_until is None:
            self._blink_lit, self._blink_at = True, now + BLINK
        self._blink_until = now + milliseconds(self._schema.identify_seconds)

    # -- the state that follows

    def _expire(self, now: int) -> None:
        for orders in self._orders.values():
            if orders.until is not None and orders.until <= now:
                orders.reset()
        if self._answers.lapsed(now):
            self._distrust()

    def _run(self, now: int) -> tuple[PinChange, ...]:
        self._expire(now)
        self._blink(now)
        self._wiring.run(self._ordered, self._told, self._levels, now)
        for report in self._sender.reports:
            report.values = self._wiring.values(report.shape, report.group, self._levels)
        return self._changes()

    def _ordered(self, name: str, stem: str, port: int) -> int:
        """Return what is ordered of a port; 0, the most restrictive, where nothing is."""
        orders = self._orders_of(name, port)
        return 0 if orders is None else orders.value(stem, port)

    def _told(self, name: str, port: int) -> bool:
        """Return whether anything is ordered of a port."""
        orders = self._orders_of(name, port)
        return orders is not None and orders.frame is not None

    def _orders_of(self, name: str, port: int) -> _Orders | None:
        return self._orders.get((name, port // self._schema.named[name].ports))

    def _blink(self, now: int) -> None:
        if self._blink_until is not None and self._blink_until <= now:
            self._blink_until = None
        if self._blink_until is not None and self._blink_at <= now:
            self._blink_lit = not self._blink_lit
            self._blink_at = now + BLINK

    def _changes(self) -> tuple[PinChange, ...]:
        on = self._wiring.on()
        if self._blink_until is not None and self._blink_lit:
            on |= {pin for pin in (self._settings.board.identify,) if pin is not None}
        changed = [pin for pin in self._settings.outputs if self._shown.get(pin) != (pin in on)]
        self._shown.update({pin: pin in on for pin in changed})
        changes = [PinChange(pin, pin in on) for pin in changed]
        return tuple(sorted(changes, key=lambda change: change.on))

    # -- what it says

    def _page(self, page: int) -> dict[str, int]:
        """Return what is on a page of the status."""
        major, minor, patch = self._firmware
        low = self._settings.board.supply_low
        match page:
            case 0:
                return {"Serial": self.serial}
            case 1:
                return {
                    "FirmwareMajor": major,
                    "FirmwareMinor": minor,
                    "FirmwarePatch": patch,
                    "OrdersLost": self.orders_lost,
                    "SupplyLow": low is not None and 0 < self._supply < low,
                    "OutputFault": self._wiring.fault,
                    "Unanswered": self.unanswered,
                }
            case 2:
                return {
                    "SupplyMillivolts": min(self._supply, _LARGEST_SUPPLY),
                    "TransmitErrors": self._errors[0],
                    "ReceiveErrors": self._errors[1],
                }
            case _:
                return {
                    "FramesRejected": self.rejected.total() % COUNTER_RANGE,
                    "FramesLost": self.lost % COUNTER_RANGE,
                }
