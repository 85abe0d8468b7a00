"""Boolean equations as one shared graph.

Law of this file: structure only. Variables, and-gates with any number of
inputs, and inversion on the wires between them; equal parts are built once.
Nothing is evaluated here, and nothing here knows of trains. The same graph is
run by the core, printed and explained in words, and given to a solver.

A *literal* is an integer: twice the number of a node, plus one when inverted.
Node 0 is the constant; literal 0 is false, literal 1 true. (The convention of
the AIGER format for and-inverter graphs, Biere 2007, widened to gates of more
than two inputs.) A node's number is greater than those of all its inputs, so
the graph cannot hold a combinational cycle.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import Enum, auto
from itertools import pairwise

from attrs import define, field, frozen

from signalling.errors import EquationError

__all__ = ["FALSE", "TRUE", "Equation", "Graph", "Latch", "Literal", "Timer", "invert"]

Literal = int
FALSE: Literal = 0
TRUE: Literal = 1


def invert(literal: Literal) -> Literal:
    """Return the literal that is true when this one is false."""
    return literal ^ 1


class Kind(Enum):
    """What a node is."""

    CONSTANT = auto()
    INPUT = auto()
    LATCH = auto()
    TIMER = auto()
    GATE = auto()


@frozen
class Equation:
    """A named literal, with a sentence for each of its values."""

    name: str
    literal: Literal
    holds: str
    """What is so when it is true."""
    fails: str
    """What is so when it is false."""


@define
class Latch:
    """One bit of memory: at each step's end it takes the value of ``next``."""

    name: str
    literal: Literal
    initial: bool
    next: Literal | None = None


@define
class Timer:
    """On-delay: true once ``start`` has been true for ``duration`` ns without a break.

    (The on-delay timer of IEC 61131-3, TON.) Its output is an input to the
    equations; it falls as soon as ``start`` falls.
    """

    name: str
    literal: Literal
    duration: int
    start: Literal | None = None


