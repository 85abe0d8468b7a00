"""What is wired to a node: signals, stops, locks, turnouts, detectors, switches.

Law of this file: one thing at a time; the order in force, the levels of inputs
and the time in, pins that are on and what is to be reported out; no frame, no
counter, no clock. Times are whole milliseconds. The same rules stand in C in
``shared/node-c/things.c``, and tests hold both against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from attrs import define, field

from transports.can.node_model import (
    DetectorPins,
    InputPins,
    LockPins,
    SignalPins,
    StopPins,
    TurnoutPins,
)

__all__ = [
    "BLINK",
    "FLASH",
    "SETTLE",
    "DetectorThing",
    "Head",
    "InputThing",
    "Levels",
    "LockThing",
    "StopThing",
    "TurnoutThing",
    "pulse_of",
]

FLASH: Final = 500
"""Milliseconds for which flashing lamps are lit, and then dark (common practice)."""
BLINK: Final = 250
"""Milliseconds for which the light that identifies a board is lit, and then dark."""
SETTLE: Final = 100
"""Milliseconds after a change of outputs before their proof is looked at."""

Levels = Mapping[int, bool | None]
"""By pin, whether an input is on; ``None`` where that is not known."""

UNKNOWN = 0


def _level(pin: int | None, levels: Levels) -> bool | None:
    """Return whether a contact is made; one that is not wired is not."""
    return False if pin is None else levels.get(pin)


def _alone(contacts: tuple[bool | None, ...]) -> int:
    """Return which contact is made, from 1, where exactly one is; else ``UNKNOWN``."""
    if None in contacts or contacts.count(True) != 1:
        return UNKNOWN
    return contacts.index(True) + 1


@define
class Head:
    """A signal: its lamps, its route indicator, and the proof of both."""

    pins: SignalPins
    lamps: int = UNKNOWN
    """What is proved of the lamps: 1 dark, 2 lit. What shows danger because nobody orders
    anything is not what was ordered, so that of it only darkness is said."""
    position: int = UNKNOWN
    """The position of the indicator that is proved to be alight; 8 for dark."""
    _aspect: int = 0
    _flash: bool = False
    _indicator: int = 0
    _told: bool = False
    _dark: bool = False
    _toggle_at: int | None = None
    _lamps_at: int | None = None
    _indicator_at: int | None = None
    _indicator_fault: bool = False
    _positions: Mapping[int, int] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._positions = {int(each): pin for each, pin in self.pins.indicator.items()}

    @property
    def proved(self) -> bool:
        """Whether anything is proved of it."""
        return self.pins.lamps_proof is not None or self.pins.indicator_proof is not None

    def begin(self, now: int) -> None:
        """Take it that its outputs were set for the first time."""
        self._lamps_at = self._indicator_at = now + SETTLE

    def able(self, aspect: int, indicator: int) -> bool:
        """Return whether it can show this."""
        return aspect < len(self.pins.aspects) and (indicator == 0 or indicator in self._positions)

    def order(self, aspect: int, indicator: int, flash: int, now: int, *, told: bool) -> None:
        """Take what it is to show; ``told`` is whether anybody orders anything."""
        self._told = told
        flashing = bool(flash) and aspect != 0
        if (aspect, flashing) != (self._aspect, self._flash):
            self._aspect, self._flash, self._dark = aspect, flashing, False
            self._toggle_at = now + FLASH if flashing else None
            self._lamps_at = now + SETTLE
        if indicator != self._indicator:
            self._indicator = indicator
            self._indicator_at = now + SETTLE

    def advance(self, levels: Levels, now: int) -> None:
        """Run its times, and look at its proof."""
        if self._toggle_at is not None and self._toggle_at <= now:
            self._dark = not self._dark
            self._toggle_at = now + FLASH
            self._lamps_at = None if self._dark else now + SETTLE
        if self._lamps_at is not None and self._lamps_at <= now:
            self._lamps_at = None
        if self._indicator_at is not None and self._indicator_at <= now:
            self._indicator_at = None
        self._look(levels)

    def _look(self, levels: Levels) -> None:
        proof = self.pins.lamps_proof
        lit = None if proof is None else levels.get(proof)
        if lit is None:
            self.lamps = UNKNOWN
        elif self._lamps_at is None and not self._dark:
            self.lamps = 1 if not lit else 2 if self._told else UNKNOWN
        elif not self._told:
            self.lamps = UNKNOWN
        proof = self.pins.indicator_proof
        lit = None if proof is None else levels.get(proof)
        if lit is None:
            self.position, self._indicator_fault = UNKNOWN, False
        elif self._indicator_at is None:
            self._indicator_fault = lit != (self._indicator != 0)
            if not lit:
                self.position = 8
            else:  # something is alight: what was ordered, or what nobody ordered
                self.position = self._indicator or UNKNOWN

    def on(self) -> Iterator[int]:
        """Yield the output pins that are on."""
        if not self._dark:
            yield from self.pins.aspects[self._aspect]
        if self._indicator:
            yield self._positions[self._indicator]

    @property
    def fault(self) -> bool:
        """Whether lamps do not do what they are told."""
        return self.lamps == 1 or self._indicator_fault

    @property
    def deadlines(self) -> Iterator[int | None]:
        """Yield when it wants to be looked at again."""
        yield self._toggle_at
        if self.pins.lamps_proof is not None:
            yield self._lamps_at
        if self.pins.indicator_proof is not None:
            yield self._indicator_at


@define
class StopThing:
    """A train stop and its proof."""

    pins: StopPins
    proof: int = UNKNOWN
    fault: bool = False
    _lifted: int = 0
    _settle_at: int | None = None

    @property
    def proved(self) -> bool:
        """Whether anything is proved of it."""
        return self.pins.applied is not None or self.pins.lifted is not None

    def begin(self, now: int) -> None:
        """Take it that its output was set for the first time."""
        self._settle_at = now + SETTLE

    def order(self, lifted: int, now: int) -> None:
        """Take what it is to be: 0 applied, 1 lifted."""
        if lifted != self._lifted:
            self._lifted = lifted
            self._settle_at = now + SETTLE

    def advance(self, levels: Levels, now: int) -> None:
        """Run its times, and look at its proof."""
        if self._settle_at is not None and self._settle_at <= now:
            self._settle_at = None
        contacts = (_level(self.pins.applied, levels), _level(self.pins.lifted, levels))
        self.proof = _alone(contacts)
        if self._settle_at is None:
            told, other = (1, 0) if self._lifted else (0, 1)
            wired = (self.pins.applied, self.pins.lifted)[told] is not None
            self.fault = (wired and contacts[told] is False) or contacts[other] is True

    def on(self) -> Iterator[int]:
        """Yield the output pins that are on."""
        if self._lifted:
            yield self.pins.lift

    @property
    def deadlines(self) -> Iterator[int | None]:
        """Yield when it wants to be looked at again."""
        if self.proved:
            yield self._settle_at


@define
class LockThing:
    """The lock on a turnout."""

    pins: LockPins
    _free: int = 0

    def order(self, free: int) -> None:
        """Take what it is to be: 0 locked, 1 free."""
        self._free = free

    def on(self) -> Iterator[int]:
        """Yield the output pins that are on."""
        if self._free:
            yield self.pins.free


def pulse_of(pins: TurnoutPins) -> int:
    """Return for how many milliseconds a turnout is moved."""
    return max(1, round(pins.pulse * 1000))


@define
class TurnoutThing:
    """A turnout: how it is detected to lie, and its motor where it has one here."""

    pins: TurnoutPins
    lie: int = UNKNOWN
    """1 normal, 2 reverse, 3 moving."""
    _ordered: int = 0
    _moving: int = 0
    _until: int | None = None

    @property
    def moved(self) -> bool:
        """Whether it is moved here."""
        return self.pins.move_normal is not None and self.pins.move_reverse is not None

    @property
    def detected(self) -> bool:
        """Whether it has contacts here."""
        return self.pins.normal is not None or self.pins.reverse is not None

    def order(self, lie: int, now: int) -> None:
        """Take how it is to lie: 0 leave it, 1 normal, 2 reverse."""
        if lie == self._ordered:
            return
        self._ordered = lie
        self._moving, self._until = 0, None
        if lie not in (0, self.lie):
            self._moving = lie
            self._until = now + pulse_of(self.pins)

    def advance(self, levels: Levels, now: int) -> None:
        """Run its times, and look at its contacts."""
        if self._until is not None and self._until <= now:
            self._moving, self._until = 0, None
        contacts = (_level(self.pins.normal, levels), _level(self.pins.reverse, levels))
        self.lie = _alone(contacts)
        if contacts == (False, False) and self._moving:
            self.lie = 3

    def on(self) -> Iterator[int]:
        """Yield the output pins that are on."""
        pin = (None, self.pins.move_normal, self.pins.move_reverse)[self._moving]
        if pin is not None:
            yield pin

    @property
    def deadlines(self) -> Iterator[int | None]:
        """Yield when it wants to be looked at again."""
        yield self._until


@define
class DetectorThing:
    """A detector."""

    pins: DetectorPins

    def state(self, levels: Levels) -> int:
        """Return 0 not known, 1 clear, 2 occupied."""
        clear = levels.get(self.pins.clear)
        return UNKNOWN if clear is None else 1 if clear else 2


@define
class InputThing:
    """A switch, a press or a lever."""

    pins: InputPins

    def state(self, levels: Levels) -> int:
        """Return 0 not known, 1 at rest, 2 operated, 3 in its third position."""
        pins = self.pins
        rest = levels.get(pins.rest)
        if pins.operated is None and pins.third is None:
            return UNKNOWN if rest is None else 1 if rest else 2
        return _alone((rest, _level(pins.operated, levels), _level(pins.third, levels)))
