"""Runs a graph of equations, touching only what an event touches.

Law of this file: it evaluates any graph and knows no rule of signalling. Each
gate keeps the number of its inputs that are false; a change adds or takes one
from the gates it feeds, in order of level, so an event costs what it changes
and not what the layout holds. When gates are at rest, latches take their next
values together and timers start or stop; this is repeated with the same inputs
until nothing changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from heapq import heappop, heappush

from signalling.errors import EquationError
from signalling.table.graph import Graph, Kind, Literal

__all__ = ["Evaluator"]

ROUNDS = 1000
"""Rounds after which a step that does not come to rest is given up."""


class Evaluator:
    """The state of one graph.

    ``watched`` gives literals whose changes are collected in ``changed``, with
    what to collect for each.
    """

    def __init__(self, graph: Graph, watched: Mapping[Literal, Iterable[int]]) -> None:
        nodes = len(graph)
        self.graph = graph
        self.value = [False] * nodes
        self.changed: set[int] = set()
        self._short = [0] * nodes
        # One object a number, made in one go: what lies together in the graph lies together in
        # memory, which on a large layout is most of what an event costs.
        self._numbers = list(range(nodes))
        # A gate that a node feeds straight counts one false input less when the node rises; one
        # that it feeds inverted, one more.
        self._straight, self._inverted = self._fed()
        self._next = [-1] * nodes
        self._start = [-1] * nodes
        self._duration = {node: timer.duration for node, timer in graph.timers.items()}
        for node, latch in graph.latches.items():
            self._next[node] = _given(latch.next)
        for node, timer in graph.timers.items():
            self._start[node] = _given(timer.start)
        self._deadline: dict[int, int] = {}
        self._deadlines: list[tuple[int, int]] = []
        self._marks = self._marked(watched)
        self._touched: set[int] = set()
        self._queue: list[int] = []
        self._queued = [False] * nodes
        self._begin()

    def _fed(self) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
        """Return, by node, the gates that it feeds straight and those that it feeds inverted."""
        straight: list[list[int]] = [[] for _ in self._numbers]
        inverted: list[list[int]] = [[] for _ in self._numbers]
        for number, inputs in zip(self._numbers, self.graph.gates, strict=True):
            for literal in inputs:
                (inverted if literal & 1 else straight)[literal >> 1].append(number)
        return [tuple(gates) for gates in straight], [tuple(gates) for gates in inverted]

    def _marked(self, watched: Mapping[Literal, Iterable[int]]) -> list[tuple[int, ...]]:
        """Return, by node, what looks at it: latches and timers by node, outputs as ``~index``."""
        marks: list[list[int]] = [[] for _ in self._numbers]
        for node in (*self.graph.latches, *self.graph.timers):
            literal = max(self._next[node], self._start[node])
            marks[literal >> 1].append(self._numbers[node])
        for literal, outputs in watched.items():
            marks[literal >> 1].extend(~index for index in outputs)
        return [tuple(dict.fromkeys(found)) for found in marks]

    def _begin(self) -> None:
        """Set every node to its value with all inputs false and latches as they start."""
        value, short, gates = self.value, self._short, self.graph.gates
        for node, latch in self.graph.latches.items():
            value[node] = latch.initial
        for node, kind in enumerate(self.graph.kinds):
            if kind is Kind.GATE:
                short[node] = sum(
                    value[literal >> 1] == bool(literal & 1) for literal in gates[node]
                )
                value[node] = short[node] == 0
        self._touched.update(self.graph.latches, self.graph.timers)

    def holds(self, literal: Literal) -> bool:
        """Return the value of a literal."""
        return self.value[literal >> 1] != literal & 1

    def watch(self, literal: Literal, index: int) -> None:
        """Collect this in ``changed``, too, from now on, when the literal changes."""
        self._marks[literal >> 1] = (*self._marks[literal >> 1], ~index)

    def put(self, node: int, value: bool) -> None:  # noqa: FBT001 - the value of a bit
        """Set an input; ``settle`` must follow."""
        if self.value[node] is not value:
            self._flip(node, value)

    @property
    def next_deadline(self) -> int | None:
        """When the next timer runs out, in ns; ``None`` when none is running."""
        heap = self._deadlines
        while heap and self._deadline.get(heap[0][1]) != heap[0][0]:
            heappop(heap)
        return heap[0][0] if heap else None

    def expire(self, now: int) -> bool:
        """Let the earliest timers that have run out by ``now`` do so; ``settle`` must follow.

        Returns whether there were any. Only those of one deadline expire at a
        time, so that a late call gives what timely calls would have given.
        """
        due = self.next_deadline
        if due is None or due > now:
            return False
        heap = self._deadlines
        while heap and heap[0][0] == due:
            _, node = heappop(heap)
            if self._deadline.get(node) == due:
                del self._deadline[node]
                self._flip(node, True)  # noqa: FBT003 - the value of a bit
        return True

    def settle(self, now: int) -> None:
        """Evaluate until nothing changes; ``now`` is when timers that start do so.

        Raises ``EquationError`` when that does not end.
        """
        queue, queued, value, short = self._queue, self._queued, self.value, self._short
        for _ in range(ROUNDS):
            while queue:
                node = heappop(queue)
                queued[node] = False
                now_true = short[node] == 0
                if now_true is not value[node]:
                    self._flip(node, now_true)
            if not self._touched:
                return
            self._take(now)
        raise EquationError("the equations do not come to rest")

    def _take(self, now: int) -> None:
        """Let latches take their next values together, and timers start and stop."""
        value, next_value, start = self.value, self._next, self._start
        flips = []
        for mark in self._touched:
            if mark < 0:
                self.changed.add(~mark)
                continue
            literal = next_value[mark]
            if literal >= 0:
                if (value[literal >> 1] != literal & 1) != value[mark]:
                    flips.append(mark)
            elif self.holds(start[mark]):
                if mark not in self._deadline and not value[mark]:
                    due = now + self._duration[mark]
                    self._deadline[mark] = due
                    heappush(self._deadlines, (due, mark))
            else:
                self._deadline.pop(mark, None)
                if value[mark]:
                    flips.append(mark)
        self._touched.clear()
        for node in flips:
            self._flip(node, not value[node])

    def _flip(self, node: int, value: bool) -> None:  # noqa: FBT001 - the value of a bit
        self.value[node] = value
        short, queue, queued = self._short, self._queue, self._queued
        if value:
            eased, strained = self._straight[node], self._inverted[node]
        else:
            eased, strained = self._inverted[node], self._straight[node]
        for gate in eased:
            left = short[gate] - 1
            short[gate] = left
            if left == 0 and not queued[gate]:
                queued[gate] = True
                heappush(queue, gate)
        for gate in strained:
            left = short[gate] + 1
            short[gate] = left
            if left == 1 and not queued[gate]:
                queued[gate] = True
                heappush(queue, gate)
        marks = self._marks[node]
        if marks:
            self._touched.update(marks)


def _given(literal: Literal | None) -> Literal:
    if literal is None:
        raise EquationError("a latch or a timer has no equation")
    return literal
