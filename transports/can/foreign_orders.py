"""Orders to foreign devices, by the user's own DBC files.

Law of this file: orders to frames; no bus. All signals of a message go out
together, so that everything bound to one message is one group of outputs. What
nobody has ordered yet is the most restrictive; where nothing is, as with a
turnout, the message waits.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import frozen
from cantools.database import EncodeError

from signalling.errors import ConfigurationError
from signalling.layout.words import KINDS
from transports.can.dbc import ForeignMessage, in_range, raw_of
from transports.can.foreign import encoded, values_of
from transports.can.foreign_texts import TextNumbers
from transports.can.outgoing import CanFrame
from transports.can.schema import load_schema
from transports.tables import checked_keys, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from cantools.database.can import Signal

    from signalling.layout.words import BoundDevice, Device, Order
    from transports.can.dbc import DbcFiles

__all__ = ["ForeignGroup", "foreign_groups"]

_KEYS = ("dbc", "message", "signal", "values", "leave", "others")

_URGENCY = {"stop": "StopOrder", "signal": "SignalOrder", "indicator": "SignalOrder"}
"""Whose place among our own frames orders to a kind of device take."""


@frozen(kw_only=True)
class _Place:
    """Where a device's order goes."""

    signal: str
    raw: Mapping[str, float]
    """The raw value of each word."""
    ranks: Mapping[str, int]
    leave: float | None
    """What leaves the device as it is."""


class ForeignGroup:
    """One message to foreign devices. At first all is most restrictive."""

    def __init__(self, thing: str, message: ForeignMessage) -> None:
        self.burst = 1
        self._thing = thing
        self.message = message
        self._places: dict[Device, _Place] = {}
        self._raw: dict[str, float] = {}
        self._ranks: dict[Device, int] = {}
        self._waiting: set[Device] = set()
        self.urgency = load_schema().named["TurnoutOrder"].number
        """Its place among others; the lowest goes first."""
        self.devices: frozenset[Device] = frozenset()
        """The devices that it orders."""

    def add(self, device: Device, place: _Place, fixed: Mapping[str, float]) -> None:
        """Add a device, and what its binding says of other signals of the message.

        Raises ``ConfigurationError`` where that does not fit with the others.
        """
        for name, raw in fixed.items():
            if self._raw.setdefault(name, raw) != raw:
                raise ConfigurationError(
                    self._thing, f"{name} is given two values.", "Give it one in all bindings."
                )
        if place.signal in self._raw:
            raise ConfigurationError(
                f"{self._thing}, {device}",
                f"The signal {place.signal} is bound, or given a value, already.",
                "Give each device a signal of its own.",
            )
        self._places[device] = place
        restrictive = KINDS[device.kind].restrictive
        self._ranks[device] = 0
        if restrictive is not None:
            self._raw[place.signal] = place.raw[min(place.ranks, key=place.ranks.__getitem__)]
        elif place.leave is not None:
            self._raw[place.signal] = place.leave
        else:
            self._raw[place.signal] = next(iter(place.raw.values()))
            self._waiting.add(device)
        urgent = load_schema().named[_URGENCY.get(device.kind, "TurnoutOrder")].number
        self.urgency = min(self.urgency, urgent)
        self.devices |= {device}

    def complete(self) -> None:
        """Give the signals that no binding names a value, and try every word.

        Raises ``ConfigurationError`` where no frame could be made.
        """
        signals = self.message.message.signals
        for signal in signals:
            if signal.is_multiplexer and signal.name not in self._raw:
                self._raw[signal.name] = _initial(self._thing, signal)
        wanted = _gathered(self._thing, self.message, self._raw)
        for signal in signals:
            if signal.name in wanted and signal.name not in self._raw:
                self._raw[signal.name] = _initial(self._thing, signal)
        self._raw = {name: raw for name, raw in self._raw.items() if name in wanted}
        for place in self._places.values():
            for raw in place.raw.values():
                encoded(self._thing, self.message, {**self._raw, place.signal: raw})

    def put(self, order: Order) -> tuple[bool, bool]:
        """Take an order; return whether it changes anything, and whether it restricts."""
        device = order.device
        place = self._places[device]
        raw, before = place.raw[order.value], self._ranks[device]
        changed = self._raw[place.signal] != raw or device in self._waiting
        self._waiting.discard(device)
        self._raw[place.signal] = raw
        self._ranks[device] = place.ranks.get(order.value, len(place.ranks))
        kind = KINDS[device.kind]
        restricts = self._ranks[device] < before and kind.restrictive is not None
        return changed, restricts and not kind.informs

    def told(self, raw: Mapping[str, Any]) -> Iterator[tuple[Device, str | None]]:
        """Yield the devices that a decoded frame tells something, and the word for it, if any."""
        for device, place in self._places.items():
            value = raw.get(place.signal)
            if value is not None:
                yield device, next((word for word in place.raw if place.raw[word] == value), None)

    def frame(self) -> CanFrame | None:
        """Return the frame that goes next, or ``None`` where something was never ordered."""
        if self._waiting:
            return None
        data = self.message.message.encode(dict(self._raw), scaling=False)
        return CanFrame(self.message.message.frame_id, data, extended=self.message.extended)

    def sent(self) -> None:
        """Do nothing: foreign frames carry no counter of ours."""


