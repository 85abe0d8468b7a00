"""Equations of supplies: how many turnout motors may run at the same time.

Law of this file: counting. A motor that is to move waits while its supply has
as many running as it can feed; of several that wait the first in the file goes
first. Counts are unary, one bit for each number up to the limit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import frozen

from signalling.layout.notation import Lie
from signalling.table.graph import FALSE, TRUE, Graph, Latch, Literal

__all__ = ["Motor", "may_start"]


@frozen
class Motor:
    """A turnout's motor, what it is to do, and whether it may be running."""

    turnout: str
    wants: Mapping[Lie, Literal]
    """Whether it is to move so."""
    moving: Latch


def may_start(graph: Graph, motors: Sequence[Motor], limit: int) -> tuple[Literal, ...]:
    """Return by motor whether its supply can feed it now, besides those that run or go first."""
    if limit >= len(motors):
        return (TRUE,) * len(motors)
    count: list[Literal] = [FALSE] * limit
    for motor in motors:
        count = _counted(graph, count, motor.moving.literal)
    found = []
    for motor in motors:
        # A motor that runs and is sent back is one that runs.
        found.append(graph.any_of(motor.moving.literal, count[-1] ^ 1))
        wants = graph.any_of(*motor.wants.values())
        count = _counted(graph, count, graph.all_of(wants, motor.moving.literal ^ 1))
    return tuple(found)


def _counted(graph: Graph, count: list[Literal], one: Literal) -> list[Literal]:
    """Return a count with one more where ``one`` holds."""
    return [
        graph.any_of(at_least, graph.all_of(one, count[number - 1] if number else TRUE))
        for number, at_least in enumerate(count)
    ]
