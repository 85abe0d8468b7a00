"""Out of use: what somebody has taken out of use is not run over, not moved, and not forgotten."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.core.out_of_use import MOST
from signalling.core.words import (
    Acknowledge,
    AskLock,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    GiveBack,
    HoldSignal,
    MoveTurnout,
    Refusal,
    Request,
    RestoreBlock,
    ReturnLock,
    SetRoute,
    TakeOut,
    WorkRoute,
)
from signalling.layout.notation import Lie
from signalling.layout.out_of_use import Thing
from signalling.layout.words import Order
from signalling.table.row import Row
from signalling.table.table import Table
from tests.rig import FREE, Rig, ring_text, table_from
from tests.strategies import days, layouts

# Two automatic signals lead to a junction, of which one way goes on to a controlled signal with
# everything that can be done over a route.
HALL = """
[layout]
name = "Tolland Sidings"
approach_time = 20
[blocks]
a0 = {}
a1 = {}
throat = {}
p1 = {}
p2 = {}
b1 = {}
[turnouts]
t = { block = "throat", moved_by = "us" }
[lines]
in = "a0 > a1 > throat[t normal] > p1 > b1"
side = "a1 > throat[t reverse] > p2"
back = "p1 > throat[t normal] > a1"
[signals]
D = { at = "a0 > a1", aspects = 3 }
A = { at = "a1 > throat", aspects = 3, controlled = true, stopped_after = 5.0, routes = { in = { call_on = true, shunt = true } } }
P = { at = "p1 > b1", aspects = 3, hidden = [] }
[stops]
sd = { signal = "D" }
sa = { signal = "A" }
"""  # noqa: E501 - one signal, one line

LOCKED = """
[layout]
name = "Tolland Sidings"
hold_off = 0.0
sequence = false
[blocks]
a = {}
j = {}
m = {}
y = {}
[turnouts]
t = { block = "j", lock = true }
[lines]
main = "a > j[t normal] > m"
yard = "a > j[t reverse] > y"
[signals]
S = { at = "a > j", aspects = 3 }
"""
OBSERVED = LOCKED.replace(", lock = true", "")


def out(rig: Rig, kind: str, name: str, person: str = "Ann") -> Refusal | None:
    return rig.ask(TakeOut(Thing(kind), name, person, "a hand on the track"))


def back(rig: Rig, kind: str, name: str, person: str = "Ann") -> Refusal | None:
    return rig.ask(GiveBack(Thing(kind), name, person))


def turnout_orders(rig: Rig) -> list[Order]:
    return [order for order in rig.orders if order.device.kind in ("turnout", "lock")]


@pytest.fixture
def hall() -> Rig:
    rig = Rig(HALL).all_clear()
    assert rig.ask(SetRoute("A/in")) is None
    rig.wait(60)
    assert rig.aspects(["D", "A"]) == ["clear", "clear"]
    return rig


# -- blocks ------------------------------------------------------------------------------


def test_signals_that_lead_to_a_block_are_on_and_their_stops_applied(hall: Rig) -> None:
    assert not hall.stop("sa")
    assert out(hall, "block", "p1") is None
    assert hall.block("p1")
    assert hall.aspects(["D", "A"]) == ["caution", "danger"]
    assert hall.stop("sa")
    text = str(hall.interlocking.explain("block p1 occupied"))
    assert text == "block p1 is occupied\n  block p1 is out of use"


def test_an_automatic_signal_clears_again_when_the_block_is_given_back() -> None:
    rig = Rig(ring_text([3] * 4, settings=FREE)).all_clear()
    assert out(rig, "block", "b2") is None
    assert rig.aspects() == ["clear", "caution", "danger", "clear"]
    rig.wait(1000).clear("b2").wait(1)
    assert rig.aspects() == ["clear", "caution", "danger", "clear"]
    assert back(rig, "block", "b2") is None
    assert rig.aspects() == ["clear"] * 4


def test_a_controlled_route_must_be_asked_for_again(hall: Rig) -> None:
    out(hall, "block", "p1")
    back(hall, "block", "p1")
    hall.wait(100)
    assert hall.aspect("A") == "danger"
    assert hall.ask(SetRoute("A/in")) is None
    assert hall.aspect("A") == "clear"


def test_what_leads_to_it_is_refused_with_the_reason(hall: Rig) -> None:
    out(hall, "block", "p1")
    hall.wait(60)
    refusal = hall.ask(SetRoute("A/in"))
    assert isinstance(refusal, Refusal)
    assert "block p1 is out of use" in refusal.reason
    assert hall.ask(SetRoute("A/side")) is None, "the other way is free"


@pytest.mark.parametrize("move", ["call-on", "shunt"])
@pytest.mark.parametrize("thing", ["block p1", "block throat", "route A/in", "turnout t"])
def test_nothing_is_called_on_or_shunted_over_it(move: str, thing: str) -> None:
    rig = Rig(HALL).all_clear().occupied("a1").wait(30)
    out(rig, *thing.split())
    refusal = rig.ask(SetRoute(f"A/in/{move}"))
    assert isinstance(refusal, Refusal)
    assert f"{thing} is out of use" in refusal.reason
    back(rig, *thing.split())
    assert rig.ask(SetRoute(f"A/in/{move}")) is None
    rig.wait(1)
    assert rig.aspect("A") == move
    out(rig, *thing.split())
    assert rig.aspect("A") == "danger"
    assert rig.stop("sa")
    rig.wait(100)
    back(rig, *thing.split())
    rig.wait(100)
    assert rig.aspect("A") == "danger", "a new ask is needed"


def test_a_route_stays_locked_in_the_face_of_a_train_that_comes(hall: Rig) -> None:
    hall.occupied("a1").wait(5)
    out(hall, "block", "p1")
    assert hall.aspect("A") == "danger"
    assert hall.ask(MoveTurnout("t", Lie.REVERSE)) is None
    hall.wait(19.9)
    assert not turnout_orders(hall)[1:], "it may not have stopped yet"
    back(hall, "block", "p1")
    hall.wait(30)
    assert [order.value for order in turnout_orders(hall)][-1:] == ["reverse"]


def test_a_train_in_the_block_is_neither_lost_nor_found() -> None:
    rig = Rig(ring_text([3] * 6)).all_clear().run("b0", "b1", "b2")
    out(rig, "block", "b2")
    assert rig.alarms() == []
    rig.run("b2", "b3", "b4")
    assert rig.alarms() == []
    assert rig.block("b2")
    back(rig, "block", "b2")
    assert not rig.block("b2")
    rig.run("b4", "b5").run("b5", "b0", "b1", "b2")
    out(rig, "block", "b2")
    rig.clear("b2").wait(10)
    assert rig.alarms() == [("train-lost", "block b2")]
    back(rig, "block", "b2")
    rig.wait(100)
    assert rig.block("b2"), "it was not seen to leave"


def test_a_block_that_is_taken_out_is_not_one_that_is_entered() -> None:
    rig = Rig(ring_text([3] * 4)).all_clear().occupied("b0").wait(5)
    rig.ask(HoldSignal("S1"))
    rig.wait(5)
    out(rig, "block", "b1")
    back(rig, "block", "b1")
    assert rig.alarms() == []


BOTH_WAYS = """
[layout]
name = "Plover Cut"
hold_off = 0.0
sequence = false
[blocks]
a0 = {}
a1 = {}
m = {}
b1 = {}
b0 = {}
[lines]
east = "a0 > a1 > m > b1 > b0"
west = "b0 > b1 > m > a1 > a0"
[signals]
E = { at = "a1 > m", aspects = 2, hidden = [] }
W = { at = "b1 > m", aspects = 2, hidden = [] }
[stops]
se = { signal = "E" }
sw = { signal = "W" }
"""


@pytest.mark.parametrize("thing", ["block b0", "route E/east", "block b1"])
def test_a_stop_against_a_train_falls_when_its_way_is_taken_out_of_use(thing: str) -> None:
    rig = Rig(BOTH_WAYS).all_clear().occupied("a1").wait(1)
    assert rig.aspect("E") == "clear"
    rig.occupied("m").wait(1)
    assert not rig.stop("sw"), "lifted for the train that runs over it"
    out(rig, *thing.split())
    assert rig.stop("sw")


# -- turnouts ------------------------------------------------------------------------------


def test_a_turnout_is_neither_detected_nor_moved(hall: Rig) -> None:
    out(hall, "turnout", "t")
    assert hall.interlocking.lie("t") is None
    assert hall.aspects(["D", "A"]) == ["caution", "danger"]
    hall.wait(100)
    before = turnout_orders(hall)
    assert hall.ask(MoveTurnout("t", Lie.REVERSE)) == Refusal(
        "Turnout t cannot be moved: turnout t is out of use."
    )
    assert isinstance(hall.ask(SetRoute("A/side")), Refusal)
    assert hall.ask(SetRoute("A/side", wait=True)) is None
    hall.lies("t", "moving").wait(9).lies("t", "reverse").wait(100)
    assert turnout_orders(hall) == before
    assert hall.aspect("A") == "danger"
    back(hall, "turnout", "t")
    hall.wait(10)
    assert hall.aspect("A") == "caution", "the route that waited is set"


@pytest.mark.parametrize("taken", [False, True])
def test_a_wish_from_before_moves_nothing_afterwards(*, taken: bool) -> None:
    rig = Rig(HALL.replace("approach_time", "sequence = false\napproach_time")).all_clear()
    rig.ask(MoveTurnout("t", Lie.NORMAL))
    rig.occupied("throat").wait(5)
    assert rig.ask(MoveTurnout("t", Lie.REVERSE)) is None
    before = turnout_orders(rig)
    if taken:
        out(rig, "turnout", "t")
    rig.clear("throat").wait(30)
    assert (turnout_orders(rig) == before) is taken
    if taken:
        back(rig, "turnout", "t")
        rig.wait(30)
        assert turnout_orders(rig) == before


CROSSOVER = """
[layout]
name = "Tolland Sidings"
sequence = false
[blocks]
a1 = {}
a2 = {}
a3 = {}
b1 = {}
b2 = {}
b3 = {}
[supplies]
motors = { at_once = 1 }
[turnouts]
ta = { block = "a2", moved_by = "us", supply = "motors" }
tb = { block = "b2", moved_by = "us", supply = "motors" }
[lines]
up = "a1 > a2[ta normal] > a3"
down = "b1 > b2[tb normal] > b3"
over = "a1 > a2[ta reverse] > b2[tb reverse] > b3"
[signals]
A = { at = "a1 > a2", controlled = true }
B = { at = "b1 > b2", controlled = true }
"""


@pytest.mark.parametrize("taken", [False, True])
def test_one_that_a_locked_route_calls_is_not_moved(*, taken: bool) -> None:
    rig = Rig(CROSSOVER).all_clear()
    assert rig.ask(SetRoute("A/over")) is None
    assert {order.device.name for order in turnout_orders(rig)} == {"ta"}, "one at a time"
    rig.occupied("a2").wait(1)  # a train that ought not to; the route stays locked before it
    if taken:
        out(rig, "turnout", "tb")
    rig.lies("ta", "reverse").wait(5)
    assert ("tb" in {order.device.name for order in turnout_orders(rig)}) is not taken


def test_an_overlap_over_it_is_not_chosen() -> None:
    text = CROSSOVER.replace(
        "[signals]", "[signals]\nC = { at = 'a0 > a1', controlled = true, aspects = 3 }"
    )
    text = text.replace('"a1 > a2[ta normal]', '"a0 > a1 > a2[ta normal]')
    text = text.replace("[blocks]", "[blocks]\na0 = {}").replace(
        'A = { at = "a1 > a2",',
        'A = { at = "a1 > a2", overlap = ["a2[ta normal] > a3", "a2[ta reverse] > b2"],',
    )
    rig = Rig(text).all_clear()
    assert rig.ask(SetRoute("C/up")) is None
    assert rig.aspect("C") == "caution"
    out(rig, "block", "a3")
    assert rig.aspect("C") == "danger", "its overlap is out of use"
    rig = Rig(text).all_clear().occupied("a3").wait(1)
    out(rig, "turnout", "ta")
    refusal = rig.ask(SetRoute("C/up"))
    assert isinstance(refusal, Refusal)
    assert "cannot have the overlap over a2, b2" in refusal.reason
    back(rig, "turnout", "ta")
    assert rig.ask(SetRoute("C/up")) is None


def test_no_lock_is_given_and_one_that_was_is_taken_back() -> None:
    rig = Rig(LOCKED).all_clear()
    rig.ask(HoldSignal("S"))
    rig.wait(60)
    assert rig.ask(AskLock("t")) is None
    rig.wait(60)
    assert turnout_orders(rig)[-1].value == "free"
    out(rig, "turnout", "t")
    assert turnout_orders(rig)[-1].value == "locked"
    rig.ask(ReturnLock("t"))
    assert rig.ask(AskLock("t")) == Refusal("Turnout t cannot be moved: turnout t is out of use.")
    rig.wait(60)
    assert turnout_orders(rig)[-1].value == "locked"


def test_one_that_others_move_lies_no_way() -> None:
    rig = Rig(OBSERVED).all_clear()
    assert rig.aspect("S") == "caution"
    out(rig, "turnout", "t")
    assert rig.aspect("S") == "danger"
    rig.lies("t", "reverse").wait(9)
    assert rig.aspect("S") == "danger"
    back(rig, "turnout", "t")
    assert rig.aspect("S") == "caution"


# -- routes and signals ----------------------------------------------------------------------


@pytest.mark.parametrize("text", [LOCKED, OBSERVED])
def test_an_automatic_route_is_off_no_more(text: str) -> None:
    rig = Rig(text).all_clear()
    out(rig, "route", "S/main")
    assert rig.aspect("S") == "danger"
    rig.wait(100)
    assert rig.aspect("S") == "danger"
    out(rig, "route", "S/yard", "Bea")
    back(rig, "route", "S/main")
    assert rig.aspect("S") == "caution", "the other route is another matter"


def test_a_controlled_route_is_not_given(hall: Rig) -> None:
    assert hall.ask(WorkRoute("A/in")) is None
    out(hall, "route", "A/in")
    assert hall.aspect("A") == "danger"
    hall.wait(100)
    assert hall.aspect("A") == "danger"
    assert hall.ask(SetRoute("A/side")) is None


def test_a_signal_is_held(hall: Rig) -> None:
    out(hall, "signal", "A")
    assert hall.aspects(["D", "A"]) == ["caution", "danger"]
    hall.ask(FreeSignal("A"))
    hall.ask(FreeAll())
    assert isinstance(hall.ask(SetRoute("A/in")), Refusal)
    hall.wait(100)
    assert hall.aspect("A") == "danger"
    back(hall, "signal", "A")
    assert hall.ask(SetRoute("A/in")) is None


# -- who, and why ------------------------------------------------------------------------------


def test_each_gives_back_what_was_taken_in_that_name() -> None:
    rig = Rig(ring_text([3] * 4, settings=FREE)).all_clear()
    out(rig, "block", "b2", "Ann")
    out(rig, "block", "b2", "Bea")
    assert back(rig, "block", "b2", "Cid") == Refusal(
        "Block b2 was taken out of use by Ann, Bea, not by Cid: each gives back what was taken "
        "in that name."
    )
    assert back(rig, "block", "b2", "Ann") is None
    assert rig.aspect("S2") == "danger"
    assert [record.person for record in rig.interlocking.snapshot().out_of_use] == ["Bea"]
    assert back(rig, "block", "b2", "Bea") is None
    assert rig.aspect("S2") == "clear"
    assert back(rig, "block", "b2", "Bea") == Refusal("Block b2 is not out of use.")


def test_said_again_it_has_another_reason_and_the_same_time() -> None:
    rig = Rig(ring_text([3] * 4))
    rig.ask(TakeOut(Thing.BLOCK, "b2", "Ann", "rail", since="yesterday"))
    rig.ask(TakeOut(Thing.BLOCK, "b2", "Ann", "sleepers", since="today"))
    (record,) = rig.interlocking.out_of_use
    assert (record.reason, record.since) == ("sleepers", "yesterday")


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (TakeOut(Thing.BLOCK, "b9", "Ann", "x"), "There is no block 'b9'."),
        (TakeOut(Thing.TURNOUT, "b1", "Ann", "x"), "There is no turnout 'b1'."),
        (TakeOut(Thing.SIGNAL, "b1", "Ann", "x"), "There is no signal 'b1'."),
        (GiveBack(Thing.ROUTE, "S1/nowhere", "Ann"), "There is no route 'S1/nowhere'."),
        (TakeOut(Thing.BLOCK, "b1", "", "x"), "Say who"),
        (TakeOut(Thing.BLOCK, "b1", "Ann Other", "x"), "Say who"),
        (TakeOut(Thing.BLOCK, "b1", "A" * 65, "x"), "Say who"),
        (TakeOut(Thing.BLOCK, "b1", "Ann\n", "x"), "Say who"),
        (TakeOut(Thing.BLOCK, "b1", "Ann", ""), "Say why"),
        (TakeOut(Thing.BLOCK, "b1", "Ann", "  "), "Say why"),
        (TakeOut(Thing.BLOCK, "b1", "Ann", "x\x1b[2J"), "Say why"),
        (TakeOut(Thing.BLOCK, "b1", "Ann", "x" * 201), "Say why"),
    ],
)
def test_what_makes_no_sense_is_refused_and_takes_nothing_out(request_: Request, said: str) -> None:
    rig = Rig(ring_text([3] * 4)).all_clear()
    refusal = rig.ask(request_)
    assert isinstance(refusal, Refusal)
    assert said in refusal.reason
    assert rig.interlocking.out_of_use == ()
    assert rig.aspect("S1") == "clear"


def test_the_record_has_an_end() -> None:
    rig = Rig(ring_text([3] * 4))
    for number in range(MOST):
        assert out(rig, "block", "b1", f"p{number}") is None
    assert isinstance(out(rig, "block", "b1", "one-more"), Refusal)
    assert out(rig, "block", "b1", "p0") is None


# -- whatever else is asked ---------------------------------------------------------------------


def touched(row: Row) -> set[tuple[Thing, str]]:
    """What of a layout a route, or a move over one, makes use of."""
    main = "/".join(row.name.split("/")[:2])
    return {
        (Thing.SIGNAL, row.signal),
        (Thing.ROUTE, row.name),
        (Thing.ROUTE, main),
        *((Thing.BLOCK, way.block) for way in row.route.kept_clear),
        *((Thing.TURNOUT, turnout) for turnout, _ in row.route.all_lies),
    }


def check(rig: Rig, gone: set[tuple[Thing, str]], orders: list[Order]) -> None:
    """Nothing that is out of use may be run over or have been moved by these orders."""
    now = rig.interlocking.snapshot()
    for output in rig.table.outputs:
        if (Thing.SIGNAL, output.device.name) in gone and output.device.kind == "signal":
            assert now.aspects[output.device.name] == output.default
    for signal, aspect in now.aspects.items():
        rows = [row for row in rig.table.rows if row.signal == signal]
        if aspect != "danger" and rows:  # distant signals have none
            assert any(not touched(row) & gone for row in rows), f"{signal} shows {aspect}"
    for name, applied in now.stops.items():
        signal = rig.table.layout.stops[name].signal
        if not applied and now.aspects[signal] == "danger":
            running = [row for row in rig.table.rows if name in row.lifts]
            assert any(not touched(row) & gone - {(Thing.SIGNAL, row.signal)} for row in running)
    for kind, name in gone:
        if kind is Thing.BLOCK:
            assert now.occupied[name]
        if kind is Thing.TURNOUT:
            assert now.lies[name] is None
    for order in orders:
        if (Thing.TURNOUT, order.device.name) in gone and order.device.kind in ("turnout", "lock"):
            assert order.value == "locked"


def things(table: Table) -> list[tuple[Thing, str]]:
    layout = table.layout
    return [
        *((Thing.BLOCK, name) for name in layout.blocks),
        *((Thing.TURNOUT, name) for name in layout.turnouts),
        *((Thing.SIGNAL, name) for name in layout.signals),
        *((Thing.ROUTE, row.name) for row in table.rows),
    ]


def asks(table: Table) -> st.SearchStrategy[Request]:
    layout = table.layout
    signals, blocks = st.sampled_from(list(layout.signals)), st.sampled_from(list(layout.blocks))
    routes = st.sampled_from([row.name for row in table.rows])
    turnouts = st.sampled_from(list(layout.turnouts) or ["none"])
    return st.one_of(
        st.builds(FreeSignal, signals),
        st.builds(HoldSignal, signals),
        st.builds(Acknowledge, signals),
        st.builds(RestoreBlock, blocks),
        st.builds(ConfirmBlock, blocks),
        st.builds(MoveTurnout, turnouts, st.sampled_from(Lie)),
        st.builds(AskLock, turnouts),
        st.builds(ReturnLock, turnouts),
        st.builds(SetRoute, routes, st.booleans()),
        st.builds(WorkRoute, routes),
    )


@settings(deadline=None)
@given(st.data())
def test_whatever_is_asked_nothing_out_of_use_is_run_over_or_moved(data: st.DataObject) -> None:
    text = data.draw(layouts())
    if data.draw(st.booleans()):
        text = re.sub(r"^(S\d = \{ )(?=at)", r"\1controlled = true, ", text, flags=re.MULTILINE)
    table = table_from(text)
    rig = Rig(table)
    gone: set[tuple[Thing, str]] = set()
    for event in data.draw(days(table)):
        before = len(rig.orders)
        rig.wait(event.after).tell(*event.reports)
        check(rig, gone, rig.orders[before:])
        before = len(rig.orders)
        rig.ask(data.draw(asks(table)))
        check(rig, gone, rig.orders[before:])
        chance = data.draw(st.integers(0, 5))
        if chance == 0 and gone:
            thing = data.draw(st.sampled_from(sorted(gone)))
            assert rig.ask(GiveBack(*thing, "Ann")) is None
            gone.discard(thing)
        elif chance < 3:
            thing = data.draw(st.sampled_from(things(table)))
            before = len(rig.orders)
            assert rig.ask(TakeOut(*thing, "Ann", "hands on it")) is None
            gone.add(thing)
            check(rig, gone, rig.orders[before:])
