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
        self.value: list[bool] = [False] * nodes
        self.changed: set[int] = set()
        self._short: list[int] = [0] * nodes
        rises: list[list[int]] = [[] for _ in range(nodes)]
        falls: list[list[int]] = [[] for _ in range(nodes)]
        for node, inputs in enumerate(graph.gates):
            for literal in inputs:
                (falls if literal & 1 else rises)[literal >> 1].append(node)
        # A gate that a node feeds straight counts one false input less when the node rises; one
        # that it feeds inverted, one more.
        self._straight = [tuple(gates) for gates in rises]
        self._inverted = [tuple(gates) for gates in falls]
        self._next: dict[int, Literal] = {
            node: latch.next for node, latch in graph.latches.items() if latch.next is not None
        }
        self._start: dict[int, Literal] = {
            node: timer.start for node, timer in graph.timers.items() if timer.start is not None
        }
        self._duration = {node: timer.duration for node, timer in graph.timers.items()}
        self._deadline: dict[int, int] = {}
        self._deadlines: list[tuple[int, int]] = []
        self._hooks: list[tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]] | None] = [
            None
        ] * nodes
        self._hook_up(watched)
        self._queue: list[int] = []
        self._queued = [False] * nodes
        self._latches: set[int] = set()
        self._timers: set[int] = set()
        self._begin()

    def _hook_up(self, watched: Mapping[Literal, Iterable[int]]) -> None:
        latches: dict[int, list[int]] = {}
        timers: dict[int, list[int]] = {}
        outputs: dict[int, list[int]] = {}
        for node, literal in self._next.items():
            latches.setdefault(literal >> 1, []).append(node)
        for node, literal in self._start.items():
            timers.setdefault(literal >> 1, []).append(node)
        for literal, marks in watched.items():
            outputs.setdefault(literal >> 1, []).extend(marks)
        for node in {*latches, *timers, *outputs}:
            self._hooks[node] = (
                tuple(latches.get(node, ())),
                tuple(timers.get(node, ())),
                tuple(dict.fromkeys(outputs.get(node, ()))),
            )

    def _begin(self) -> None:
        """Set every node to its value with all inputs false and latches as they start."""
        for node, latch in self.graph.latches.items():
            self.value[node] = latch.initial
        for node, kind in enumerate(self.graph.kinds):
            if kind is Kind.GATE:
                short = sum(
                    self.value[literal >> 1] == bool(literal & 1)
                    for literal in self.graph.gates[node]
                )
                self._short[node] = short
                self.value[node] = short == 0
        self._latches.update(self._next)
        self._timers.update(self._start)

    def holds(self, literal: Literal) -> bool:
        """Return the value of a literal."""
        return self.value[literal >> 1] != bool(literal & 1)

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
            if not self._latches and not self._timers:
                return
            self._take(now)
        raise EquationError("the equations do not come to rest")

    def _take(self, now: int) -> None:
        """Let latches take their next values together, and timers start and stop."""
        value = self.value
        flips = []
        for node in self._latches:
            literal = self._next[node]
            wanted = value[literal >> 1] != bool(literal & 1)
            if wanted is not value[node]:
                flips.append(node)
        self._latches.clear()
        for node in self._timers:
            if self.holds(self._start[node]):
                if node not in self._deadline and not value[node]:
                    due = now + self._duration[node]
                    self._deadline[node] = due
                    heappush(self._deadlines, (due, node))
            else:
                self._deadline.pop(node, None)
                if value[node]:
                    flips.append(node)
        self._timers.clear()
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
        hooks = self._hooks[node]
        if hooks is not None:
            self._latches.update(hooks[0])
            self._timers.update(hooks[1])
            self.changed.update(hooks[2])
