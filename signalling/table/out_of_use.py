"""What people take out of use, as inputs of the equations.

Law of this file: which things of a row, out of use, keep its route from being
used, and the sentences; what follows is said where occupied blocks, lies, held
signals and permissions are. Who took a thing out of use, and why, is no matter
of equations.
"""

from __future__ import annotations

from collections.abc import Iterable

from signalling.layout.out_of_use import Thing
from signalling.table.graph import Graph, Literal
from signalling.table.row import Row

__all__ = ["any_of_row", "out_of_use"]


def out_of_use(graph: Graph, kind: Thing, name: str) -> Literal:
    """Return whether somebody has taken a thing out of use."""
    return graph.input(
        f"out of use {kind} {name}", f"{kind} {name} is out of use", f"{kind} {name} is in use"
    )


def any_of_row(graph: Graph, row: Row) -> Iterable[Literal]:
    """Yield what keeps a row's route from being used while it is out of use.

    Of a subsidiary move that is its last block, too, which may be occupied, and
    the route that it is a move over.
    """
    yield from (out_of_use(graph, Thing.ROUTE, name) for name in {row.over: 0, row.name: 0})
    yield from (out_of_use(graph, Thing.BLOCK, way.block) for way in row.route.kept_clear)
    yield from (out_of_use(graph, Thing.TURNOUT, turnout) for turnout, _ in row.lies)
