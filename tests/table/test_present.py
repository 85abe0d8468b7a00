"""The control table says what the equations ask for: no more, no less, no otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.table.expression import Reader
from signalling.table.present import COLUMNS, control_table
from signalling.table.sheet import Row
from signalling.table.table import Table
from tests.rig import FREE, Rig, chain_text, ring_text, table_from
from tests.strategies import days, layouts

JUNCTION = """
[layout]
name = "Junction"
minimum_on = 1
[blocks]
a = {}
j = {}
b = {}
q = {}
z = {}
[turnouts]
t = { block = "j", lock = true }
[lines]
main = "a > j[t normal] > b > z"
quay = "a > j[t reverse] > q"
[signals]
T = { at = "b > z", aspects = 3, overlap = "z" }
[signals.S]
at = "a > j"
aspects = 4
lamps_proved = true
[signals.S.routes.quay]
indicator = 4
indicator_proved = true
override = true
release = "from-danger"
release_after = 2
[danger]
box = { signals = ["S", "T"] }
push = { signals = ["S"], press = true }
[stops]
brake = { signal = "S" }
"""


def rows(table: Table) -> dict[str, Row]:
    return {str(row["route"]): row for row in control_table(table).rows}


def test_every_cell_of_a_route() -> None:
    row = rows(table_from(JUNCTION))["S/quay"]
    assert set(row) == {column.key for column in COLUMNS}
    assert row == {
        "signal": "S",
        "route": "S/quay",
        "at": "a > j",
        "to": {"buffer in": "q"},
        "head": "four",
        "controlled": False,
        "aspects": {"buffer": "caution"},
        "indicator": "4",
        "speed": None,
        "reads_as": None,
        "splitting": None,
        "mains": (),
        "hidden": (),
        "blocks": ("j", "q"),
        "overlap": (),
        "normal": (),
        "reverse": ("t",),
        "flank": {},
        "conflicts": ("S/main",),
        "apart": (),
        "first_come": (),
        "foul": ("S",),
        "locked": True,
        "approach": ("a",),
        "approach_time": 30.0,
        "sectional_release": ("j", "q"),
        "overlap_time": None,
        "release": "from-danger",
        "release_after": 2.0,
        "announced_from": (),
        "forward": (),
        "danger": ("box", "push"),
        "proved": {"lamps of S": "lit", "indicator of S": "4"},
        "switches": {"S/quay": "auto or lit"},
        "minimum_on": 1.0,
        "stops": ("brake",),
        "lifts": (),
    }


def test_what_differs_for_the_other_route_of_the_signal() -> None:
    row = rows(table_from(JUNCTION))["S/main"]
    assert row["to"] == {"signal": "T"}
    assert row["aspects"] == {
        "danger": "caution",
        "caution": "preliminary-caution",
        "clear": "clear",
    }
    assert (row["blocks"], row["overlap"], row["normal"]) == (("j", "b"), ("z",), ("t",))
    assert (row["sectional_release"], row["overlap_time"]) == (("j", "b", "z"), 30.0)
    assert row["proved"] == {"lamps of S": "lit", "indicator of S": "dark"}
    assert row["switches"] == {"S/quay": "auto or dark"}
    assert (row["release"], row["release_after"]) == (None, None)


def test_a_route_that_is_not_locked_has_no_approach() -> None:
    row = rows(table_from(JUNCTION))["T/main"]
    assert (row["locked"], row["approach"], row["approach_time"]) == (False, (), None)
    assert (row["sectional_release"], row["overlap_time"]) == ((), None)


def test_columns_are_told_apart_and_explained() -> None:
    assert len({column.key for column in COLUMNS}) == len(COLUMNS)
    assert len({column.title for column in COLUMNS}) == len(COLUMNS)
    assert all(column.sentence.endswith(".") for column in COLUMNS)


# -- the table against the equations ------------------------------------------------------


def asked(table: Table, route: str) -> set[str]:
    """Return the terms of the equation by which a signal is off by a route."""
    expression = Reader(table.graph).equation(f"route {route} off")
    assert expression.every
    return {part.bracketed for part in expression.parts or (expression,)}


def said(table: Table, row: Row) -> tuple[set[str], set[str]]:
    """Return the terms that a row of the printed table stands for, and those it may have too."""
    signal, route = row["signal"], row["route"]
    cells: Mapping[str, Any] = row
    read, equations = Reader(table.graph), table.graph.equations
    # An equation that is nothing but a report stands as that report.
    terms = {
        str(read.literal(equations[f"block {block} occupied"].literal ^ 1))
        for block in (*cells["blocks"], *cells["overlap"])
    }
    terms |= {
        str(read.literal(equations[f"turnout {turnout} detected {lie}"].literal))
        for lie in ("normal", "reverse")
        for turnout in cells[lie]
    }
    terms |= {f"not hold {signal}", "not hold all", f"not out of reach {signal}"}
    over = "/".join(str(route).split("/")[:2])  # a move goes over its route
    terms |= {f"not out of use route {name}" for name in (over, route)}
    terms |= {f"not out of use block {name}" for name in (*cells["blocks"], *cells["overlap"])}
    terms |= {f"not out of use turnout {name}" for name in (*cells["normal"], *cells["reverse"])}
    terms.add(f"not out of use signal {signal}")
    terms |= {f"danger {name}=free" for name in cells["danger"]}
    terms |= {f"not signal {name} passed at danger" for name in cells["foul"]}
    for what, value in cells["proved"].items():
        kind, _, of = what.partition(" of ")
        if kind.startswith("stop "):
            assert value == "applied"
            terms |= {f"{kind} proved", f"not {kind} failed"}
            continue
        terms.add(f"{kind} {of}={value}")
        if (kind, of) == ("lamps", signal):
            terms.add(f"not lamps of {of} failed")
    if cells["locked"]:
        terms |= {f"route {route} locked", f"route {route} permitted"}
    for name, values in cells["switches"].items():
        allowed = sorted(f"override {name}={value}" for value in values.split(" or "))
        terms.add(f"({' or '.join(allowed)})")
    if cells["release"] == "from-danger":
        terms.add(str(read.literal(equations[f"route {route} released"].literal)))
    if cells["release"] == "flashing":
        released, announced = (
            equations[f"route {route} {what}"].literal for what in ("released", "announced")
        )
        terms.add(read.literal(table.graph.any_of(released, announced)).bracketed)
    if cells["minimum_on"]:
        ran = f"(signal {signal} at danger long enough and not signal {signal} was off)"
        terms.add(f"(signal {signal} was off or {ran})")
    turnouts = (*cells["normal"], *cells["reverse"])
    may = {f"danger {name} let go" for name in cells["danger"]}
    may |= {f"turnout {turnout} at rest" for turnout in turnouts if cells["locked"]}
    return terms, may


def check_rows(table: Table) -> None:
    cells = rows(table)
    for name in (row.name for row in table.rows):
        terms, may = said(table, cells[name])
        assert asked(table, name) - may == terms


@settings(deadline=None)
@given(layouts())
def test_every_route_of_any_layout_asks_for_what_its_row_says(text: str) -> None:
    check_rows(table_from(text))


def test_the_rows_of_a_junction_ask_for_what_they_say() -> None:
    check_rows(table_from(JUNCTION))


# -- the aspects against what is shown -----------------------------------------------------


def check_aspects(rig: Rig, cells: Mapping[str, Row]) -> int:
    """Check every signal that is off by a route with an exit signal; return how many were."""
    shown = dict(rig.interlocking.snapshot().aspects)
    reads = shown.copy()
    for name, signal in rig.table.layout.signals.items():
        if signal.splitting is not None:
            # The head of the branch that is set says what the signal is; the other says no more.
            heads = (shown[name], shown[f"{name}/{signal.splitting}"])
            reads[name] = max(heads, key=rig.table.practice.level)
    for each in rig.table.rows:
        if each.speed.reads_as is not None and rig.interlocking.holds(f"route {each.name} off"):
            reads[each.signal] = each.speed.reads_as
    seen = 0
    for name in (each.name for each in rig.table.rows):
        row = cells[name]
        aspects: Mapping[str, Any] = row["aspects"]  # type: ignore[assignment]
        to: Mapping[str, Any] = row["to"]  # type: ignore[assignment]
        if "signal" not in to or row["splitting"] or row["release"] in ("from-caution", "flashing"):
            continue
        if rig.interlocking.holds(f"route {name} off"):
            assert shown[str(row["signal"])] == aspects[reads[to["signal"]]]
            seen += 1
    return seen


@settings(deadline=None)
@given(st.data())
def test_signals_show_what_the_table_says_on_any_day(data: st.DataObject) -> None:
    table = table_from(data.draw(layouts()))
    cells = rows(table)
    rig = Rig(table)
    for event in data.draw(days(table)):
        rig.wait(event.after).tell(*event.reports)
        check_aspects(rig, cells)


@pytest.mark.parametrize("practice", ["uk", "house"])
def test_every_aspect_of_a_mixed_ring(practice: str) -> None:
    rig = Rig(ring_text([4, 3, 2, 4, 4, 3], practice=practice, settings=FREE)).all_clear()
    cells = rows(rig.table)
    blocks = list(rig.table.layout.blocks)
    seen = 0
    for pattern in range(2 ** len(blocks)):
        taken = [block for index, block in enumerate(blocks) if pattern >> index & 1]
        rig.clear(*(block for block in blocks if block not in taken)).occupied(*taken)
        seen += check_aspects(rig, cells)
    assert seen > 0


def test_a_signal_before_a_buffer_shows_what_the_table_says() -> None:
    rig = Rig(chain_text([4, 3])).all_clear()
    assert rows(rig.table)["S1/main"]["aspects"] == {"buffer": rig.aspect("S1")}


def test_a_signal_before_open_track_shows_what_the_table_says() -> None:
    rig = Rig(chain_text([4, 3], end="open")).all_clear()
    row = rows(rig.table)["S1/main"]
    assert row["to"] == {"open track beyond": "b1"}
    assert row["aspects"] == {"none hidden": rig.aspect("S1")}


def test_hidden_sections_step_up_as_the_table_says() -> None:
    text = chain_text([4], end="open", settings=FREE).replace("hidden = []", "hidden = [5, 7.5]")
    rig = Rig(text).all_clear()
    row = rows(rig.table)["S0/main"]
    assert row["hidden"] == (5.0, 7.5)
    rig.occupied("b0").clear("b0")
    shown = {"hidden 1": rig.wait(4.9).aspect("S0"), "hidden 2": rig.wait(0.1).aspect("S0")}
    assert row["aspects"] == {**shown, "none hidden": rig.wait(7.5).aspect("S0")}


# -- stability ------------------------------------------------------------------------------


def test_what_is_added_to_a_layout_changes_no_other_row() -> None:
    before = rows(table_from(JUNCTION))
    more = (
        JUNCTION.replace("[blocks]", "[blocks]\nm = {}\nn = {}")
        .replace("[lines]", '[lines]\nbranch = "m > n"')
        .replace("[signals]", '[signals]\nA = { at = "m > n", aspects = 2 }')
    )
    after = rows(table_from(more))
    assert {name: row for name, row in after.items() if name != "A/branch"} == before
