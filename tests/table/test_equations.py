"""Printed equations mean what the graph means, and all of it is printed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.table.equations import HEADINGS, equations
from signalling.table.expression import Expression, Reader, in_order
from signalling.table.graph import FALSE, TRUE, Graph, Literal
from signalling.table.sheet import as_json
from signalling.table.table import Table
from tests.rig import ring_text, table_from
from tests.strategies import layouts


def small() -> Graph:
    graph = Graph()
    for name in "abc":
        graph.input(name)
    return graph


def expressed(graph: Graph, literal: Literal) -> str:
    return str(Reader(graph).literal(literal))


def test_and_or_not() -> None:
    graph = small()
    a, b, c = (graph.names[name] for name in "abc")
    assert expressed(graph, a) == "a"
    assert expressed(graph, a ^ 1) == "not a"
    assert expressed(graph, graph.all_of(a, b ^ 1)) == "a and not b"
    assert expressed(graph, graph.any_of(a, b ^ 1)) == "a or not b"
    assert expressed(graph, graph.all_of(a, graph.any_of(b, c))) == "a and (b or c)"
    assert expressed(graph, graph.any_of(graph.all_of(a, b), c) ^ 1) == "not c and (not a or not b)"


def test_groups_of_one_kind_are_one_group() -> None:
    graph = small()
    a, b, c = (graph.names[name] for name in "abc")
    assert expressed(graph, graph.all_of(c, graph.all_of(b, a))) == "a and b and c"
    assert expressed(graph, graph.any_of(graph.any_of(a, b), c, b)) == "a or b or c"


def test_constants() -> None:
    graph = small()
    assert expressed(graph, TRUE) == "always"
    assert expressed(graph, FALSE) == "never"
    assert Reader(graph).literal(TRUE).as_json() == {"all": []}
    assert Reader(graph).literal(FALSE).as_json() == {"any": []}


def test_a_named_gate_stands_as_its_name_and_its_last_one() -> None:
    graph = small()
    gate = graph.all_of(graph.names["a"], graph.names["b"])
    graph.equation("first", gate, "", "")
    graph.equation("second", gate ^ 1, "", "")
    graph.equation("top", graph.any_of(gate, graph.names["c"]), "", "")
    read = Reader(graph)
    assert str(read.equation("first")) == "a and b"
    assert str(read.equation("second")) == "not first"
    assert str(read.equation("top")) == "c or not second"


def test_an_equation_of_a_variable_stands_as_the_variable() -> None:
    graph = small()
    graph.equation("name", graph.names["a"] ^ 1, "", "")
    assert str(Reader(graph).equation("name")) == "not a"


def test_an_unknown_name_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        Reader(small()).equation("z")


def test_terms_are_in_the_order_of_their_names() -> None:
    graph = Graph()
    literals = [graph.input(name) for name in ("d10", "c", "d2")]
    group = graph.any_of(*literals[:2])
    assert expressed(graph, graph.all_of(group, *literals)) == "c and d2 and d10 and (c or d10)"


def test_names_are_ordered_as_people_do() -> None:
    names = ["b2 x", "b10 x", "b1", "b", "a", "b2", "10", "9", "b2 > b10", "b2 > b9"]
    assert sorted(names, key=in_order) == [
        "9",
        "10",
        "a",
        "b",
        "b1",
        "b2",
        "b2 > b9",
        "b2 > b10",
        "b2 x",
        "b10 x",
    ]


def test_each_term_has_a_line_and_long_groups_are_opened() -> None:
    graph = Graph()
    long = [graph.input(f"a name of some length {index}") for index in range(4)]
    short = graph.all_of(graph.input("x"), graph.input("y"))
    expression = Reader(graph).literal(graph.any_of(short, graph.all_of(*long)))
    assert list(expression.lines()) == [
        "    (",
        "        a name of some length 0",
        "        and a name of some length 1",
        "        and a name of some length 2",
        "        and a name of some length 3",
        "    )",
        "    or (x and y)",
    ]
    assert list(Expression("name").lines("")) == ["name"]
    assert list(Expression(every=False).lines("")) == ["never"]


def value(expression: Expression, values: Mapping[str, bool]) -> bool:
    """Return the value of an expression, from those of the names in it."""
    if expression.name:
        return values[expression.name] != expression.inverted
    parts = [value(part, values) for part in expression.parts]
    return all(parts) if expression.every else any(parts)


def from_json(shape: Any, values: Mapping[str, bool]) -> bool:
    match shape:
        case {"not": name}:
            return not values[name]
        case {"all": parts}:
            return all(from_json(part, values) for part in parts)
        case {"any": parts}:
            return any(from_json(part, values) for part in parts)
    return values[shape]


def printed(table: Table) -> dict[tuple[str, str], Mapping[str, Any]]:
    return {(str(row["kind"]), str(row["name"])): row for row in equations(table).rows}


@settings(deadline=None)
@given(st.data())
def test_what_is_printed_has_the_values_of_what_runs(data: st.DataObject) -> None:
    table = table_from(data.draw(layouts()))
    graph = table.graph
    random = data.draw(st.randoms(use_true_random=False))
    inputs = {name: random.random() < 0.5 for name in graph.names}
    nodes = graph.evaluate(inputs.items())

    def of(literal: Literal) -> bool:
        return nodes[literal >> 1] != bool(literal & 1)

    values = {name: of(equation.literal) for name, equation in graph.equations.items()} | inputs
    rows = printed(table)
    as_read = {
        (row["kind"], row["name"]): row["is"]
        for row in json.loads(as_json(equations(table)))["rows"]
    }
    expected = {
        **{("equation", each.name): each.literal for each in graph.equations.values()},
        **{("memory", each.name): each.next for each in graph.latches.values()},
        **{("timer", each.name): each.start for each in graph.timers.values()},
        **{
            ("order", f"{output.device}={choice}"): literal
            for output in table.outputs
            for literal, choice in output.choices
        },
        **{
            ("order", f"{output.device}={output.default}"): TRUE
            for output in table.outputs
            if output.default is not None
        },
        **{("alarm", f"{each.kind} {each.thing}"): each.literal for each in table.alarms},
    }
    assert set(rows) == set(expected) == set(as_read)
    for key, literal in expected.items():
        assert literal is not None
        assert value(rows[key]["is"], values) == of(literal), key
        assert from_json(as_read[key], values) == of(literal), key


def test_memories_and_timers_say_how_they_begin_and_how_long_they_take() -> None:
    table = table_from(ring_text([3, 3, 3]))
    rows = printed(table)
    for latch in table.graph.latches.values():
        row = rows["memory", latch.name]
        assert (row["at_first"], row["after"]) == (latch.initial, None)
    for timer in table.graph.timers.values():
        row = rows["timer", timer.name]
        assert (row["at_first"], row["after"]) == (None, timer.duration / 1e9)


def test_orders_stand_least_restrictive_first() -> None:
    rows = equations(table_from(ring_text([4, 3, 3]))).rows
    names = [row["name"] for row in rows if row["kind"] == "order"]
    assert names[:4] == [
        "signal S0=clear",
        "signal S0=preliminary-caution",
        "signal S0=caution",
        "signal S0=danger",
    ]


def test_every_kind_of_row_has_its_heading() -> None:
    rows = equations(table_from(ring_text([3, 3, 3]))).rows
    kinds = list(dict.fromkeys(str(row["kind"]) for row in rows))
    assert kinds == list(HEADINGS)


def test_no_two_things_share_a_name() -> None:
    table = table_from(ring_text([3, 3, 3]))
    assert not set(table.graph.names) & set(table.graph.equations)


def test_what_is_added_to_a_layout_changes_no_other_equation() -> None:
    text = ring_text([4, 3, 3])
    before = printed(table_from(text))
    more = (
        text.replace("[blocks]", "[blocks]\na1 = {}\na2 = {}")
        .replace("[lines]", '[lines]\nbranch = "a1 > a2"')
        .replace("[signals]", '[signals]\nA = { at = "a1 > a2", aspects = 2 }')
    )
    after = printed(table_from(more))
    assert {key: after[key] for key in before} == before
