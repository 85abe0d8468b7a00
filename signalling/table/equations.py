"""The equations of a layout as a sheet: what each name stands for, what runs by it.

Law of this file: a listing of the graph that runs, all of it, in an order that
does not change with the layout's other parts.
"""

from __future__ import annotations

from collections.abc import Iterator

from signalling.table.expression import Expression, Reader, in_order
from signalling.table.sheet import MODEL_ONLY, Column, Row, Sheet
from signalling.table.table import Table

__all__ = ["equations"]

COLUMNS = (
    Column(key="kind", title="Kind", sentence="What kind of thing it is."),
    Column(key="name", title="Name", sentence="What it is called in other equations."),
    Column(key="is", title="Is", sentence="What it is so by: and, or and not over other names."),
    Column(
        key="at_first",
        title="At first",
        sentence="Of a memory: whether it holds before anything was reported.",
    ),
    Column(
        key="after",
        title="After",
        unit="s",
        sentence="Of a timer: how long that must have been so without a break.",
    ),
)

HEADINGS = {
    "equation": "Equations: each name holds while its equation does.",
    "memory": "Memories: each takes the value of its equation at the end of every step.",
    "timer": "Timers: each holds once its equation has held for its time without a break, and "
    "falls with it.",
    "order": "Orders: each device is ordered the first of its values whose equation holds.",
    "alarm": "Alarms: each is raised while its equation holds.",
}


def equations(table: Table) -> Sheet:
    """Return every equation of a compiled layout."""
    read = Reader(table.graph)
    rows = [
        {"at_first": None, "after": None, **row}
        for gather in (_equations, _memories, _timers, _orders, _alarms)
        for row in gather(table, read)
    ]
    return Sheet(
        kind="equations",
        layout=table.layout.settings.name,
        practice=table.practice.name,
        title="Equations",
        notes=("These are the equations that run.", MODEL_ONLY),
        columns=COLUMNS,
        names="name",
        parts="kind",
        headings=HEADINGS,
        rows=tuple(rows),
    )


def _equations(table: Table, read: Reader) -> Iterator[Row]:
    for name in sorted(table.graph.equations, key=in_order):
        yield {"kind": "equation", "name": name, "is": read.equation(name)}


def _memories(table: Table, read: Reader) -> Iterator[Row]:
    for latch in sorted(table.graph.latches.values(), key=lambda latch: in_order(latch.name)):
        becomes = Expression(every=False) if latch.next is None else read.literal(latch.next)
        yield {"kind": "memory", "name": latch.name, "is": becomes, "at_first": latch.initial}


def _timers(table: Table, read: Reader) -> Iterator[Row]:
    for timer in sorted(table.graph.timers.values(), key=lambda timer: in_order(timer.name)):
        start = Expression(every=False) if timer.start is None else read.literal(timer.start)
        seconds = timer.duration / 1_000_000_000
        yield {"kind": "timer", "name": timer.name, "is": start, "after": seconds}


def _orders(table: Table, read: Reader) -> Iterator[Row]:
    for output in sorted(table.outputs, key=lambda output: in_order(str(output.device))):
        for literal, value in output.choices:
            yield {"kind": "order", "name": f"{output.device}={value}", "is": read.literal(literal)}
        if output.default is not None:
            name = f"{output.device}={output.default}"
            yield {"kind": "order", "name": name, "is": Expression(every=True)}


def _alarms(table: Table, read: Reader) -> Iterator[Row]:
    for alarm in sorted(table.alarms, key=lambda alarm: in_order(f"{alarm.kind} {alarm.thing}")):
        name = f"{alarm.kind} {alarm.thing}"
        yield {"kind": "alarm", "name": name, "is": read.literal(alarm.literal)}
