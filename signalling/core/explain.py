"""Why an equation has its value, in words, down to the reports that caused it.

Law of this file: it walks the graph that runs, and says the sentences that the
equations were made with. It knows no rule and decides nothing. What a device
did not say is told by what it did say.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from attrs import define, field, frozen

from signalling.table.graph import FALSE, Equation, Graph, Kind, Literal

__all__ = ["Reason", "explain"]


@frozen
class Reason:
    """Something that is so, and because of what."""

    sentence: str
    because: tuple[Reason, ...] = ()

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def lines(self) -> Iterator[str]:
        """Yield the reason and those below it, indented by depth; what was told is not repeated."""
        yield from self._lines(0, set())

    def _lines(self, depth: int, told: set[Reason]) -> Iterator[str]:
        again = self in told
        told.add(self)
        more = " (see above)" if again and self.because else ""
        yield f"{'  ' * depth}{self.sentence}{more}"
        if not again:
            for reason in self.because:
                yield from reason._lines(depth + 1, told)  # noqa: SLF001 - one of our own

    def causes(self) -> tuple[str, ...]:
        """Return the sentences at the bottom: reports, requests, memories and times."""
        found: dict[str, None] = {}
        seen: set[Reason] = set()
        stack = [self]
        while stack:
            reason = stack.pop()
            if reason in seen:
                continue
            seen.add(reason)
            if not reason.because:
                found[reason.sentence] = None
            stack.extend(reversed(reason.because))
        return tuple(found)


def explain(
    graph: Graph,
    values: Sequence[int],
    equation: Equation,
    reported: Mapping[str, str | None],
) -> Reason:
    """Return why a named equation has its value.

    ``values`` are the values of the graph's nodes. ``reported`` is what each
    device that reports said last, by ``KIND NAME``; ``None`` where it is not
    heard. Of an and-gate that is false only the false inputs are reasons; of
    one that is true, all are.
    """
    return _Walk(graph, values, reported).equation(equation)


@define
class _Walk:
    """One walk over a graph at rest."""

    graph: Graph
    values: Sequence[int]
    reported: Mapping[str, str | None]
    _fails: bool = field(default=False, init=False)
    """Whether it is a failure that is explained."""
    _known: dict[int, Reason] = field(factory=dict, init=False)
    """By node."""
    _going: set[int] = field(factory=set, init=False)
    """Nodes that are being explained; a memory may rest on itself."""

    def equation(self, equation: Equation) -> Reason:
        literal = equation.literal
        sentence = equation.holds if self.holds(literal) else equation.fails
        self._going.add(literal >> 1)
        self._fails = not self.holds(literal)
        return Reason(sentence, self.reasons(literal))

    def holds(self, literal: Literal) -> bool:
        return bool(self.values[literal >> 1]) != bool(literal & 1)

    def reasons(self, literal: Literal) -> tuple[Reason, ...]:
        """Return the reasons for a literal's value, each once, memories last."""
        node = literal >> 1
        graph = self.graph
        if node in graph.latches:
            becomes = self._lacking(literal)
            return () if becomes is None else self._each([becomes])
        if graph.kinds[node] is not Kind.GATE:
            return ()
        inputs = graph.gates[node]
        if not self.values[node]:
            inputs = tuple(each for each in inputs if not self.holds(each))
            if any(each >> 1 in self._going for each in inputs):
                return ()  # it fails by what is being explained, whatever else it lacks
        found = list(self._each(each for each in inputs if each >> 1 not in graph.latches))
        causes = {cause for reason in found for cause in reason.causes()}
        for each in inputs:
            if each >> 1 in graph.latches:
                # A memory that is missing for what was told already adds nothing.
                for reason in self._reason(each):
                    if not causes.issuperset(reason.causes()):
                        found.append(reason)
                        causes.update(reason.causes())
        return tuple(found)

    def _lacking(self, literal: Literal) -> Literal | None:
        """Return what a memory would need in order to hold, of one that is missing.

        What fails for a memory that does not hold would want it to hold; so there is a reason to
        be told. A memory that holds is a fact, and so is one whose absence something holds by.
        """
        latch = self.graph.latches.get(literal >> 1)
        if not self._fails or latch is None or self.holds(latch.literal):
            return None
        return None if latch.next == FALSE else latch.next

    def _each(self, literals: Iterable[Literal]) -> tuple[Reason, ...]:
        found: dict[str, Reason] = {}
        for literal in literals:
            for reason in self._reason(literal):
                found.setdefault(reason.sentence, reason)
        return tuple(found.values())

    def _reason(self, literal: Literal) -> tuple[Reason, ...]:
        """Return why a literal is as it is: a sentence with its reasons, or those alone."""
        node = literal >> 1
        timer = self.graph.timers.get(node)
        if timer is not None and timer.start is not None and not self.holds(timer.start):
            return self._each([timer.start])  # what does not go on needs no time
        if node in self._going:
            return ()
        if node in self._known:
            return (self._known[node],)
        sentence = self._sentence(literal)
        if sentence is None:
            return self.reasons(literal)
        self._going.add(node)
        because = self.reasons(literal)
        self._going.remove(node)
        if not because and self._lacking(literal) is not None:
            return ()  # it is missing for nothing but what rests on it itself
        self._known[node] = Reason(sentence, because)
        return (self._known[node],)

    def _sentence(self, literal: Literal) -> str | None:
        holds = self.holds(literal)
        sentence = self.graph.sentence(literal, value=holds)
        node = literal >> 1
        if self.graph.kinds[node] is Kind.INPUT and not self.values[node]:
            return self._said_instead(node) or sentence
        return sentence

    def _said_instead(self, node: int) -> str | None:
        """Return what a device says when it does not say this; ``None`` for what is no report."""
        name = self.graph.labels[node]
        device = name.rpartition("=")[0]
        if device not in self.reported:
            return None
        value = self.reported[device]
        other = self.graph.names.get(f"{device}={value}")
        if value is not None and other is not None:
            return self.graph.sentence(other, value=True)
        subject = self._subject(node)
        return f"nothing is heard of {subject}" if value is None else f"{subject} reports {value}"

    def _subject(self, node: int) -> str:
        """Return what an input's sentences speak of: the words that both begin with."""
        holds, fails = (
            (self.graph.sentence(node << 1, value=value) or "").split() for value in (True, False)
        )
        words = []
        for one, two in zip(holds, fails, strict=False):
            if one != two or one in ("is", "are"):
                break
            words.append(one)
        return " ".join(words)
