"""Calls that come late, or are wrong."""

from __future__ import annotations

import pytest

from signalling.core.words import HoldSignal, MoveTurnout
from signalling.layout.notation import Lie
from tests.rig import Rig, ring_text


def test_a_signal_that_was_never_ordered_off_was_not_off() -> None:
    rig = Rig(ring_text([4] * 5))
    rig.occupied("b0").clear(*(f"b{index}" for index in range(1, 5))).wait(1)
    assert rig.aspect("S1") == "danger"
    # The hold-off runs out at 1.5 s; the next call comes later, with a train past the signal.
    rig.now = 9.0
    rig.orders.clear()
    rig.occupied("b1")
    assert {str(order.device) for order in rig.orders}.isdisjoint({"signal S1", "stop T1"})
    assert not rig.interlocking.holds("signal S1 off")


def test_a_request_comes_before_what_its_call_lets_run_out() -> None:
    rig = Rig(ring_text([4] * 5))
    rig.clear(*(f"b{index}" for index in range(5)))
    rig.now = 9.0
    rig.orders.clear()
    rig.ask(HoldSignal("S2"))
    assert "signal S2" not in {str(order.device) for order in rig.orders}


def test_stepping_up_goes_from_the_front() -> None:
    rig = Rig(ring_text([4] * 6, settings="hold_off = 0.0\nsequence = false")).all_clear()
    rig.occupied("b5")
    rig.orders.clear()
    rig.clear("b5")
    signals = [order.device.name for order in rig.orders if order.device.kind == "signal"]
    shown = {order.device.name: order.value for order in rig.orders}
    assert set(signals) == {"S3", "S4", "S5"}
    assert all(shown[name] == "clear" for name in signals)


def test_what_is_no_request_is_a_mistake_of_the_program() -> None:
    rig = Rig(ring_text([4] * 3)).all_clear()
    with pytest.raises(TypeError, match="not a request"):
        rig.ask("hold S1")  # type: ignore[arg-type]
    assert MoveTurnout("t", "reverse") == MoveTurnout("t", Lie.REVERSE)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="sideways"):
        MoveTurnout("t", "sideways")  # type: ignore[arg-type]
