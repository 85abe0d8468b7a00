"""Distant signals: never at danger, at caution unless their main signals are all off.

Common practice of two-aspect distant signals (from memory).
"""

from __future__ import annotations

from itertools import product

import pytest

from signalling.core.words import FreeSignal, HoldSignal, OutOfReach, WithinReach
from signalling.table.present import control_table
from tests.core.test_aspects import gray
from tests.rig import FREE, Rig

# A distant, a home, a starter, and beyond it an advanced starter to a buffer stop.
LINE = f"""
[layout]
name = "Whimbrel Road"
{FREE}
[blocks]
a = {{}}
b = {{}}
c = {{}}
d = {{}}
e = {{}}
[lines]
main = "a > b > c > d > e"
[signals]
D = {{ at = "a > b", distant = true, aspects = 2 }}
H = {{ at = "b > c", aspects = 2 }}
S = {{ at = "c > d", aspects = 2 }}
A = {{ at = "d > e", aspects = 2 }}
"""
ALL = LINE.replace("distant = true", "distant = ['H', 'S', 'A']")
TWO = LINE.replace("distant = true", "distant = ['H', 'S']")


@pytest.mark.parametrize(
    ("text", "mains"), [(LINE, ("c",)), (TWO, ("c", "d")), (ALL, ("c", "d", "e"))]
)
def test_clear_only_while_the_main_signals_are_off(text: str, mains: tuple[str, ...]) -> None:
    """A two-aspect main signal is off while its section is clear, whatever else is so."""
    rig = Rig(text)
    blocks = ["a", "b", "c", "d", "e"]
    for pattern in gray(5):
        train = dict(zip(blocks, pattern, strict=True))
        rig.occupied(*(block for block, there in train.items() if there))
        rig.clear(*(block for block, there in train.items() if not there))
        off = not any(train[block] for block in mains)
        # A train in front of the home signal is none of its business.
        assert rig.aspect("D") == ("clear" if off else "caution"), train


def test_a_fresh_interlocking_has_distants_at_caution_and_never_at_danger() -> None:
    rig = Rig(ALL)
    assert rig.aspect("D") == "caution"
    rig.all_clear().unknown("d")
    assert rig.aspect("D") == "caution"
    words = {value for output in rig.table.outputs for _, value in output.choices}
    (distant,) = [each for each in rig.table.outputs if each.device.name == "D"]
    assert "danger" not in {distant.default, *(value for _, value in distant.choices)}
    assert "danger" not in words
    assert not any(order.value == "danger" for order in rig.orders if order.device.name == "D")


@pytest.mark.parametrize(("hold", "free"), [(HoldSignal, FreeSignal), (OutOfReach, WithinReach)])
def test_a_distant_that_is_held_or_cannot_be_told_is_at_caution(hold: type, free: type) -> None:
    rig = Rig(LINE).all_clear()
    assert rig.ask(hold("D")) is None
    assert rig.aspects(["D", "H"]) == ["caution", "clear"]
    assert rig.ask(free("D")) is None
    assert rig.aspect("D") == "clear"


def test_a_danger_input_holds_a_distant_at_caution() -> None:
    rig = Rig(LINE + "[danger]\nbell = { signals = ['D'] }").all_clear()
    assert rig.aspects(["D", "H"]) == ["caution", "clear"]
    assert rig.report("danger", "bell", "free").aspect("D") == "clear"


def test_a_train_passes_a_distant_at_caution_and_nothing_comes_of_it() -> None:
    rig = Rig(LINE.replace(FREE, "")).all_clear().occupied("c").wait(1)
    assert rig.aspect("D") == "caution"
    rig.run("a", "b")
    assert rig.alarms() == []


def test_a_main_signal_reads_past_a_distant_to_the_next_main_signal() -> None:
    text = LINE.replace("[signals]", "[signals]\nR = { at = 'a > b', aspects = 3 }").replace(
        'a > b", distant', 'a > b", distant'
    )
    rig = Rig(text).all_clear()
    assert rig.aspects(["R", "D", "H"]) == ["clear", "clear", "clear"]
    assert rig.occupied("c").aspects(["R", "D", "H"]) == ["caution", "caution", "danger"]
    # With the section up to the home signal occupied its own main signal is at danger.
    assert rig.clear("c").occupied("b").aspects(["R", "H"]) == ["danger", "clear"]


def test_a_distant_below_a_main_signal_is_at_caution_while_that_is_at_danger() -> None:
    text = LINE.replace("[signals]", "[signals]\nR = { at = 'a > b', aspects = 2 }")
    rig = Rig(text).all_clear()
    assert rig.aspects(["R", "D"]) == ["clear", "clear"]
    assert rig.occupied("b").aspects(["R", "D"]) == ["danger", "caution"]


