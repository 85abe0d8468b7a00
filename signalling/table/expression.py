"""An equation as it is read: *and*, *or* and *not* over names.

Law of this file: it reads the graph that runs and writes what it finds there.
A gate without a name is written out; one with a name stands as its name.
Terms are in the order of their names, so that an equation reads the same
whatever else changes in the layout.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from attrs import define, field, frozen

from signalling.table.graph import TRUE, Graph, Kind, Literal

__all__ = ["Expression", "Reader", "in_order"]

WIDTH = 80
INDENT = "    "

_NUMBER = re.compile(r"(\d+)")


def in_order(name: str) -> tuple[tuple[str, int], ...]:
    """Return a key that sorts names as people do: ``d2`` before ``d10``."""
    parts = iter([*_NUMBER.split(name), "0"])
    return tuple((text, int(number)) for text, number in zip(parts, parts, strict=True))


@frozen
class Expression:
    """A name, or a group of expressions; either may be inverted only where it is a name.

    A group of none is *always* when ``every`` is so, else *never*.
    """

    name: str = ""
    inverted: bool = False
    every: bool = True
    """Of a group: whether all of it must hold, or any of it is enough."""
    parts: tuple[Expression, ...] = ()

    def __str__(self) -> str:
        if self.name:
            return f"not {self.name}" if self.inverted else self.name
        if not self.parts:
            return "always" if self.every else "never"
        return f" {self._word} ".join(part.bracketed for part in self.parts)

    @property
    def _word(self) -> str:
        return "and" if self.every else "or"

    @property
    def bracketed(self) -> str:
        """The expression as part of another."""
        return f"({self})" if self.parts else str(self)

    def lines(self, indent: str = INDENT) -> Iterator[str]:
        """Yield the expression with each term on a line of its own, as far as lines are short."""
        if not self.parts:
            yield f"{indent}{self}"
        for index, part in enumerate(self.parts):
            lead = f"{indent}{self._word} " if index else indent
            line = f"{lead}{part.bracketed}"
            if not part.parts or len(line) <= WIDTH:
                yield line
            else:
                yield f"{lead}("
                yield from part.lines(indent + INDENT)
                yield f"{indent})"

    def as_json(self) -> Any:
        """Return ``"NAME"``, ``{"not": "NAME"}``, ``{"all": [...]}`` or ``{"any": [...]}``."""
        if self.name:
            return {"not": self.name} if self.inverted else self.name
        return {"all" if self.every else "any": [part.as_json() for part in self.parts]}


@define
class Reader:
    """Reads expressions off one graph."""

    graph: Graph
    _called: dict[int, list[tuple[str, bool]]] = field(factory=dict, init=False)
    """The names of each node, each with whether it is of the inverted node."""

    def __attrs_post_init__(self) -> None:
        """Gather the names: of variables their own, of gates those of their equations."""
        for node, name in self.graph.labels.items():
            self._called[node] = [(name, False)]
        for equation in self.graph.equations.values():
            node = equation.literal >> 1
            if self.graph.kinds[node] is Kind.GATE:
                names = self._called.setdefault(node, [])
                names.append((equation.name, bool(equation.literal & 1)))

    def equation(self, name: str) -> Expression:
        """Return what a named equation stands for.

        Of several names of one gate the first is written out, and each of the
        others is written as the one before it. Raises ``KeyError`` for an unknown name.
        """
        literal = self.graph.equations[name].literal
        before: tuple[str, bool] | None = None
        for called in self._called.get(literal >> 1, ()):
            if called[0] == name:
                break
            before = called
        if before is not None:
            return Expression(before[0], inverted=before[1] != bool(literal & 1))
        return self._written(literal)

    def literal(self, literal: Literal) -> Expression:
        """Return a literal by its name where it has one; of several, the last given."""
        called = self._called.get(literal >> 1)
        if called is None:
            return self._written(literal)
        name, inverted = called[-1]
        return Expression(name, inverted=inverted != bool(literal & 1))

    def _written(self, literal: Literal) -> Expression:
        node, inverted = literal >> 1, literal & 1
        if self.graph.kinds[node] is Kind.CONSTANT:
            return Expression(every=literal == TRUE)
        every = not inverted
        parts: dict[Expression, None] = {}
        for term in self.graph.gates[node]:
            part = self.literal(term ^ inverted)
            same = part.parts and part.every == every
            parts.update(dict.fromkeys(part.parts if same else (part,)))
        return Expression(every=every, parts=tuple(sorted(parts, key=_place)))


def _place(part: Expression) -> tuple[bool, tuple[tuple[str, int], ...]]:
    """Return where a term stands among others: names first, then groups."""
    return bool(part.parts), in_order(part.name or str(part))
