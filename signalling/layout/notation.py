"""The line notation: ``"d1 > d2 > j1[t1 normal] > d3 > d1"``.

Law of this file: text to steps, nothing else. A line is blocks in order,
joined by ``>``; in brackets stand the lies of the turnouts that the path runs
over. Signals and beams stand at a joint, ``"d2 > j1"``; an overlap is a path
too. Whether the names exist is for the reader to say.
"""

from __future__ import annotations

import re
from enum import StrEnum

from attrs import frozen

__all__ = ["Joint", "Lie", "NotationError", "Step", "parse_joint", "parse_path"]

NAME = r"[A-Za-z0-9_][A-Za-z0-9_.\-]*"
_STEP = re.compile(rf"\s*({NAME})\s*(?:\[([^\[\]]*)\])?\s*\Z")
_LIE = re.compile(rf"\s*({NAME})\s+(normal|reverse)\s*\Z")


class Lie(StrEnum):
    """How a turnout lies."""

    NORMAL = "normal"
    REVERSE = "reverse"

    @property
    def other(self) -> Lie:
        """The opposite lie."""
        return Lie.REVERSE if self is Lie.NORMAL else Lie.NORMAL


class NotationError(ValueError):
    """The text is not in the notation; the message says what was expected."""


@frozen
class Step:
    """One block of a path and the lies it needs there."""

    block: str
    lies: tuple[tuple[str, Lie], ...] = ()

    def __str__(self) -> str:
        if not self.lies:
            return self.block
        return f"{self.block}[{', '.join(f'{turnout} {lie}' for turnout, lie in self.lies)}]"


@frozen(order=True)
class Joint:
    """Where two blocks meet, passed from ``rear`` to ``ahead``."""

    rear: str
    ahead: str

    def __str__(self) -> str:
        return f"{self.rear} > {self.ahead}"

    @property
    def opposite(self) -> Joint:
        """The same joint, passed the other way."""
        return Joint(self.ahead, self.rear)


def parse_path(text: str) -> tuple[Step, ...]:
    """Return the steps of a path of at least one block.

    Raises ``NotationError`` with the part that is wrong.
    """
    steps = []
    for part in text.split(">"):
        match = _STEP.match(part)
        if match is None:
            shown = part.strip() or "nothing"
            raise NotationError(
                f"{shown!r} stands where a block is expected; "
                "write blocks joined by '>', with lies in brackets, as in 'd2 > j1[t1 normal] > d3'"
            )
        steps.append(Step(match[1], _parse_lies(match[2])))
    return tuple(steps)


def _parse_lies(text: str | None) -> tuple[tuple[str, Lie], ...]:
    if text is None:
        return ()
    lies: dict[str, Lie] = {}
    for part in text.split(","):
        match = _LIE.match(part)
        if match is None:
            shown = part.strip() or "nothing"
            raise NotationError(
                f"{shown!r} stands where a lie is expected; write '[t1 normal]' or '[t1 reverse]', "
                "several with commas between"
            )
        if match[1] in lies:
            raise NotationError(f"turnout {match[1]!r} is given two lies in one block")
        lies[match[1]] = Lie(match[2])
    return tuple(sorted(lies.items()))


def parse_joint(text: str) -> Joint:
    """Return the joint written ``"d1 > d2"``.

    Raises ``NotationError`` when the text is not two blocks joined by ``>``.
    """
    steps = parse_path(text)
    if len(steps) != 2 or any(step.lies for step in steps):
        raise NotationError(
            f"{text!r} is not a joint; write the block in rear, '>', and the block ahead, "
            "as in 'd1 > d2', without lies"
        )
    return Joint(steps[0].block, steps[1].block)