JUNCTION = f"""
[layout]
name = "Whimbrel Junction"
{FREE}
[blocks]
a = {{}}
b = {{}}
j = {{}}
m = {{}}
q = {{}}
[turnouts]
t = {{ block = "j" }}
[lines]
main = "a > b > j[t normal] > m"
quay = "a > b > j[t reverse] > q"
[signals]
D = {{ at = "a > b", distant = ["J", "M", "Q"], aspects = 2 }}
J = {{ at = "b > j", aspects = 2, routes = {{ quay = {{ indicator = 4 }} }} }}
M = {{ at = "j > m", aspects = 2 }}
Q = {{ at = "j > q", aspects = 2 }}
"""


@pytest.mark.parametrize(
    ("lie", "m", "q"),
    list(product(("normal", "reverse", "moving"), (True, False), (True, False))),
)
def test_of_main_signals_beyond_a_junction_those_on_the_way_count(
    lie: str,
    m: bool,  # noqa: FBT001
    q: bool,  # noqa: FBT001
) -> None:
    rig = Rig(JUNCTION).all_clear().lies("t", lie)
    for block, train in (("m", m), ("q", q)):
        if train:
            rig.occupied(block)
    clear = (lie == "normal" and not m) or (lie == "reverse" and not q)
    assert rig.aspect("D") == ("clear" if clear else "caution")


def test_facing_turnouts_before_the_main_signals() -> None:
    """Each way has a main signal of its own; the lie says which counts."""
    text = JUNCTION.replace('distant = ["J", "M", "Q"]', "distant = true").replace(
        'J = { at = "b > j", aspects = 2, routes = { quay = { indicator = 4 } } }\n', ""
    )
    rig = Rig(text).all_clear().occupied("q")
    assert rig.aspect("D") == "clear"
    assert rig.lies("t", "moving").aspect("D") == "caution"
    assert rig.lies("t", "reverse").aspect("D") == "caution"
    assert rig.clear("q").aspect("D") == "clear"


def test_a_ring_of_named_signals_has_an_end() -> None:
    text = f"""
[layout]
name = "Round"
{FREE}
[blocks]
a = {{}}
b = {{}}
c = {{}}
[lines]
main = "a > b > c > a"
[signals]
D = {{ at = "a > b", distant = ["B", "C"], aspects = 2 }}
B = {{ at = "b > c", aspects = 3 }}
C = {{ at = "c > a", aspects = 3 }}
"""
    rig = Rig(text).all_clear()
    assert rig.aspect("D") == "clear"
    for block, shown in (("a", "caution"), ("c", "caution"), ("b", "caution")):
        rig.occupied(block)
        assert rig.aspect("D") == shown
        rig.clear(block)


KS = f"""
[layout]
name = "Dunlin Halt"
practice = "ks"
{FREE}
[blocks]
a = {{}}
b = {{}}
c = {{}}
d = {{}}
[lines]
main = "a > b > c > d"
[signals]
V = {{ at = "a > b", distant = true, aspects = 2, announces = [4] }}
F = {{ at = "b > c", aspects = 2, routes = {{ main = {{ indicator = 4 }} }} }}
W = {{ at = "c > d", aspects = 3 }}
"""


# sh1.org/eisenbahn/shks.htm (read): a distant signal alone never shows Hp 0; Ks 2, expect stop;
# Ks 1 flashing with Zs 3v, expect the speed shown; Ks 1, expect proceed.
def test_a_german_distant_signal_announces_a_speed() -> None:
    rig = Rig(KS).all_clear()
    assert (rig.aspect("V"), rig.indicator("V/ahead")) == ("expect-speed", "4")
    rig.occupied("c")
    assert (rig.aspect("V"), rig.indicator("V/ahead")) == ("caution", "dark")
    plain = Rig(KS.replace(", routes = { main = { indicator = 4 } }", "")).all_clear()
    assert (plain.aspect("V"), plain.indicator("V/ahead")) == ("clear", "dark")


def test_the_control_table_has_a_row_for_each_way_on() -> None:
    rows = {row["route"]: row for row in control_table(Rig(JUNCTION).table).rows}
    row = rows["D/main"]
    assert (row["signal"], row["at"], row["to"]) == ("D", "a > b", {"signal": "J"})
    assert row["aspects"] == {"danger": "caution", "clear": "clear"}
    assert row["mains"] == ("J", "M", "Q")
    assert (row["blocks"], row["foul"], row["locked"]) == ((), (), False)
    assert set(row) == set(rows["J/main"])


def test_explanations_lead_to_the_main_signal() -> None:
    rig = Rig(LINE).all_clear().occupied("c")
    reason = str(rig.interlocking.explain("signal D at least clear"))
    assert "the main signals that D/main tells of are not all off" in reason
    assert "detector c reports occupied" in reason
