"""Why an equation has its value, in words, down to the reports that caused it.

Law of this file: it walks the graph that runs, and says the sentences that the
equations were made with. It knows no rule and decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from attrs import frozen

from signalling.table.graph import Graph, Kind, Literal

__all__ = ["Reason", "explain"]


@frozen
class Reason:
    """Something that is so, and because of what."""

    sentence: str
    because: tuple[Reason, ...] = ()

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def lines(self, depth: int = 0) -> Iterator[str]:
        """Yield the reason and those below it, indented by depth."""
        yield "  " * depth + self.sentence
        for reason in self.because:
            yield from reason.lines(depth + 1)

    def causes(self) -> tuple[str, ...]:
        """Return the sentences at the bottom: reports, requests, memories and times."""
        if not self.because:
            return (self.sentence,)
        found = [sentence for reason in self.because for sentence in reason.causes()]
        return tuple(dict.fromkeys(found))


def explain(graph: Graph, values: Sequence[bool], literal: Literal) -> Reason:
    """Return why a named literal has its value.

    ``values`` are the values of the graph's nodes. Of an and-gate that is
    false only the false inputs are reasons; of one that is true, all are.
    """
    node = literal >> 1
    true = values[node] != bool(literal & 1)
    sentence = graph.sentence(literal, value=true) or graph.labels.get(node, "")
    return Reason(sentence, tuple(_reasons(graph, values, node)))


def _reasons(graph: Graph, values: Sequence[bool], node: int) -> Iterator[Reason]:
    if graph.kinds[node] is not Kind.GATE:
        return
    for literal in graph.gates[node]:
        holds = values[literal >> 1] != bool(literal & 1)
        if not values[node] and holds:
            continue
        if graph.sentence(literal, value=holds) is not None:
            yield explain(graph, values, literal)
        else:
            yield from _reasons(graph, values, literal >> 1)
