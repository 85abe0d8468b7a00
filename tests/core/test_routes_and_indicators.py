"""Diverging routes: the lie chooses the route, the indicator tells the driver.

Junction indicator positions and "proved lit before the signal clears": UK
practice (railforums.co.uk posts/6692311, read; GK/RT0031, from memory).
"""

from __future__ import annotations

import pytest

from tests.rig import Rig

JUNCTION = """
[layout]
name = "Gannet Point"
hold_off = 0.0
sequence = false
[blocks]
d1 = {}
d2 = {}
j1 = {}
d3 = {}
q1 = {}
q2 = {}
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > j1[t1 normal] > d3 > d1"
quay = "d2 > j1[t1 reverse] > q1 > q2"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > j1", aspects = 4, routes = { quay = { indicator = 4 } } }
M3 = { at = "d3 > d1", aspects = 4 }
Q1 = { at = "q1 > q2", aspects = 3 }
"""


def with_route(extra: str, signal: str = "") -> str:
    text = JUNCTION.replace("indicator = 4", f"indicator = 4, {extra}") if extra else JUNCTION
    return text.replace("M2 = { ", f"M2 = {{ {signal}, ") if signal else text


def test_the_detected_lie_chooses_the_route() -> None:
    rig = Rig(JUNCTION).all_clear()
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("clear", "dark")
    rig.lies("t1", "reverse")
    # The diverging line's own next signal, at caution before the buffer stop, decides.
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("preliminary-caution", "4")
    rig.occupied("q2")
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("caution", "4")
    rig.occupied("q1")
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("danger", "dark")
    rig.lies("t1", "normal")
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("clear", "dark")


@pytest.mark.parametrize("value", ["moving", None, "sideways"])
def test_out_of_correspondence_puts_the_signal_on_and_passes_it_up(value: str | None) -> None:
    rig = Rig(JUNCTION).all_clear().lies("t1", value)
    assert rig.aspects(["M1", "M2"]) == ["caution", "danger"]
    assert rig.indicator("M2") == "dark"


def test_each_route_depends_on_its_own_blocks_only() -> None:
    rig = Rig(JUNCTION).all_clear().occupied("q1")
    assert rig.aspect("M2") == "clear"
    rig.lies("t1", "reverse")
    assert rig.aspect("M2") == "danger"
    rig.clear("q1").occupied("d3")
    assert rig.aspect("M2") == "preliminary-caution"


@pytest.mark.parametrize("position", [1, 2, 3, 4, 5, 6, '"B"'])
def test_every_position_and_a_letter_can_be_lit(position: int | str) -> None:
    text = JUNCTION.replace("indicator = 4", f"indicator = {position}")
    rig = Rig(text).all_clear().lies("t1", "reverse")
    assert rig.indicator("M2") == str(position).strip('"')


def test_an_indicator_is_never_lit_with_danger() -> None:
    rig = Rig(JUNCTION).all_clear().lies("t1", "reverse")
    rig.orders.clear()
    rig.occupied("q1")
    assert [(str(o.device), o.value) for o in rig.orders if "M2" in str(o.device)] == [
        ("signal M2", "danger"),
        ("indicator M2", "dark"),
    ]
    rig.orders.clear()
    rig.clear("q1").wait(9)
    assert [(str(o.device), o.value) for o in rig.orders if "M2" in str(o.device)] == [
        ("indicator M2", "4"),
        ("signal M2", "preliminary-caution"),
    ]


def test_a_proved_indicator_is_lit_first_and_the_signal_waits_for_the_proof() -> None:
    rig = Rig(with_route("indicator_proved = true")).all_clear().report("indicator", "M2", "dark")
    assert rig.aspect("M2") == "clear"
    rig.lies("t1", "reverse")
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("danger", "4")
    for wrong in ("dark", "5", None):
        rig.report("indicator", "M2", wrong)
        assert rig.aspect("M2") == "danger"
    rig.report("indicator", "M2", "4")
    assert rig.aspect("M2") == "preliminary-caution"
    rig.report("indicator", "M2", "dark")
    assert rig.aspect("M2") == "danger"


def test_an_indicator_stuck_alight_holds_the_other_route() -> None:
    rig = Rig(with_route("indicator_proved = true")).all_clear().report("indicator", "M2", "4")
    assert rig.aspect("M2") == "danger"
    rig.report("indicator", "M2", "dark")
    assert rig.aspect("M2") == "clear"


@pytest.mark.parametrize(
    ("switch", "normal", "reverse"),
    [
        ("auto", ("clear", "dark"), ("preliminary-caution", "4")),
        ("lit", ("danger", "dark"), ("preliminary-caution", "4")),
        ("dark", ("clear", "dark"), ("danger", "dark")),
        (None, ("danger", "dark"), ("danger", "dark")),
    ],
)
def test_an_override_can_hold_a_signal_and_never_clear_one(
    switch: str | None, normal: tuple[str, str], reverse: tuple[str, str]
) -> None:
    rig = Rig(with_route("override = true")).all_clear().report("override", "M2/quay", switch)
    assert (rig.aspect("M2"), rig.indicator("M2")) == normal
    rig.lies("t1", "reverse")
    assert (rig.aspect("M2"), rig.indicator("M2")) == reverse
    rig.occupied("q1")
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("danger", "dark")


