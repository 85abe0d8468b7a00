"""A train on the track: where it is, from head to tail.

Law of this file: one train's place, by what it has run over. Where it may go
and what stops it is the world's affair. Places are distances that the head has
run, in mm, so that a train of any length bends round any track.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from itertools import pairwise
from math import inf

from attrs import define, field, frozen

from signalling.errors import ConfigurationError
from signalling.layout.model import Train
from signalling.layout.track import Way
from signalling.simulate.ground import Ground, Lying, behind

__all__ = ["STAND_SHORT", "RunningTrain", "Span", "set_down"]

STAND_SHORT = 30.0
"""mm before the end of its section at which a train that is stopped stands."""


@frozen
class Span:
    """One block that a train runs over, and when its head did, by its own distance run."""

    block: str | None
    """``None`` for what is beyond the described track."""
    way: Way | None
    begin: float
    end: float

    @property
    def ahead(self) -> str | None:
        """The block that it leads to; ``None`` at an end of the track."""
        return None if self.way is None else self.way.ahead


@define(eq=False)
class RunningTrain:
    """One train as it stands or runs."""

    name: str
    kind: Train
    spans: deque[Span]
    """What it covers, from the head; the head is in the first, the tail in the last."""
    head: float
    """Distance run."""
    home: str
    """The block that it started in, where its laps are counted."""
    speed: float = 0.0
    laps: int = 0
    signals_passed: int = 0
    times_stopped: int = 0
    began: float = field(init=False)

    def __attrs_post_init__(self) -> None:
        """Note where the head began."""
        self.began = self.head

    @property
    def tail(self) -> float:
        """The tail's place, as a distance that the head has run."""
        return self.head - self.kind.length

    @property
    def blocks(self) -> tuple[str, ...]:
        """The blocks that it covers, from the head."""
        return tuple(dict.fromkeys(span.block for span in self.spans if span.block is not None))

    def joints(self) -> Iterator[frozenset[str]]:
        """Yield the joints that it stands over, each as the two blocks that meet there."""
        for front, back in pairwise(self.spans):
            if front.block is not None and back.block is not None:
                yield frozenset((back.block, front.block))

    def follow(self) -> bool:
        """Let go of what the tail has left; return whether there was anything."""
        tail = self.tail
        before = len(self.spans)
        while self.spans[-1].end <= tail:
            self.spans.pop()
        return len(self.spans) != before


def set_down(name: str, kind: Train, ground: Ground, lying: Lying) -> RunningTrain:
    """Return a train that stands at the end of its first block, its tail along its line behind it.

    Raises ``ConfigurationError`` where its line does not run through its first block.
    """
    blocks = ground.lines.get(kind.line, ())
    if kind.start not in blocks:
        raise ConfigurationError(
            f"train {name}",
            f"Line {kind.line} does not run through block {kind.start}.",
            "Let it start in a block of its line.",
        )
    before = behind(blocks, ring=kind.line in ground.rings)
    rear = before.get(kind.start)
    way, _ = ground.way(kind.start, rear, lying)
    length = ground.lengths[kind.start]
    head = length - min(STAND_SHORT, length / 2.0)
    spans = [Span(kind.start, way, 0.0, length)]
    while spans[-1].begin > head - kind.length:
        begin = spans[-1].begin
        if rear is None:
            spans.append(Span(None, None, -inf, begin))
        else:
            block, rear = rear, before.get(rear)
            ahead = spans[-1].block
            back = Way(rear, block, ahead)
            spans.append(Span(block, back, begin - ground.lengths[block], begin))
    return RunningTrain(name, kind, deque(spans), head, kind.start)
