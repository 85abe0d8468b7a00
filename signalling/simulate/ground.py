"""The track as trains meet it: lengths, ways by how turnouts lie, what lies beyond its ends.

Law of this file: what does not change while trains run. Nothing here moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from attrs import frozen

from signalling.layout.notation import Joint, Lie, parse_path
from signalling.layout.routes import End
from signalling.layout.track import Track, Way
from signalling.table.table import Table

__all__ = ["BLOCK_LENGTH", "Ground", "Lying", "ground_of"]

BLOCK_LENGTH = 1000.0
"""mm: the length of a block for which the file names none."""

Lying = Mapping[str, Lie | None]
"""How turnouts lie in truth; ``None`` while one moves."""


@frozen(kw_only=True)
class Ground:
    """What trains run over."""

    track: Track
    lengths: Mapping[str, float]
    """By block, in mm."""
    beyond: Mapping[tuple[str, str | None], float]
    """Where the track goes on beyond what is described: the seconds that a train is away, by the
    last block and where it was entered from. Every other end is a buffer stop."""
    back_at: Mapping[str, tuple[str, ...]]
    """Where a train that went off by a block comes back: the first block of each line that ends
    there. (A line that begins and ends off the scene is closed behind it.)"""
    lines: Mapping[str, tuple[str, ...]]
    """The blocks of each line; of a ring, without the first one again at the end."""
    rings: frozenset[str]
    """Lines that close into themselves."""

    def way(self, block: str, rear: str | None, lying: Lying) -> tuple[Way | None, bool]:
        """Return the way on through a block, and whether the turnouts lie for it in truth.

        Where none lies for any way, it is the way that most of them lie for,
        such as for a train that runs through a trailing turnout.
        """
        ways = self.track.ways.get((block, rear), ())
        best: Way | None = None
        fewest = 0
        for way in ways:
            wrong = sum(lying.get(turnout) is not lie for turnout, lie in way.lies)
            if not wrong:
                return way, True
            if best is None or wrong < fewest:
                best, fewest = way, wrong
        return best, False

    def is_buffer(self, way: Way | None) -> bool:
        """Return whether a way, or there being none, ends at a buffer stop."""
        return way is None or (way.ahead is None and (way.block, way.rear) not in self.beyond)

    def signal_at(self, rear: str, ahead: str) -> str | None:
        """Return the signal that a train meets on its way from one block to the next."""
        return self.track.signals.get(Joint(rear, ahead))


def ground_of(table: Table) -> Ground:
    """Return what trains of a compiled layout run over."""
    layout = table.layout
    lines: dict[str, tuple[str, ...]] = {}
    rings = set()
    for name, text in layout.lines.items():
        blocks = tuple(step.block for step in parse_path(text))
        if len(blocks) > 2 and blocks[0] == blocks[-1]:
            rings.add(name)
            blocks = blocks[:-1]
        lines[name] = blocks
    beyond = {
        (row.route.ways[-1].block, row.route.ways[-1].rear): sum(row.hidden or ())
        for row in table.rows
        if row.route.end is End.OPEN
    }
    ends = {block for block, _ in beyond}
    back_at: dict[str, dict[str, None]] = {}
    for name, blocks in lines.items():
        if name not in rings and blocks[-1] in ends and (blocks[0], None) in table.track.ways:
            back_at.setdefault(blocks[-1], {})[blocks[0]] = None
    return Ground(
        track=table.track,
        lengths={
            name: BLOCK_LENGTH if block.length is None else block.length
            for name, block in layout.blocks.items()
        },
        beyond=beyond,
        back_at={block: tuple(starts) for block, starts in back_at.items()},
        lines=lines,
        rings=frozenset(rings),
    )


def behind(blocks: tuple[str, ...], *, ring: bool) -> Mapping[str, str]:
    """Return the block before each block of a line."""
    before = {ahead: rear for rear, ahead in pairwise(blocks)}
    if ring:
        before[blocks[0]] = blocks[-1]
    return before
