"""Each locking rule by itself: taken out of the table, the scene that needs it goes wrong.

Each scene is right with the whole table. Then its one rule is taken out of the
compiled equations, and the same scene must fail. Two things that look like
rules have no scene, for nothing goes wrong without them:

- That two routes need a turnout otherwise: the block of the turnout is in both,
  so that the rule of blocks keeps them apart, and says so in its own words. Only
  beside a route does a turnout keep routes apart by itself (flank).
- That the route of a signal that is off is locked: permission is given together
  with the lock, and the lock is given up only after the permission has gone.
  It stands in the row for its reader, and against a mistake in the one or the other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest
from attrs import frozen

from signalling.core.words import (
    CancelRoute,
    FreeSignal,
    HoldSignal,
    MoveTurnout,
    Refusal,
    SetRoute,
    TakeOut,
    WorkRoute,
)
from signalling.errors import EquationError
from signalling.layout.notation import Lie
from signalling.layout.out_of_use import Thing
from tests.core.test_controlled_routes import CROSSOVER, THREE_WAYS, ordered, throw
from tests.core.test_overlaps import STATION, SWINGING, holds
from tests.core.test_single_lines import LINE
from tests.core.test_subsidiary_moves import PLATFORM
from tests.rig import Rig, table_from
from tests.routes.taking_out import taken_out

OVERLAPS = STATION.replace("OVERLAP", SWINGING)
SLOW_SUPPLY = CROSSOVER.replace("at_once = 2", "at_once = 1")
PROVED = CROSSOVER.replace(
    'A = { at = "a1 > a2",',
    'A = { at = "a1 > a2", lamps_proved = true, '
    "routes = { over = { indicator = 1, indicator_proved = true } },",
)
GRANTS = "latch route .* (locked|permitted)"


def refused(rig: Rig, route: str) -> bool:
    return isinstance(rig.ask(SetRoute(route)), Refusal)


def shows(rig: Rig, signal: str) -> bool:
    """Whether a signal is off."""
    return rig.aspect(signal) != "danger"


def crossed(rig: Rig) -> Rig:
    """Set the crossover, with its signal off."""
    rig.ask(SetRoute("A/over"))
    throw(rig, ta="reverse", tb="reverse")
    return rig


# -- scenes


def waits_to_be_asked(rig: Rig) -> None:
    assert not shows(rig, "A")


def keeps_blocks_to_one_route(rig: Rig) -> None:
    rig.ask(SetRoute("A/a"))
    assert refused(rig, "B/b")


def calls_turnouts_beside(rig: Rig) -> None:
    crossed(rig).ask(CancelRoute("A/over"))
    rig.ask(SetRoute("A/up"))
    assert ordered(rig)["tb"] == "normal"


def proves_turnouts_beside(rig: Rig) -> None:
    crossed(rig).ask(CancelRoute("A/over"))
    rig.ask(SetRoute("A/up"))
    rig.lies("ta", "normal").wait(2)
    assert not shows(rig, "A")


def locks_turnouts_beside(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(MoveTurnout("tb", Lie.REVERSE))
    assert ordered(rig)["tb"] == "normal"


def locks_turnouts(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    assert ordered(rig)["ta"] == "normal"


def moves_none_under_a_train(rig: Rig) -> None:
    rig.occupied("a2").ask(MoveTurnout("ta", Lie.REVERSE))
    assert ordered(rig) == {}


def proves_turnouts(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    assert shows(rig, "A")
    rig.lies("ta", "moving")
    assert not shows(rig, "A")


def distrusts_feedback_of_before(rig: Rig) -> None:
    rig.ask(MoveTurnout("ta", Lie.REVERSE))
    rig.ask(MoveTurnout("ta", Lie.NORMAL))
    rig.ask(SetRoute("A/up"))
    assert not shows(rig, "A")


def feeds_no_more_than_it_can(rig: Rig) -> None:
    rig.ask(SetRoute("A/over"))
    assert list(ordered(rig)) == ["ta"]


def proves_track_clear(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.occupied("a3")
    assert not shows(rig, "A")


def goes_to_danger_when_cancelled(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(CancelRoute("A/up"))
    assert not shows(rig, "A")


def stays_at_danger_after_a_hold(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(HoldSignal("A"))
    rig.ask(FreeSignal("A"))
    assert not shows(rig, "A")


def goes_to_danger_when_held(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.ask(HoldSignal("A"))
    assert not shows(rig, "A")


def is_used_up_by_a_train(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.run("a0", "a1", "a2", "a3").clear("a3").wait(5)
    assert not shows(rig, "A")


def holds_under_an_approaching_train(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.occupied("a1").ask(CancelRoute("A/up"))
    rig.wait(29)
    assert refused(rig, "A/over")


def is_not_freed_by_a_bad_contact(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.occupied("a1").occupied("a2").wait(0.1).clear("a2").wait(3)
    assert rig.locked("A/up")


def is_freed_in_order(rig: Rig) -> None:
    crossed(rig).run("a0", "a1", "a2").ask(MoveTurnout("tb", Lie.NORMAL))
    assert ordered(rig)["tb"] == "reverse"


def fouls_after_a_signal_was_passed(rig: Rig) -> None:
    rig.occupied("a0", "a1").wait(2).occupied("a2").wait(2)
    rig.clear("a0", "a1", "a2").wait(2)
    rig.ask(SetRoute("A/up"))
    assert ("passed-at-danger", "signal A") in rig.alarms()
    assert not shows(rig, "A")


def is_not_set_out_of_use(rig: Rig) -> None:
    rig.ask(TakeOut(Thing.ROUTE, "A/up", "porter", "hands on the track"))
    assert refused(rig, "A/up")


def proves_lamps(rig: Rig) -> None:
    rig.ask(SetRoute("A/up"))
    rig.report("indicator", "A", "dark")
    assert not shows(rig, "A")


def proves_its_indicator(rig: Rig) -> None:
    crossed(rig.report("lamps", "A", "lit").report("indicator", "A", "dark"))
    assert not shows(rig, "A")


def serves_in_turn(rig: Rig) -> None:
    """Two that work for every train, and stand first in the table, would take turns for ever."""
    rig.ask(WorkRoute("A/a"))
    rig.ask(WorkRoute("B/b"))
    rig.ask(SetRoute("C/c", wait=True))
    for _ in range(4):
        (line,) = (name for name in "abc" if rig.locked(f"{name.upper()}/{name}"))
        if line == "c":
            return
        rig.run(f"{line}0", f"{line}1", "x", f"{line}2").clear(f"{line}2").wait(5)
    pytest.fail("C is never served")


def needs_its_overlap_clear(rig: Rig) -> None:
    rig.lies("tx", "reverse").lies("ty", "reverse").ask(SetRoute("A/main"))
    assert shows(rig, "A")
    rig.occupied("x")
    assert not shows(rig, "A")


def holds_its_overlap(rig: Rig) -> None:
    rig.lies("tx", "reverse").lies("ty", "reverse").occupied("y").ask(SetRoute("A/main"))
    assert refused(rig, "Z/east")


def swings_in_no_drivers_face(rig: Rig) -> None:
    rig.lies("tx", "reverse").lies("ty", "reverse").ask(SetRoute("A/main"))
    rig.occupied("a1").ask(SetRoute("Z/east"))
    assert holds(rig, 1)


def keeps_its_overlap_until_the_train_has_stopped(rig: Rig) -> None:
    rig.lies("tx", "reverse").lies("ty", "reverse").ask(SetRoute("A/main"))
    rig.run("a0", "a1", "p").wait(20)
    assert holds(rig, 1)


def calls_on_what_has_stopped(rig: Rig) -> None:
    rig.occupied("p1").ask(SetRoute("A/in/call-on"))
    rig.occupied("a1").wait(4.9)
    assert not shows(rig, "A")


def lets_nobody_in_from_both_ends(rig: Rig) -> None:
    rig.ask(SetRoute("A/east"))
    rig.ask(SetRoute("B/west", wait=True))
    rig.wait(60)
    assert not rig.locked("B/west")


# -- rules


@frozen
class Rule:
    """A rule: the scene that needs it, and how it is taken out (see ``taken_out``)."""

    scene: Callable[[Rig], None]
    where: str
    what: Mapping[str, bool]
    station: str = CROSSOVER


RULES = {
    "a controlled route is asked for": Rule(waits_to_be_asked, GRANTS, {"route A/up asked": True}),
    "conflict by track": Rule(
        keeps_blocks_to_one_route, GRANTS, {"route A/a holds x": False}, THREE_WAYS
    ),
    "flank called": Rule(
        calls_turnouts_beside, "latch turnout tb ordered .*", {"route A/up holds a2": False}
    ),
    "flank proved": Rule(
        proves_turnouts_beside, "output signal A", {"turnout tb detected normal": True}
    ),
    "flank locked": Rule(
        locks_turnouts_beside, "latch turnout tb ordered .*", {"turnout tb locked": False}
    ),
    "turnout locked": Rule(
        locks_turnouts, "latch turnout ta ordered .*", {"turnout ta locked": False}
    ),
    "turnout not under a train": Rule(
        moves_none_under_a_train, "latch turnout ta ordered .*", {"block a2 occupied": False}
    ),
    "turnout detected": Rule(
        proves_turnouts, "output signal A", {"turnout ta detected normal": True}
    ),
    "feedback of before a motor began": Rule(
        distrusts_feedback_of_before,
        "output signal A",
        {"turnout ta leaving normal": False, "turnout tb leaving normal": False},
    ),
    "supply limit": Rule(
        feeds_no_more_than_it_can,
        "latch turnout tb ordered .*",
        {"turnout ta moving": False},
        SLOW_SUPPLY,
    ),
    "track clear": Rule(proves_track_clear, "output signal A", {"block a3 occupied": False}),
    "permission drops on cancelling": Rule(
        goes_to_danger_when_cancelled, "latch route A/up permitted", {"cancel A/up": False}
    ),
    "permission drops on a hold": Rule(
        stays_at_danger_after_a_hold, "latch route A/up permitted", {"hold A": False}
    ),
    "hold": Rule(goes_to_danger_when_held, "(output signal A|latch route A.*)", {"hold A": False}),
    "permission drops on entry": Rule(
        is_used_up_by_a_train, "latch route A/up permitted", {"block a2 occupied": False}
    ),
    "approach locking": Rule(
        holds_under_an_approaching_train,
        "latch route A/up being released",
        {"approach time of A/up": True},
    ),
    "release latch": Rule(
        is_not_freed_by_a_bad_contact,
        "latch route A/up (freed.*|locked)",
        {"route A/up being released": True},
    ),
    "sectional order": Rule(
        is_freed_in_order, "latch route A/over freed 2 b2", {"route A/over freed 1 a2": True}
    ),
    "signal passed at danger": Rule(
        fouls_after_a_signal_was_passed, "output signal A", {"signal A passed at danger": False}
    ),
    "out of use": Rule(is_not_set_out_of_use, GRANTS, {"out of use route A/up": False}),
    "lamps proved": Rule(proves_lamps, "output signal A", {"lamps A=lit": True}, PROVED),
    "indicator proved": Rule(
        proves_its_indicator, "output signal A", {"indicator A=1": True}, PROVED
    ),
    "fairness": Rule(serves_in_turn, GRANTS, {"route ./. early": False}, THREE_WAYS),
    "overlap clear": Rule(
        needs_its_overlap_clear, "output signal A", {"block x occupied": False}, OVERLAPS
    ),
    "overlap held": Rule(holds_its_overlap, GRANTS, {"A/main overlap 1 held": False}, OVERLAPS),
    "overlap swung in nobody's face": Rule(
        swings_in_no_drivers_face,
        "latch A/main overlap . held",
        {"block (a0|a1) occupied": False},
        OVERLAPS,
    ),
    "overlap kept until the train has stopped": Rule(
        keeps_its_overlap_until_the_train_has_stopped,
        "latch A/main overlap . held",
        {"arrival time of A/main": True},
        OVERLAPS,
    ),
    "call-on of what has stopped": Rule(
        calls_on_what_has_stopped,
        "output signal A",
        {"a train before A has stopped": True},
        PLATFORM,
    ),
    "single line": Rule(
        lets_nobody_in_from_both_ends,
        GRANTS,
        {"single line well from the last end ours": True},
        LINE,
    ),
}


@pytest.mark.parametrize("name", RULES)
def test_the_scene_is_right_with_the_rule(name: str) -> None:
    rule = RULES[name]
    rule.scene(Rig(rule.station).all_clear())


@pytest.mark.parametrize("name", RULES)
def test_the_scene_goes_wrong_without_the_rule(name: str) -> None:
    rule = RULES[name]
    rig = Rig(taken_out(table_from(rule.station), rule.where, rule.what)).all_clear()
    # Where a turnout is called both ways, the equations do not even come to rest.
    with pytest.raises((AssertionError, EquationError, pytest.fail.Exception)):
        rule.scene(rig)