def foreign_groups(
    transport: str, devices: Iterable[BoundDevice], files: DbcFiles
) -> tuple[ForeignGroup, ...]:
    """Return the messages that the devices' orders go to. Raises ``ConfigurationError``."""
    groups: dict[tuple[ForeignMessage, tuple[tuple[str, float], ...]], ForeignGroup] = {}
    for bound in devices:
        device = bound.device
        thing = f"transport {transport}, {device}, order"
        checked_keys(thing, bound.order, _KEYS)
        message = files.message(thing, bound.order)
        signal = message.signal(thing, text(thing, bound.order, "signal"))
        selected = _selected(message, signal)
        key = (message, tuple(sorted(selected.items())))
        if key not in groups:
            where = f"transport {transport}, message {message.message.name}"
            groups[key] = ForeignGroup(where, message)
        fixed = _others(thing, message, bound.order) | selected
        groups[key].add(device, _place(thing, bound, signal), fixed)
    for group in groups.values():
        group.complete()
    return tuple(groups.values())


def _place(thing: str, bound: BoundDevice, signal: Signal) -> _Place:
    raw = (
        TextNumbers(thing, bound.orders, signal, bound.order)
        if bound.texts
        else _numbers(thing, bound, signal)
    )
    leave = bound.order.get("leave")
    if leave is not None and KINDS[bound.device.kind].restrictive is not None:
        raise ConfigurationError(
            thing, "leave means nothing here.", "Only turnouts can be left as they lie."
        )
    rest = None if leave is None else raw_of(thing, signal, leave)
    numbers = [*raw.values(), *([] if rest is None else [rest])]
    if len(set(numbers)) < len(numbers):
        raise ConfigurationError(
            thing, "Two words would be sent alike.", "Give each a value of its own."
        )
    ranks = {word: rank for rank, word in enumerate(bound.orders)}
    return _Place(signal=signal.name, raw=raw, ranks=ranks, leave=rest)


def _numbers(thing: str, bound: BoundDevice, signal: Signal) -> dict[str, float]:
    values = values_of(thing, bound.orders, bound.order)
    missing = [word for word in bound.orders if word not in values]
    if missing:
        raise ConfigurationError(
            thing,
            f"values does not say what {', '.join(missing)} is.",
            "Give every word a value.",
        )
    return {word: raw_of(thing, signal, values[word]) for word in bound.orders}


def _selected(message: ForeignMessage, signal: Signal) -> dict[str, float]:
    """Return what selects the part of a multiplexed message that a signal is in."""
    found: dict[str, float] = {}
    signals = {each.name: each for each in message.message.signals}
    while signal.multiplexer_ids and signal.multiplexer_signal:
        found[signal.multiplexer_signal] = signal.multiplexer_ids[0]
        signal = signals[signal.multiplexer_signal]
    return found


def _others(thing: str, message: ForeignMessage, table: Mapping[str, Any]) -> dict[str, float]:
    others = table.get("others", {})
    if not isinstance(others, Mapping):
        raise ConfigurationError(
            thing, f"others is {others!r}.", "Write a table of signals and their values."
        )
    return {
        name: raw_of(thing, message.signal(thing, name), value) for name, value in others.items()
    }


def _gathered(thing: str, message: ForeignMessage, raw: Mapping[str, float]) -> set[str]:
    """Return the signals that a frame with these multiplexers has."""
    superset = {signal.name: raw.get(signal.name, 0) for signal in message.message.signals}
    try:
        return set(message.message.gather_signals(superset))
    except EncodeError as error:
        raise ConfigurationError(
            thing,
            f"The message {message.message.name} cannot be made: {str(error).rstrip('.')}.",
            "Write the value of its multiplexer in a binding, as others = { ... }.",
        ) from error


def _initial(thing: str, signal: Signal) -> float:
    raw = 0 if signal.raw_initial is None else signal.raw_initial
    if not in_range(signal, raw):
        raise ConfigurationError(
            thing,
            f"Nothing says what the signal {signal.name} is to be.",
            f"Write it in a binding, as others = {{ {signal.name} = ... }}.",
        )
    return raw
