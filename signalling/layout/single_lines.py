"""Single lines: the two ends of each, and which routes enter at which.

Law of this file: geometry only.
"""

from __future__ import annotations

from enum import StrEnum

from signalling.layout.model import SingleLine
from signalling.layout.routes import Route
from signalling.layout.track import Track

__all__ = ["LineEnd", "ends_of", "entered_at"]


class LineEnd(StrEnum):
    """One end of a single line."""

    FIRST = "the first end"
    LAST = "the last end"

    @property
    def other(self) -> LineEnd:
        """The end at the other side."""
        return LineEnd.LAST if self is LineEnd.FIRST else LineEnd.FIRST


def ends_of(line: SingleLine) -> tuple[LineEnd, ...]:
    """Return the ends of a single line that we work: both, or the one where its blocks begin."""
    return (LineEnd.FIRST, LineEnd.LAST) if line.other_end == "ours" else (LineEnd.FIRST,)


def entered_at(line: SingleLine, route: Route, track: Track) -> LineEnd | None:
    """Return the end at which a route enters a single line, or ``None`` where it does not."""
    for way in route.ways:
        if way.block in line.blocks and way.rear not in line.blocks:
            return _end_at(line, way.block, way.rear, track)
    return None


def _end_at(line: SingleLine, block: str, rear: str | None, track: Track) -> LineEnd:
    if line.other_end == "theirs":
        return LineEnd.FIRST
    if len(line.blocks) > 1:
        return LineEnd.FIRST if block == line.blocks[0] else LineEnd.LAST
    # In a line of one block, the sides are told apart by what leads from where to where.
    first = next((other for other in track.neighbours.get(block, ())), None)
    across = {way.ahead for way in track.ways.get((block, first), ())}
    beside = {way.ahead for other in across for way in track.ways.get((block, other), ())}
    return LineEnd.FIRST if rear == first or rear in beside else LineEnd.LAST
