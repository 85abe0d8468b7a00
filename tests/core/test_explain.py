"""Explanations: from a signal down to the reports that caused it, and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.core.explain import explain
from signalling.core.words import HoldSignal, MoveTurnout
from signalling.layout.notation import Lie
from signalling.table.graph import Graph
from tests.rig import Rig, ring_text
from tests.strategies import layouts

JUNCTION = """
[layout]
name = "Junction"
[blocks]
d1 = {}
d2 = {}
j1 = {}
d3 = {}
q1 = {}
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > j1[t1 normal] > d3 > d1"
quay = "d2 > j1[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M3 = { at = "d3 > d1", aspects = 3, lamps_proved = true }
[signals.M2]
at = "d2 > j1"
aspects = 4
[signals.M2.routes.quay]
release = "from-danger"
release_after = 1
[danger]
push = { signals = ["M3"], press = true }
"""

CROSSING = """
[layout]
name = "Crossing"
[blocks]
s1 = {}
s2 = {}
k1 = {}
x1 = {}
x2 = {}
[lines]
one = "s1 > k1 > s2"
two = "x1 > k1 > x2"
[signals]
A = { at = "s1 > k1", aspects = 3 }
B = { at = "x1 > k1", aspects = 3 }
"""


def lines(rig: Rig, equation: str) -> list[str]:
    return list(rig.interlocking.explain(equation).lines())


def test_a_device_that_says_something_else_is_told_by_what_it_says() -> None:
    rig = Rig(JUNCTION).all_clear().report("lamps", "M3", "lit").occupied("d3")
    assert lines(rig, "route M2/main off") == [
        "signal M2 is not off by route M2/main",
        "  block d3 is occupied",
        "    detection does not show block d3 clear",
        "      detector d3 reports occupied",
    ]


def test_a_device_that_says_nothing_is_told_so() -> None:
    rig = Rig(JUNCTION).all_clear().unknown("d1")
    assert lines(rig, "block d1 seen") == [
        "detection does not show block d1 clear",
        "  nothing is heard of detector d1",
    ]


@pytest.mark.parametrize(
    ("kind", "name", "value", "sentence"),
    [
        ("turnout", "t1", "moving", "turnout t1 reports moving"),
        ("turnout", "t1", "reverse", "turnout t1 reports reverse"),
        ("turnout", "t1", None, "nothing is heard of turnout t1"),
        ("lamps", "M3", "dark", "the lamps of signal M3 are reported dark"),
        ("lamps", "M3", None, "nothing is heard of the lamps of signal M3"),
    ],
)
def test_values_that_the_equations_do_not_ask_for(
    kind: str, name: str, value: str | None, sentence: str
) -> None:
    rig = Rig(JUNCTION).all_clear().report("lamps", "M3", "lit").report(kind, name, value)
    assert sentence in rig.interlocking.explain("route M2/main off").causes()


def test_a_time_is_a_reason_only_while_it_runs() -> None:
    rig = Rig(JUNCTION).all_clear().report("danger", "push", "danger").report("lamps", "M3", "lit")
    assert rig.interlocking.explain("signal M3 off").causes() == (
        "danger input push reports danger",
    )
    rig.report("danger", "push", "free")
    assert rig.interlocking.explain("signal M3 off").causes() == (
        "danger input push still holds danger",
    )
    rig.occupied("d2").clear("d2")
    assert rig.interlocking.explain("block d2 seen").causes() == (
        "block d2 has not read clear for the hold-off",
    )


def test_an_equation_that_shares_its_gate_says_its_own_sentence() -> None:
    rig = Rig(JUNCTION).all_clear().occupied("d2")
    assert lines(rig, "route M1/main off")[0] == "signal M1 is not off by route M1/main"
    assert lines(rig, "signal M1 off")[:2] == ["signal M1 is at danger", "  block d2 is occupied"]


def test_what_was_told_is_not_told_again() -> None:
    told = lines(Rig(JUNCTION), "signal M2 off")
    assert "    block j1 is occupied (see above)" in told
    assert sum("nothing is heard of detector j1" in line for line in told) == 1


def test_a_memory_that_is_missing_is_explained_by_what_keeps_it_so() -> None:
    rig = Rig(CROSSING).all_clear().occupied("s1").wait(1).occupied("x1").wait(1)
    assert rig.aspects(["A", "B"]) == ["caution", "danger"]
    assert lines(rig, "signal B off") == [
        "signal B is at danger",
        "  route B/two is not locked",
        "    route B/two is not granted now",
        "      block k1 is held for route A/one",
        "        route A/one is locked",
        "        block k1 is not freed yet behind the train of route A/one",
        "          route A/one is not being released",
        "            block s1 is occupied",
        "              detection does not show block s1 clear",
        "                detector s1 reports occupied",
        "            route A/one is permitted",
        "            signal A was off by route A/one",
    ]


def test_a_memory_that_is_missing_for_what_was_told_is_left_out() -> None:
    rig = Rig(JUNCTION.replace('block = "j1"', 'block = "j1", lock = true'))
    rig.clear("d1", "d2", "j1").occupied("d3").lies("t1", "normal").report("lamps", "M3", "lit")
    rig.wait(5)
    assert not rig.interlocking.holds("route M2/main granted")
    assert lines(rig, "route M2/main off") == [
        "signal M2 is not off by route M2/main",
        "  block d3 is occupied",
        "    detection does not show block d3 clear",
        "      detector d3 reports occupied",
    ]


def test_requests_are_told_as_sentences() -> None:
    rig = Rig(JUNCTION).all_clear()
    assert "signal M1 is not held" in rig.interlocking.explain("signal M1 off").causes()
    rig.ask(HoldSignal("M1"))
    assert rig.interlocking.explain("signal M1 off").causes() == ("signal M1 is held",)


def test_a_request_that_nobody_made_is_not_taken_for_a_device_that_is_silent() -> None:
    rig = Rig(JUNCTION.replace('block = "j1"', 'block = "j1", moved_by = "us"')).all_clear()
    causes = rig.interlocking.explain("turnout t1 at rest").causes()
    assert causes == (
        "turnout t1 is not asked for normal",
        "turnout t1 does not wait to be moved normal",
        "turnout t1 is not asked for reverse",
        "turnout t1 does not wait to be moved reverse",
    )
    rig.occupied("j1").ask(MoveTurnout("t1", Lie.REVERSE))
    assert lines(rig, "turnout t1 at rest") == [
        "turnout t1 may be about to be moved",
        "  turnout t1 waits to be moved reverse",
        "  turnout t1 is not ordered reverse",
        "    turnout t1 is locked",
        "      block j1 is occupied",
        "        detection does not show block j1 clear",
        "          detector j1 reports occupied",
        "      block j1 is held for route M2/main",
        "        route M2/main is locked",
        "        block j1 is not freed yet behind the train of route M2/main",
        "          block j1 is occupied (see above)",
    ]


def test_no_train_is_close() -> None:
    rig = Rig(JUNCTION).all_clear().lies("t1", "reverse")
    assert lines(rig, "route M2/quay off") == [
        "signal M2 is not off by route M2/quay",
        "  no train is close enough to release signal M2 for route M2/quay",
        "    detector d2 reports clear",
    ]
    rig.occupied("d2")
    assert lines(rig, "route M2/quay off")[2:] == [
        "    a train has not been close to signal M2 long enough"
    ]


def test_an_unknown_equation_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        Rig(JUNCTION).interlocking.explain("signal M9 off")


def test_a_ring_of_memories_ends() -> None:
    graph = Graph()
    one = graph.latch("one", holds="one holds", fails="one fails")
    two = graph.latch("two", holds="two holds", fails="two fails")
    graph.set_next(one, graph.all_of(two.literal, graph.input("start", "started", "not started")))
    graph.set_next(two, one.literal)
    graph.equation("both", graph.all_of(one.literal, two.literal), "both hold", "not both hold")
    reason = explain(graph, graph.evaluate([]), graph.equations["both"], {})
    assert reason.sentence == "not both hold"
    assert reason.causes() == ("not started",)


def test_a_memory_that_rests_on_itself_alone_is_no_reason() -> None:
    rig = Rig(ring_text([3, 3, 3], settings="minimum_on = 5")).clear("b0", "b1", "b2").wait(2)
    assert rig.interlocking.explain("signal S1 off").causes() == (
        "signal S1 has not been at danger long enough",
    )


def test_constants_have_their_own_sentences() -> None:
    graph = Graph()
    graph.equation("never", 0, "never holds", "never fails")
    graph.equation("no more", 0, "no more holds", "no more fails")
    values = graph.evaluate([])
    assert str(explain(graph, values, graph.equations["never"], {})) == "never fails"
    assert str(explain(graph, values, graph.equations["no more"], {})) == "no more fails"


@given(st.data())
def test_every_equation_of_any_layout_is_explained_down_to_causes(data: st.DataObject) -> None:
    rig = Rig(data.draw(layouts()))
    graph = rig.table.graph
    fresh = data.draw(st.booleans())
    if not fresh:
        rig.all_clear()
    for name, equation in graph.equations.items():
        reason = rig.interlocking.explain(name)
        holds = rig.interlocking.holds(name)
        assert reason.sentence == (equation.holds if holds else equation.fails)
        told = [line.strip() for line in reason.lines()]
        for cause in reason.causes():
            assert cause
            assert cause in told


def test_causes_alone_decide() -> None:
    """Whatever else is said, a signal at danger for a report stays so until that is said anew."""
    rig = Rig(ring_text([4, 4, 4], settings="sequence = false\nhold_off = 0.0")).all_clear()
    rig.occupied("b1")
    assert rig.interlocking.explain("signal S1 off").causes() == ("detector b1 reports occupied",)
    rig.clear("b1")
    assert rig.interlocking.holds("signal S1 off")
