"""The classes that a node file is read into: which pin of a board does what.

Law of this file: data only, frozen, one class per table of the file, one
sentence per field; the JSON Schema is made from these. On, at every pin, is
what permits: with no power, a broken wire or an input not read, a pin is off,
and that is the more restrictive state. Nothing here checks that things fit
together; ``node_file`` does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from attrs import field, frozen

__all__ = [
    "Board",
    "DetectorPins",
    "InputPins",
    "LockPins",
    "NodeFile",
    "PinSettings",
    "SignalPins",
    "StopPins",
    "TurnoutPins",
]


def _described(
    sentence: str,
    *,
    unit: str = "",
    least: float | None = None,
    above: float | None = None,
    **options: Any,
) -> Any:
    metadata = {"sentence": sentence, "unit": unit, "least": least, "above": above}
    return field(metadata=metadata, **options)


@frozen(kw_only=True)
class Board:
    """``[board]``: the board itself."""

    serial: int | None = _described(
        "A number given to this board alone, for good. Without it, it is made from the number of "
        "the computer's chip.",
        default=None,
        least=1,
    )
    identify: int | None = _described(
        "The pin of a light that blinks so that a person can find the board.", default=None
    )
    supply: str | None = _described(
        "A file from which the supply voltage is read, in mV, as Linux gives that of a sensor.",
        default=None,
    )
    supply_low: int | None = _described(
        "The supply voltage, in mV, below which the board needs more.", default=None, least=1
    )


@frozen(kw_only=True)
class PinSettings:
    """``[pins]``: how pins are wired."""

    active_low: tuple[int, ...] = _described(
        "Pins that are on while their voltage is low.", default=()
    )
    pull_up: tuple[int, ...] = _described(
        "Inputs that the computer's own resistors draw high while nothing else decides.", default=()
    )
    pull_down: tuple[int, ...] = _described(
        "Inputs that the computer's own resistors draw low while nothing else decides.", default=()
    )


@frozen(kw_only=True)
class SignalPins:
    """``[signals.PORT]``: a signal's lamps and its route indicator."""

    aspects: tuple[tuple[int, ...], ...] = _described(
        "The pins of the lamps that each aspect lights, from danger to the least restrictive, as "
        "the signal's practice lists its aspects."
    )
    indicator: Mapping[str, int] = _described(
        "The pin of each position of the route indicator.", factory=dict
    )
    lamps_proof: int | None = _described(
        "An input that is on while the lamps draw their current.", default=None
    )
    indicator_proof: int | None = _described(
        "An input that is on while the route indicator draws its current.", default=None
    )


@frozen(kw_only=True)
class StopPins:
    """``[stops]``: a train stop; a pin without power applies it."""

    lift: int = _described("The pin that lifts it.")
    applied: int | None = _described(
        "An input that is on while it is proved to be applied.", default=None
    )
    lifted: int | None = _described(
        "An input that is on while it is proved to be lifted.", default=None
    )


@frozen(kw_only=True)
class LockPins:
    """``[locks]``: the lock on a turnout; a pin without power locks it."""

    free: int = _described("The pin that frees it.")


@frozen(kw_only=True)
class TurnoutPins:
    """``[turnouts]``: a turnout's contacts, and its motor where this board moves it."""

    normal: int | None = _described(
        "An input that is on while the blades are home for normal.", default=None
    )
    reverse: int | None = _described(
        "An input that is on while the blades are home for reverse.", default=None
    )
    move_normal: int | None = _described("The pin that moves it to normal.", default=None)
    move_reverse: int | None = _described("The pin that moves it to reverse.", default=None)
    pulse: float = _described(
        "How long a pin that moves it is on. Coils burn out when it is too long.",
        unit="s",
        default=0.1,
        above=0,
    )


@frozen(kw_only=True)
class DetectorPins:
    """``[detectors]``: a detector."""

    clear: int = _described("An input that is on while the detector reads clear.")


@frozen(kw_only=True)
class InputPins:
    """``[inputs]``: a danger switch or press, an override switch, a lock lever, a push button."""

    rest: int = _described(
        "An input that is on while it is at rest: no danger asked for, the lock not asked for, "
        "automatic working, or a button that is not pressed."
    )
    operated: int | None = _described(
        "An input that is on while it is operated. Without it, and without `third`, whatever is "
        "not at rest is operated.",
        default=None,
    )
    third: int | None = _described(
        "An input that is on while it is in its third position: an override switch at dark.",
        default=None,
    )


@frozen(kw_only=True)
class NodeFile:
    """A whole node file. Things are numbered by their ports, from 0 for each kind."""

    # _described gives a field of attrs, which makes a new one for each file.
    board: Board = _described("The board itself.", factory=Board)  # noqa: RUF009
    pins: PinSettings = _described("How pins are wired.", factory=PinSettings)  # noqa: RUF009
    signals: Mapping[str, SignalPins] = _described("Signals, by port.", factory=dict)
    stops: Mapping[str, StopPins] = _described("Train stops, by port.", factory=dict)
    locks: Mapping[str, LockPins] = _described("Locks on turnouts, by port.", factory=dict)
    turnouts: Mapping[str, TurnoutPins] = _described("Turnouts, by port.", factory=dict)
    detectors: Mapping[str, DetectorPins] = _described("Detectors, by port.", factory=dict)
    inputs: Mapping[str, InputPins] = _described(
        "Danger switches and presses, override switches, lock levers and push buttons, by port.",
        factory=dict,
    )

    @property
    def outputs(self) -> tuple[int, ...]:
        """Every output pin, in order."""
        return tuple(sorted({pin for _, pin in self.output_uses()}))

    @property
    def read(self) -> tuple[int, ...]:
        """Every input pin, in order."""
        return tuple(sorted({pin for _, pin in self.input_uses()}))

    def output_uses(self) -> Iterator[tuple[tuple[str, ...], int]]:
        """Yield each output pin with the keys that name it."""
        if self.board.identify is not None:
            yield ("board", "identify"), self.board.identify
        for port, signal in self.signals.items():
            for pin in sorted({pin for aspect in signal.aspects for pin in aspect}):
                yield ("signals", port, "aspects"), pin
            for position, pin in signal.indicator.items():
                yield ("signals", port, "indicator", position), pin
        yield from _pins("stops", self.stops, ("lift",))
        yield from _pins("locks", self.locks, ("free",))
        yield from _pins("turnouts", self.turnouts, ("move_normal", "move_reverse"))

    def input_uses(self) -> Iterator[tuple[tuple[str, ...], int]]:
        """Yield each input pin with the keys that name it."""
        yield from _pins("signals", self.signals, ("lamps_proof", "indicator_proof"))
        yield from _pins("stops", self.stops, ("applied", "lifted"))
        yield from _pins("turnouts", self.turnouts, ("normal", "reverse"))
        yield from _pins("detectors", self.detectors, ("clear",))
        yield from _pins("inputs", self.inputs, ("rest", "operated", "third"))


def _pins(
    table: str, things: Mapping[str, Any], keys: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], int]]:
    for port, thing in things.items():
        for key in keys:
            pin = getattr(thing, key)
            if pin is not None:
                yield (table, port, key), pin
