"""Train stops that report how they stand: what a contradiction does, and when there is none."""

from __future__ import annotations

import pytest

from signalling.core.words import Acknowledge, HoldSignal
from tests.rig import FREE, Rig, ring_text

RING = ring_text([4, 4, 4, 4], settings=FREE).replace("'S2' }", "'S2', proved = true }")
CLEAR = ["clear"] * 4


def rig(says: str | None = "applied", text: str = RING) -> Rig:
    return Rig(text).report("stop", "T2", says).all_clear()


def lifted() -> Rig:
    """Everything clear, the stop ordered lifted and saying so."""
    return rig().report("stop", "T2", "lifted").wait(60)


def test_a_proof_that_agrees_changes_nothing() -> None:
    ring = lifted()
    assert ring.aspects() == CLEAR
    assert ring.alarms() == []
    assert not ring.stop("T2")
    ring.ask(HoldSignal("S2"))
    assert ring.stop("T2")
    assert ring.aspects() == ["preliminary-caution", "caution", "danger", "clear"]
    ring.wait(1).report("stop", "T2", "applied").wait(60)
    assert ring.aspects() == ["preliminary-caution", "caution", "danger", "clear"]
    assert ring.alarms() == []


@pytest.mark.parametrize("says", [None, "lifted"])
def test_at_the_start_it_must_be_proved_applied(says: str | None) -> None:
    """Before anything was ever ordered lifted, there is nothing that it need be given time for."""
    ring = Rig(RING).report("stop", "T2", says)
    ring.occupied("b2").clear("b0", "b1", "b3")
    assert ring.aspects() == ["caution", "danger", "danger", "preliminary-caution"]
    ring.wait(60)
    assert ring.aspects() == ["caution", "danger", "danger", "preliminary-caution"]
    ring.report("stop", "T2", "applied")
    if says is None:
        assert ring.aspects() == ["preliminary-caution", "caution", "danger", "clear"]
    else:
        assert ring.alarms() == [("stop-failed", "stop T2")]
        ring.ask(Acknowledge("S2"))
        assert ring.aspects() == ["preliminary-caution", "caution", "danger", "clear"]


def test_a_stop_that_stays_lifted_holds_the_signal_that_leads_to_it() -> None:
    ring = lifted()
    ring.ask(HoldSignal("S2"))
    ring.wait(1.9)
    assert ring.aspects() == ["preliminary-caution", "caution", "danger", "clear"]
    assert ring.alarms() == []
    ring.wait(0.2)
    assert ring.aspects() == ["caution", "danger", "danger", "preliminary-caution"]
    assert ring.alarms() == [("stop-failed", "stop T2")]
    (alarm,) = ring.interlocking.alarms
    assert alarm.sentence == (
        "Stop T2 was lifted although it was ordered applied; signals that lead to signal S2 are "
        "held at danger. Mend it, then acknowledge signal S2."
    )
    # It stays so until somebody has seen to it, and cannot be acknowledged away.
    ring.ask(Acknowledge("S2"))
    assert ring.alarms() == [("stop-failed", "stop T2")]
    ring.report("stop", "T2", "applied").wait(60)
    assert ring.aspect("S1") == "danger"
    assert ring.ask(Acknowledge("S2")) is None
    assert ring.alarms() == []
    assert ring.aspect("S1") == "caution"
    assert ring.ask(Acknowledge("S2")) is not None


@pytest.mark.parametrize("says", [None, "lifted"])
def test_a_stop_that_comes_to_be_not_applied_does_so_at_once(says: str | None) -> None:
    ring = lifted()
    ring.ask(HoldSignal("S2"))
    ring.wait(1).report("stop", "T2", "applied").wait(60)
    assert ring.aspect("S1") == "caution"
    ring.report("stop", "T2", says)
    assert ring.aspect("S1") == "danger"
    assert ring.alarms() == [("stop-failed", "stop T2")] * (says == "lifted")
    assert [reason for reason in explained(ring) if "stop T2" in reason]


def explained(ring: Rig) -> list[str]:
    reasons = [ring.interlocking.explain("route S1/main off")]
    found = []
    while reasons:
        reason = reasons.pop()
        found.append(reason.sentence)
        reasons += reason.because
    return found


def test_a_stop_that_is_not_known_holds_nothing_while_its_signal_is_off() -> None:
    ring = lifted().report("stop", "T2", None).wait(60)
    assert ring.aspects() == CLEAR
    assert ring.alarms() == []


def test_a_stop_that_does_not_lift_is_told() -> None:
    ring = rig().wait(60)
    assert ring.aspects() == CLEAR
    assert ring.alarms() == [("stop-stuck", "stop T2")]
    ring.report("stop", "T2", "lifted")
    assert ring.alarms() == []


def test_the_time_to_move_is_the_layouts() -> None:
    text = RING.replace("proved = true", "proved = true, proved_within = 5")
    ring = rig(text=text).report("stop", "T2", "lifted").wait(60)
    ring.ask(HoldSignal("S2"))
    ring.wait(4.9)
    assert ring.aspect("S1") == "caution"
    ring.wait(0.2)
    assert ring.aspect("S1") == "danger"


def test_a_stop_that_is_not_proved_is_not_asked_for() -> None:
    ring = Rig(RING.replace(", proved = true", "")).all_clear()
    assert ring.aspects() == CLEAR
    ring.report("stop", "T2", "lifted")
    ring.ask(HoldSignal("S2"))
    ring.wait(60)
    assert ring.aspect("S1") == "caution"
    assert ring.alarms() == []
