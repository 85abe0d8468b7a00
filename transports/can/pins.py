"""Pins: what a node's outputs and inputs are on a board.

Law of this file: one pin at a time, on or off; which level of voltage is on is
said by the node file and known here alone. The library for a computer's own pins
is imported only when such pins are made.
"""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING, Any, Protocol

from signalling.errors import ConfigurationError

if TYPE_CHECKING:
    from collections.abc import Callable

    from transports.can.node_model import NodeFile

__all__ = ["ComputerPins", "Pins", "SimulatedPins"]

logger = logging.getLogger(__name__)


class Pins(Protocol):
    """A board's pins. None of its methods may take long, or raise."""

    def write(self, pin: int, *, on: bool) -> None:
        """Set an output."""

    def read(self, pin: int) -> bool | None:
        """Return whether an input is on; ``None`` where that cannot be read."""

    def close(self) -> None:
        """Let go of the pins; may be called twice."""


class SimulatedPins:
    """Pins without a board: outputs are told, inputs are set. Thread-safe.

    An input that was not set is not known.
    """

    def __init__(self, told: Callable[[int, bool], None] | None = None) -> None:
        self.outputs: dict[int, bool] = {}
        """What each output was last set to."""
        self._told = told
        self._inputs: dict[int, bool | None] = {}
        self._lock = threading.Lock()

    def write(self, pin: int, *, on: bool) -> None:
        """Set an output."""
        self.outputs[pin] = on
        if self._told is not None:
            self._told(pin, on)

    def read(self, pin: int) -> bool | None:
        """Return whether an input is on; ``None`` where it was not set."""
        with self._lock:
            return self._inputs.get(pin)

    def put(self, pin: int, *, on: bool | None) -> None:
        """Set an input."""
        with self._lock:
            self._inputs[pin] = on

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""


class ComputerPins:
    """The pins of a Raspberry Pi, by the library gpiozero; numbers are those of its chip (BCM).

    ``factory`` is one of gpiozero's pin factories; without one, lgpio's is made.
    Every output is off from the beginning. Raises ``ConfigurationError`` where a
    library is missing, or a pin is not there or is used by another program.
    """

    def __init__(self, file: NodeFile, factory: Any = None) -> None:
        self._low = frozenset(file.pins.active_low)
        self._factory = _factory() if factory is None else factory
        self._outputs: dict[int, Any] = {}
        self._inputs: dict[int, Any] = {}
        self._unreadable: set[int] = set()
        try:
            for pin in file.outputs:
                self._outputs[pin] = self._make("DigitalOutputDevice", pin, initial_value=False)
            for pin in file.read:
                pull = True if pin in file.pins.pull_up else None
                pull = False if pin in file.pins.pull_down else pull
                active = True if pull is None else None
                self._inputs[pin] = self._make(
                    "InputDevice", pin, pull_up=pull, active_state=active
                )
        except BaseException:
            self.close()
            raise

    def write(self, pin: int, *, on: bool) -> None:
        """Set an output."""
        self._outputs[pin].value = on

    def read(self, pin: int) -> bool | None:
        """Return whether an input is on; ``None`` where that cannot be read."""
        try:
            high = bool(self._inputs[pin].pin.state)
        except Exception:  # whatever the driver raises, nothing is known
            if pin not in self._unreadable:
                logger.exception("pin %d cannot be read; what it says is not known", pin)
            self._unreadable.add(pin)
            return None
        self._unreadable.discard(pin)
        return high != (pin in self._low)

    def close(self) -> None:
        """Let go of the pins: they are inputs then, and whatever is wired to them has no power."""
        for device in (*self._outputs.values(), *self._inputs.values()):
            device.close()
        self._outputs.clear()
        self._inputs.clear()
        self._factory.close()

    def _make(self, kind: str, pin: int, **how: Any) -> Any:
        import gpiozero  # noqa: PLC0415 - only where there are such pins

        if kind == "DigitalOutputDevice":
            how["active_high"] = pin not in self._low
        try:
            return getattr(gpiozero, kind)(pin, pin_factory=self._factory, **how)
        except (gpiozero.GPIOZeroError, OSError) as error:
            raise ConfigurationError(
                f"pin {pin}",
                f"It cannot be used: {error}.",
                "Name a pin of this computer (its chip's number) that nothing else uses.",
            ) from error


def _factory() -> Any:
    try:
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415 - the same
    except ImportError as error:
        raise ConfigurationError(
            "pins",
            f"The library for this computer's pins is missing: {error}.",
            "Install both: pip install 'layout-signalling[pi]' and sudo apt-get install "
            "python3-lgpio, in a virtual environment made with --system-site-packages. Or use "
            "simulated pins.",
        ) from error
    try:
        return LGPIOFactory()
    except Exception as error:
        # The library raises its own errors, and those of reading what board this is.
        raise ConfigurationError(
            "pins",
            f"This computer's pins cannot be used: {error}.",
            "On a Raspberry Pi, be in the group gpio. Elsewhere, use simulated pins.",
        ) from error
