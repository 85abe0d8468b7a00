"""Splitting distants: two heads on the signal in rear of a junction, one for each branch.

RS521, section 2.6, splitting distants (list of contents read); what each head shows: from memory,
after semaphore practice, where each arm is clear only for its own branch.
"""

from __future__ import annotations

from itertools import product

import pytest

from signalling.core.words import HoldSignal
from tests import oracle
from tests.rig import FREE, Rig

LIES = ("normal", "reverse", "moving")

LINE = f"""
[layout]
name = "Curlew Junction"
{FREE}
[blocks]
a = {{}}
b = {{}}
c = {{}}
j = {{}}
m = {{}}
m2 = {{}}
q = {{}}
q2 = {{}}
[turnouts]
t = {{ block = "j" }}
[lines]
main = "a > b > c > j[t normal] > m > m2"
quay = "a > b > c > j[t reverse] > q > q2"
[signals]
R = {{ at = "a > b", aspects = 4 }}
S = {{ at = "b > c", aspects = KIND, splitting = "quay" }}
J = {{ at = "c > j", aspects = 3, routes = {{ quay = {{ indicator = 4 }} }} }}
M = {{ at = "j > m", aspects = 3 }}
Q = {{ at = "j > q", aspects = 3 }}
N = {{ at = "m > m2", aspects = 3 }}
P = {{ at = "q > q2", aspects = 3 }}
"""


@pytest.mark.parametrize("kind", [3, 4])
def test_each_head_speaks_of_its_own_branch(kind: int) -> None:
    rig = Rig(LINE.replace("KIND", str(kind))).all_clear()
    red, yellow, green = oracle.RED, oracle.YELLOW, oracle.GREEN
    for lie, trains in product(LIES, product((True, False), repeat=7)):
        rig.lies("t", lie)
        blocks = dict(zip(("b", "c", "j", "m", "m2", "q", "q2"), trains, strict=True))
        rig.occupied(*(block for block, train in blocks.items() if train))
        rig.clear(*(block for block, train in blocks.items() if not train))
        first, last = ("m", "m2") if lie == "normal" else ("q", "q2")
        beyond = red if blocks[last] else yellow
        beyond = red if blocks[first] else oracle.BY_NEXT_SIGNAL[3][beyond]
        off = lie != "moving" and not blocks["j"]
        junction = oracle.BY_NEXT_SIGNAL[3][beyond] if off else red
        assert rig.aspect("J") == junction
        shown = {"normal": red, "reverse": red}
        if off:
            shown[lie] = junction
        main, quay = (
            red if blocks["c"] else oracle.BY_NEXT_SIGNAL[kind][shown[each]]
            for each in ("normal", "reverse")
        )
        assert rig.aspects(["S", "S/quay"]) == [main, quay], (lie, blocks)
        # To the signal in rear it is what the better of the two shows.
        best = max(main, quay, key=[red, yellow, oracle.DOUBLE_YELLOW, green].index)
        expected = red if blocks["b"] else oracle.BY_NEXT_SIGNAL[4][best]
        assert rig.aspect("R") == expected


DISTANT = LINE.replace("aspects = KIND", "distant = ['J', 'M', 'Q'], aspects = 2").replace(
    "R = {", "# R = {"
)


def test_a_distant_signal_may_have_two_heads() -> None:
    rig = Rig(DISTANT).all_clear()
    for lie, trains in product(LIES, product((True, False), repeat=4)):
        rig.lies("t", lie)
        blocks = dict(zip(("c", "j", "m", "q"), trains, strict=True))
        rig.occupied(*(block for block, train in blocks.items() if train))
        rig.clear(*(block for block, train in blocks.items() if not train))
        free = not blocks["j"]
        main = "clear" if free and lie == "normal" and not blocks["m"] else "caution"
        quay = "clear" if free and lie == "reverse" and not blocks["q"] else "caution"
        assert rig.aspects(["S", "S/quay"]) == [main, quay], (lie, blocks)


def test_a_second_head_is_an_order_of_its_own() -> None:
    table = Rig(LINE.replace("KIND", "4")).table
    heads = [output for output in table.outputs if output.device.name in ("S", "S/quay")]
    assert [str(each.device) for each in heads] == ["signal S", "signal S/quay"]
    assert [each.default for each in heads] == ["danger", "danger"]


def test_a_held_signal_is_at_danger_with_both_heads() -> None:
    rig = Rig(LINE.replace("KIND", "4")).all_clear()
    assert rig.aspects(["S", "S/quay"]) == ["clear", "caution"]
    assert rig.ask(HoldSignal("S")) is None
    assert rig.aspects(["S", "S/quay"]) == ["danger", "danger"]
