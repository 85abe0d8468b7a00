"""Pins: simulated ones, and a computer's on gpiozero's own mock pins."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest
from gpiozero.pins.mock import MockFactory

from signalling.errors import ConfigurationError
from transports.can.node_file import node_file_from
from transports.can.pins import ComputerPins, Pins, SimulatedPins

if TYPE_CHECKING:
    from collections.abc import Iterator

FILE = node_file_from(
    """
    [board]
    serial = 7
    [pins]
    active_low = [4, 23, 25]
    pull_up = [23]
    pull_down = [24]
    [signals.0]
    aspects = [[4], [17]]
    [detectors]
    0 = { clear = 23 }
    1 = { clear = 24 }
    2 = { clear = 25 }
    """
)


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.reset()


def test_outputs_are_off_from_the_beginning(factory: MockFactory) -> None:
    pins = ComputerPins(FILE, factory)
    assert {pin: factory.pin(pin).function for pin in (4, 17)} == {4: "output", 17: "output"}
    assert (factory.pin(4).state, factory.pin(17).state) == (True, False)  # 4 is on while low
    pins.close()


def test_outputs_are_set_by_the_level_that_is_on(factory: MockFactory) -> None:
    pins: Pins = ComputerPins(FILE, factory)
    pins.write(4, on=True)
    pins.write(17, on=True)
    assert (factory.pin(4).state, factory.pin(17).state) == (False, True)
    pins.write(4, on=False)
    pins.write(17, on=False)
    assert (factory.pin(4).state, factory.pin(17).state) == (True, False)
    pins.close()


def test_inputs_are_read_by_the_level_that_is_on(factory: MockFactory) -> None:
    pins = ComputerPins(FILE, factory)
    assert [factory.pin(pin).pull for pin in (23, 24, 25)] == ["up", "down", "floating"]
    assert (pins.read(23), pins.read(24)) == (False, False)  # nothing drives them
    factory.pin(23).drive_low()
    factory.pin(24).drive_high()
    factory.pin(25).drive_low()
    assert (pins.read(23), pins.read(24), pins.read(25)) == (True, True, True)
    factory.pin(25).drive_high()
    assert pins.read(25) is False
    pins.close()


def test_what_cannot_be_read_is_not_known(
    factory: MockFactory, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pins = ComputerPins(FILE, factory)

    def broken(_: object) -> bool:
        raise OSError("the chip has gone")

    with monkeypatch.context() as patch:
        patch.setattr(type(factory.pin(23)), "_get_state", broken)
        assert pins.read(23) is None
        assert pins.read(23) is None
    assert [record.message for record in caplog.records] == [
        "pin 23 cannot be read; what it says is not known"
    ]
    assert pins.read(23) is False
    pins.close()


def test_let_go_they_are_inputs(factory: MockFactory) -> None:
    pins = ComputerPins(FILE, factory)
    pins.write(17, on=True)
    output = factory.pin(17)
    pins.close()
    pins.close()
    assert output.function == "input"


def test_a_pin_that_is_not_there_or_not_free(factory: MockFactory) -> None:
    import gpiozero

    text = "[signals.0]\naspects = [[99], [1]]"
    with pytest.raises(ConfigurationError, match="pin 99: It cannot be used"):
        ComputerPins(node_file_from(text), factory)
    other = gpiozero.LED(17, pin_factory=factory)
    with pytest.raises(ConfigurationError, match=r"pin 17: It cannot be used: .*in use"):
        ComputerPins(FILE, factory)
    other.close()


def test_without_the_library_for_the_pins_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    with pytest.raises(ConfigurationError, match=r"layout-signalling\[pi\].*python3-lgpio"):
        ComputerPins(FILE)


def test_simulated_pins() -> None:
    told: list[tuple[int, bool]] = []
    pins = SimulatedPins(lambda pin, on: told.append((pin, on)))
    assert pins.read(3) is None
    for level in (True, False, None):
        pins.put(3, on=level)
        assert pins.read(3) is level
    pins.write(4, on=True)
    assert pins.outputs == {4: True}
    assert told == [(4, True)]
    pins.close()
    SimulatedPins().write(4, on=False)