# Approach release from red: held until the approach track has been occupied for a set time,
# then steps up to its best aspect (encyclopedia article "UK railway signalling", read).
def test_release_from_danger() -> None:
    rig = Rig(with_route("release = 'from-danger', release_after = 3.0")).all_clear()
    rig.lies("t1", "reverse")
    assert rig.aspects(["M1", "M2"]) == ["caution", "danger"]
    rig.occupied("d2").wait(2.9)
    assert rig.aspect("M2") == "danger"
    rig.wait(0.1)
    assert (rig.aspect("M2"), rig.indicator("M2")) == ("preliminary-caution", "4")
    rig.clear("d2")
    assert rig.aspect("M2") == "danger"
    rig.lies("t1", "normal")
    assert rig.aspect("M2") == "clear"


def test_a_bad_contact_does_not_take_a_release_back_before_the_train() -> None:
    text = with_route("release = 'from-danger'").replace("hold_off = 0.0", "hold_off = 1.5")
    rig = Rig(text).all_clear().wait(2).lies("t1", "reverse").occupied("d2")
    assert rig.aspect("M2") == "preliminary-caution"
    rig.clear("d2").wait(0.4)
    assert rig.aspect("M2") == "preliminary-caution"
    rig.occupied("d2").wait(5).clear("d2").wait(1.6)
    assert rig.aspect("M2") == "danger"
    rig.occupied("d2")
    assert rig.aspect("M2") == "preliminary-caution"
    rig.unknown("d2")
    assert rig.aspect("M2") == "danger"


# Approach release from yellow: as above, but held at yellow (GK/RT0045, from memory).
def test_release_from_caution() -> None:
    rig = Rig(with_route("release = 'from-caution'")).all_clear().lies("t1", "reverse")
    assert rig.aspects(["M1", "M2"]) == ["preliminary-caution", "caution"]
    rig.occupied("d2")
    assert rig.aspect("M2") == "preliminary-caution"


def test_a_silent_detector_releases_nothing() -> None:
    rig = Rig(with_route("release = 'from-danger'")).all_clear().lies("t1", "reverse")
    rig.unknown("d2").wait(60)
    assert rig.aspect("M2") == "danger"


# A signal may not show a proceed aspect unless the next is proved alight; a dark signal is
# treated as red (BR/NR signalling principles, from memory).
def test_the_signal_in_rear_waits_for_the_lamps_of_the_next() -> None:
    rig = Rig(JUNCTION.replace("M3 = { ", "M3 = { lamps_proved = true, ")).all_clear()
    assert rig.aspects(["M2", "M3"]) == ["danger", "danger"]
    rig.report("lamps", "M3", "lit")
    assert rig.aspects(["M2", "M3"]) == ["clear", "clear"]
    rig.report("lamps", "M3", None)
    assert rig.aspects(["M2", "M3"]) == ["danger", "danger"]


def test_lamps_that_fail_while_off_hold_the_signal_until_acknowledged() -> None:
    from signalling.core.words import Acknowledge

    rig = Rig(JUNCTION.replace("M3 = { ", "M3 = { lamps_proved = true, ")).all_clear()
    rig.report("lamps", "M3", "lit").report("lamps", "M3", "dark")
    assert rig.alarms() == [("lamps-failed", "signal M3")]
    rig.report("lamps", "M3", "lit")  # the red lamp is good
    assert rig.aspects(["M2", "M3"]) == ["caution", "danger"]
    assert rig.ask(Acknowledge("M3")) is None
    assert rig.aspect("M3") == "clear"


def test_overlap_is_kept_clear_for_a_train_running_up_to_the_signal() -> None:
    text = JUNCTION.replace("M3 = { ", "M3 = { overlap = 'd1', ")
    rig = Rig(text).all_clear().occupied("d1")
    assert rig.aspect("M2") == "danger"
    rig.lies("t1", "reverse")
    assert rig.aspect("M2") == "preliminary-caution"


def test_overlap_with_a_lie_needs_the_lie() -> None:
    text = JUNCTION.replace("M2 = { ", "M2 = { overlap = 'j1[t1 normal]', ")
    rig = Rig(text).all_clear()
    assert rig.aspect("M1") == "clear"
    rig.lies("t1", "reverse")
    assert rig.aspects(["M1", "M2"]) == ["danger", "preliminary-caution"]
    rig.lies("t1", "normal").occupied("j1")
    assert rig.aspect("M1") == "danger"
