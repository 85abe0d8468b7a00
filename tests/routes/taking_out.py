"""Take one rule out of a compiled table, and leave everything else as it is.

Law of this file: graphs only. In the equations of some outputs, latches and
timers, and in no others, a named equation or variable is given a fixed value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from copy import deepcopy

from attrs import define, evolve, field

from signalling.table.graph import Graph, Kind, Literal
from signalling.table.table import Table


@define
class _Surgeon:
    """Makes copies of equations in which some nodes have fixed values."""

    graph: Graph
    fixed: Mapping[int, bool]
    """By node."""
    made: dict[int, Literal] = field(factory=dict)

    def copy(self, literal: Literal) -> Literal:
        """Return what a literal becomes."""
        node = literal >> 1
        if node not in self.made:
            if node in self.fixed:
                self.made[node] = int(self.fixed[node])
            elif self.graph.kinds[node] is Kind.GATE:
                inputs = self.graph.gates[node]
                self.made[node] = self.graph.all_of(*(self.copy(each) for each in inputs))
            else:
                self.made[node] = node << 1
        return self.made[node] ^ (literal & 1)


def taken_out(table: Table, where: str, what: Mapping[str, bool]) -> Table:
    """Return a table in which ``what`` is fixed in the equations of ``where``.

    ``where`` is a pattern of ``latch NAME`` and ``output DEVICE``, ``what`` has patterns of names
    of equations and variables. Raises ``AssertionError`` where a pattern finds nothing, or where
    nothing changes by it.
    """
    graph = deepcopy(table.graph)
    named = {**graph.names, **{name: each.literal for name, each in graph.equations.items()}}
    fixed = {}
    for pattern, value in what.items():
        found = [literal for name, literal in named.items() if re.fullmatch(pattern, name)]
        assert found, f"nothing is called {pattern}"
        fixed |= {literal >> 1: value is not bool(literal & 1) for literal in found}
    surgeon = _Surgeon(graph, fixed)
    changed = False
    for latch in graph.latches.values():
        if latch.next is not None and re.fullmatch(where, f"latch {latch.name}"):
            before, latch.next = latch.next, surgeon.copy(latch.next)
            changed |= latch.next != before
    outputs = []
    for output in table.outputs:
        choices = output.choices
        if re.fullmatch(where, f"output {output.device}"):
            choices = tuple((surgeon.copy(literal), value) for literal, value in choices)
            changed |= choices != output.choices
        outputs.append(evolve(output, choices=choices))
    assert changed, f"{where} does not depend on {list(what)}"
    return evolve(table, graph=graph, outputs=tuple(outputs))