@define
class Graph:
    """Equations under construction, and then at rest."""

    kinds: list[Kind] = field(factory=lambda: [Kind.CONSTANT])
    gates: list[tuple[Literal, ...]] = field(factory=lambda: [()])
    """Inputs of each node; empty for all but gates."""
    names: dict[str, Literal] = field(factory=dict)
    """Inputs, latches and timers, by name."""
    labels: dict[int, str] = field(factory=dict)
    """The name of each input, latch and timer, by node."""
    latches: dict[int, Latch] = field(factory=dict)
    """By node."""
    timers: dict[int, Timer] = field(factory=dict)
    """By node."""
    equations: dict[str, Equation] = field(factory=dict)
    """Named literals, by name."""
    _shared: dict[tuple[Literal, ...], Literal] = field(factory=dict, repr=False)
    _sentences: dict[int, tuple[str, str]] = field(factory=dict, repr=False)
    _numbers: dict[Literal, Literal] = field(factory=dict, repr=False)
    """One object for each literal: in large stations their inputs would be most of the memory."""

    def __len__(self) -> int:
        return len(self.kinds)

    # -- building ---------------------------------------------------------------

    def input(self, name: str, holds: str = "", fails: str = "") -> Literal:
        """Return the input of this name, made when it is new. It starts false."""
        known = self.names.get(name)
        if known is not None:
            return known
        literal = self._variable(Kind.INPUT, name)
        self._sentences[literal >> 1] = (holds or name, fails or f"not {name}")
        return literal

    def latch(self, name: str, *, initial: bool = False, holds: str = "", fails: str = "") -> Latch:
        """Return a new latch; ``set_next`` must follow."""
        literal = self._variable(Kind.LATCH, name)
        self._sentences[literal >> 1] = (holds or name, fails or f"not {name}")
        latch = Latch(name, literal, initial)
        self.latches[literal >> 1] = latch
        return latch

    def timer(
        self, name: str, duration: int, start: Literal, *, holds: str = "", fails: str = ""
    ) -> Literal:
        """Return the output of an on-delay timer; of no duration, ``start`` itself.

        ``duration`` is in ns. The output is anded with ``start``, so that it
        falls in the same evaluation. Asked for again, the same timer is meant.
        """
        if duration <= 0:
            return start
        known = self.names.get(name)
        if known is not None:
            timer = self.timers.get(known >> 1)
            if timer is None or (timer.start, timer.duration) != (start, duration):
                raise EquationError(f"two different timers are called {name!r}")
            return self.all_of(start, known)
        literal = self._variable(Kind.TIMER, name)
        self._sentences[literal >> 1] = (holds or name, fails or f"not {name}")
        self.timers[literal >> 1] = Timer(name, literal, duration, start)
        return self.all_of(start, literal)

    def set_next(self, latch: Latch, literal: Literal) -> None:
        """Say what a latch becomes at each step's end."""
        latch.next = literal

    def all_of(self, *literals: Literal) -> Literal:
        """Return the literal that is true when all of these are; of none, true."""
        inputs = sorted({literal for literal in literals if literal != TRUE})
        if not inputs:
            return TRUE
        if inputs[0] == FALSE:
            return FALSE
        for one, two in pairwise(inputs):
            if one ^ 1 == two and one & 1 == 0:
                return FALSE
        if len(inputs) == 1:
            return inputs[0]
        key = tuple(inputs)
        known = self._shared.get(key)
        if known is None:
            key = tuple(map(self._numbers.setdefault, inputs, inputs))
            known = self._shared[key] = len(self.kinds) << 1
            self.kinds.append(Kind.GATE)
            self.gates.append(key)
        return known

    def any_of(self, *literals: Literal) -> Literal:
        """Return the literal that is true when any of these is; of none, false."""
        return self.all_of(*(literal ^ 1 for literal in literals)) ^ 1

    def equation(self, name: str, literal: Literal, holds: str, fails: str) -> Literal:
        """Give a literal a name and its sentences, and return it.

        Of several equations of one gate the last says what it means.
        """
        if name in self.equations:
            raise EquationError(f"two equations are called {name!r}")
        self.equations[name] = Equation(name, literal, holds, fails)
        if self.kinds[literal >> 1] is Kind.GATE:
            sentences = (holds, fails) if literal & 1 == 0 else (fails, holds)
            self._sentences[literal >> 1] = sentences
        return literal

    def finish(self) -> None:
        """Check that every latch and timer has been given its equation.

        Raises ``EquationError`` with the name of one that has not.
        """
        for latch in self.latches.values():
            if latch.next is None:
                raise EquationError(f"latch {latch.name!r} has no next value")

    def _variable(self, kind: Kind, name: str) -> Literal:
        if name in self.names:
            raise EquationError(f"two variables are called {name!r}")
        literal = len(self.kinds) << 1
        self.kinds.append(kind)
        self.gates.append(())
        self.names[name] = literal
        self.labels[literal >> 1] = name
        return literal

    # -- reading ----------------------------------------------------------------

    def sentence(self, literal: Literal, *, value: bool) -> str | None:
        """Return what is so when a literal has this value; ``None`` for an unnamed gate."""
        pair = self._sentences.get(literal >> 1)
        if pair is None:
            return None
        return pair[0] if value != bool(literal & 1) else pair[1]

    def roots(self) -> Iterator[Literal]:
        """Yield every literal that something outside the gates looks at."""
        for equation in self.equations.values():
            yield equation.literal
        for latch in self.latches.values():
            if latch.next is not None:
                yield latch.next
        for timer in self.timers.values():
            if timer.start is not None:
                yield timer.start

    def evaluate(self, values: Iterable[tuple[str, bool]]) -> list[bool]:
        """Return the value of every node, computed afresh, from those of the variables.

        This is the plain meaning of the graph, against which the incremental
        evaluation is tested. Variables not given are false.
        """
        result = [False] * len(self.kinds)
        for name, value in values:
            result[self.names[name] >> 1] = value
        for node, kind in enumerate(self.kinds):
            if kind is Kind.GATE:
                result[node] = all(
                    result[literal >> 1] != bool(literal & 1) for literal in self.gates[node]
                )
        return result
