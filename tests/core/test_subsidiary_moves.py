"""Call-on and shunt moves: a subsidiary aspect into occupied track, and nothing more than that."""

from __future__ import annotations

import pytest

from signalling.core.words import CancelRoute, Refusal, SetRoute
from signalling.layout.read import examine_text
from signalling.table.check import check_reading
from signalling.table.devices import aspects_of
from tests.rig import Rig

# A platform that is reached through a throat, and left at both ends.
PLATFORM = """
[layout]
name = "Ormsby Wharf"
[blocks]
a0 = {}
a1 = {}
throat = {}
p1 = {}
b1 = {}
[turnouts]
t = { block = "throat", moved_by = "us" }
[lines]
in = "a0 > a1 > throat[t normal] > p1 > b1"
out = "p1 > throat[t reverse] > out1"
[blocks.out1]
[signals]
A = { at = "a1 > throat", aspects = 3, controlled = true, stopped_after = 5.0, routes = { in = { call_on = true, shunt = true } } }
P = { at = "p1 > throat", aspects = 3, controlled = true }
Q = { at = "p1 > b1", aspects = 3, controlled = true }
[stops]
brake = { signal = "A" }
"""  # noqa: E501 - one signal, one line


@pytest.fixture
def rig() -> Rig:
    return Rig(PLATFORM).all_clear()


def test_a_train_is_called_on_only_when_it_has_stopped_at_the_signal(rig: Rig) -> None:
    rig.occupied("p1")
    assert isinstance(rig.ask(SetRoute("A/in")), Refusal), "the platform is occupied"
    assert rig.ask(SetRoute("A/in/call-on")) is None
    rig.occupied("a1").wait(4.9)
    assert rig.aspect("A") == "danger"
    assert rig.stop("brake")
    rig.wait(0.2)
    assert rig.aspect("A") == "call-on"
    assert not rig.stop("brake"), "the stop is lifted for it"
    rig.occupied("throat")
    assert rig.aspect("A") == "danger"
    assert rig.stop("brake")
    assert rig.alarms() == [], "it was not passed at danger"
    rig.wait(1).clear("a1").wait(2).clear("throat").wait(2)
    assert not rig.locked("A/in/call-on"), "both stand in the platform now"


def test_a_stop_is_not_lifted_under_the_train_that_stands_in_the_platform() -> None:
    """The starter of a terminus is passed from behind by a train that comes in."""
    text = PLATFORM.replace("[stops]", '[stops]\nholds = { signal = "P" }')
    text = text.replace('Q = { at = "p1 > b1", aspects = 3, controlled = true }\n', "")
    text = text.replace("throat[t normal] > p1 > b1", "throat[t normal] > p1")
    rig = Rig(text).all_clear()
    assert {row.name: row.lifts for row in rig.table.rows if row.signal == "A"} == {
        "A/in": ("holds",),
        "A/in/call-on": (),
        "A/in/shunt": (),
    }
    rig.occupied("p1", "a1")
    rig.ask(SetRoute("A/in/call-on"))
    rig.wait(6)
    assert rig.aspect("A") == "call-on"
    rig.occupied("throat").wait(1)
    assert rig.stop("holds")


def test_a_signal_in_rear_takes_a_subsidiary_aspect_for_danger() -> None:
    rig = Rig(PLATFORM.replace("[signals]", '[signals]\nR = { at = "a0 > a1", aspects = 3 }'))
    rig.all_clear().occupied("p1").ask(SetRoute("A/in/shunt"))
    assert rig.aspects(["R", "A"]) == ["caution", "shunt"]


def test_vehicles_are_shunted_without_having_stopped(rig: Rig) -> None:
    rig.occupied("p1", "a1")
    rig.ask(SetRoute("A/in/shunt"))
    assert rig.aspect("A") == "shunt"


def test_a_move_needs_its_track_clear_but_for_the_last_block(rig: Rig) -> None:
    rig.occupied("p1", "a1")
    rig.ask(SetRoute("A/in/call-on"))
    rig.wait(6)
    rig.lies("t", "moving")
    assert rig.aspect("A") == "danger"
    rig.lies("t", "normal").wait(2)
    assert rig.aspect("A") == "call-on"
    rig.ask(CancelRoute("A/in/call-on"))
    assert rig.aspect("A") == "danger"
    rig.occupied("throat")
    answer = rig.ask(SetRoute("A/in/shunt"))
    assert isinstance(answer, Refusal)
    assert "block throat is occupied" in answer.reason


@pytest.mark.parametrize("other", ["A/in", "A/in/shunt", "P/out"])
def test_moves_and_routes_keep_one_another_out(rig: Rig, other: str) -> None:
    rig.occupied("p1", "a1")
    rig.ask(SetRoute("A/in/call-on"))
    answer = rig.ask(SetRoute(other))
    assert isinstance(answer, Refusal)
    assert "held for route A/in/call-on" in answer.reason


def test_the_platform_may_be_left_ahead_meanwhile(rig: Rig) -> None:
    rig.occupied("p1", "a1")
    rig.ask(SetRoute("A/in/call-on"))
    assert rig.ask(SetRoute("Q/in")) is None
    assert rig.aspect("Q") == "caution"


def test_into_one_block_the_move_ends_with_the_last_vehicle() -> None:
    text = PLATFORM.replace(
        "stopped_after = 5.0, routes = { in = { call_on", "routes = { in = { shunt"
    )
    text = text.replace("shunt = true, shunt = true", "shunt = true").replace(
        "throat[t normal] > ", ""
    )
    text = text.replace("a1 > throat", "a1 > p1")
    rig = Rig(text).all_clear()
    rig.occupied("p1")
    rig.ask(SetRoute("A/in/shunt"))
    assert rig.aspect("A") == "shunt", "before anything has come"
    rig.occupied("a1").wait(5)
    assert rig.aspect("A") == "shunt"
    rig.clear("a1").wait(2)
    assert rig.aspect("A") == "danger"
    assert not rig.locked("A/in/shunt")


def test_what_a_signal_can_show_is_told_to_its_link(rig: Rig) -> None:
    shown = aspects_of(rig.table.layout, rig.table.practice)
    assert shown["A"] == ("danger", "call-on", "shunt", "caution", "clear")
    assert shown["P"] == ("danger", "caution", "clear")


def test_only_a_controlled_signal_has_moves() -> None:
    reading = examine_text(
        PLATFORM.replace("aspects = 3, controlled = true, stopped", "aspects = 3, stopped"),
        "layout.toml",
        ".",
    )
    messages = [str(finding) for finding in reading.findings.sorted()]
    assert sum("is for a route that is asked for" in message for message in messages) == 2


@pytest.mark.parametrize("practice", ["ks", "us"])
def test_a_practice_without_an_aspect_for_a_move_has_no_such_move(practice: str) -> None:
    text = PLATFORM.replace(
        'name = "Ormsby Wharf"', f'name = "Ormsby Wharf"\npractice = "{practice}"'
    )
    messages = [str(each) for each in check_reading(examine_text(text, "layout.toml", "."))]
    assert sum("no subsidiary aspect for the move" in message for message in messages) == 2
    text = text.replace(f'practice = "{practice}"', 'practice = "house"')
    messages = [str(each) for each in check_reading(examine_text(text, "layout.toml", "."))]
    assert not any("no subsidiary aspect" in message for message in messages)
