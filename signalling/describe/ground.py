"""Where trains can run from and to, as the describer needs it.

Law of this file: geometry, and how turnouts lie at a moment. No name, no
occupancy. Where it is not known how a turnout lies, it may lie either way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from attrs import frozen

from signalling.layout.notation import Joint, Lie
from signalling.layout.routes import End
from signalling.layout.track import Lies, Way
from signalling.table.table import Table

__all__ = ["Ground", "ground_of"]

Lying = Callable[[str], Lie | None]
"""How a turnout is detected to lie."""


@frozen
class Ground:
    """What names step over."""

    neighbours: Mapping[str, tuple[str, ...]]
    """By block, the blocks that meet it."""
    runs: frozenset[Joint]
    """Joints in the directions in which trains run."""
    lies: Mapping[Joint, tuple[tuple[Lies, ...], tuple[Lies, ...]]]
    """By joint, the lies with which its block in rear leads to it, and those with which its block
    ahead leads on from it; empty where any will do."""
    ways: Mapping[tuple[str, str | None], tuple[Way, ...]]
    """Ways on through a block, by the block and where a train comes from."""
    entries: frozenset[str]
    """Blocks into which trains come from beyond the described track."""
    exits: Mapping[str, tuple[Lies, ...]]
    """Blocks from which trains leave the described track, and the lies with which they do."""

    def passable(self, joint: Joint, lying: Lying) -> bool:
        """Return whether a train can run over a joint as turnouts lie now."""
        return all(not choices or _some(choices, lying) for choices in self.lies[joint])

    def leads(self, came: frozenset[str], joint: Joint, lying: Lying) -> bool:
        """Return whether a train that came from one of these blocks can run over a joint.

        It can always run back where it came from.
        """
        return joint.ahead in came or any(
            way.ahead == joint.ahead and _some((way.lies,), lying)
            for rear in came
            for way in self.ways.get((joint.rear, rear), ())
        )

    def leads_off(self, block: str, lying: Lying) -> bool:
        """Return whether a train in a block can have left the described track."""
        choices = self.exits.get(block)
        return choices is not None and (not choices or _some(choices, lying))


def _some(choices: tuple[Lies, ...], lying: Lying) -> bool:
    return any(all(lying(turnout) in (lie, None) for turnout, lie in lies) for lies in choices)


def ground_of(table: Table) -> Ground:
    """Return the ground of a compiled layout."""
    track = table.track
    lies = {}
    for block, others in track.neighbours.items():
        for other in others:
            joint = Joint(block, other)
            to = tuple(way.lies for way in track.back_from(joint))
            on = tuple(way.lies for way in track.on_from(joint))
            lies[joint] = (_any_will_do(to), _any_will_do(on))
    last = [(row.route.end, row.route.ways[-1]) for row in table.rows]
    buffers = {_end(way) for end, way in last if end is End.BUFFER}
    exits: dict[str, list[Lies]] = {}
    for end, way in last:
        if end is End.OPEN:
            exits.setdefault(way.block, []).append(way.lies)
    entries = {
        way.block
        for (_, rear), ways in track.ways.items()
        for way in ways
        if rear is None and way.ahead is not None and Joint(way.block, way.ahead) in track.runs
        if _end(way.reversed) not in buffers
    }
    return Ground(
        neighbours=track.neighbours,
        runs=track.runs,
        lies=lies,
        ways=track.ways,
        entries=frozenset(entries),
        exits={block: _any_will_do(tuple(found)) for block, found in exits.items()},
    )


def _any_will_do(choices: tuple[Lies, ...]) -> tuple[Lies, ...]:
    return () if () in choices else tuple(dict.fromkeys(choices))


def _end(way: Way) -> tuple[str, str | None]:
    """Return what names an end of the track: its block, and the side from which it is reached."""
    return way.block, way.rear
