"""The track that the lines describe: ways through blocks, neighbours, ends, directions of running.

Law of this file: geometry only, worked out from the lines and from where
signals stand. No aspect, no rule of a practice, no occupancy. A block is run
through only in the ways that some line states; where two lines meet end to
end in a block with no other way, they are one way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import Factory, evolve, frozen

from signalling.layout.model import Layout
from signalling.layout.notation import Joint, Lie, Step, parse_joint, parse_path

__all__ = ["Lies", "Track", "Way", "contradict", "derive_track"]

Lies = tuple[tuple[str, Lie], ...]
"""Turnouts and the lie each must have, sorted by turnout."""


def contradict(one: Iterable[tuple[str, Lie]], two: Iterable[tuple[str, Lie]]) -> bool:
    """Return whether some turnout would need both lies."""
    wanted = dict(one)
    return any(wanted.get(turnout, lie) is not lie for turnout, lie in two)


@frozen
class Way:
    """One way through a block, in one direction."""

    rear: str | None
    """The block it comes from; ``None`` at an end of the track."""
    block: str
    ahead: str | None
    """The block it goes on to; ``None`` at an end of the track."""
    lies: Lies = ()

    @property
    def reversed(self) -> Way:
        """The same way, run in the other direction."""
        return Way(self.ahead, self.block, self.rear, self.lies)


@frozen
class Track:
    """What the lines say, put together."""

    ways: Mapping[tuple[str, str | None], tuple[Way, ...]]
    """Ways on through a block, by the block and where a train comes from."""
    neighbours: Mapping[str, tuple[str, ...]]
    """Blocks that meet each block, in the order the lines name them."""
    open_blocks: frozenset[str]
    """Blocks in which some way ends: at a buffer, or where the described track stops."""
    signals: Mapping[Joint, str]
    """The main signal at each joint and direction."""
    runs: frozenset[Joint]
    """Joints in the directions that trains run: as the lines are written, and wherever a signal
    stands for the other direction, along what it reads over and what leads to it."""
    lines: Mapping[Joint, tuple[str, ...]]
    """The lines that pass each joint, in either direction."""
    turnouts: Mapping[str, tuple[str, ...]] = Factory(dict)
    """Turnouts in each block."""

    def on_from(self, joint: Joint) -> tuple[Way, ...]:
        """Return the ways on through the block ahead of a joint."""
        return self.ways.get((joint.ahead, joint.rear), ())

    def back_from(self, joint: Joint) -> tuple[Way, ...]:
        """Return the ways by which a train can have come to a joint through the block in rear."""
        return tuple(way.reversed for way in self.ways.get((joint.rear, joint.ahead), ()))

    def branching(self, joint: Joint) -> tuple[Way, Way] | None:
        """Return two ways on from a joint that no turnout decides between, if there are any."""
        ways = self.on_from(joint)
        for index, one in enumerate(ways):
            for two in ways[index + 1 :]:
                if one.ahead != two.ahead and not contradict(one.lies, two.lies):
                    return one, two
        return None


def derive_track(layout: Layout) -> Track:
    """Put the lines of a layout together.

    The layout's names and notation must have been checked; raises
    ``NotationError`` where they were not.
    """
    ways: dict[Way, None] = {}
    stubs: dict[Way, None] = {}
    neighbours: dict[str, dict[str, None]] = {name: {} for name in layout.blocks}
    written: dict[Joint, None] = {}
    lines: dict[Joint, dict[str, None]] = {}
    for name, text in layout.lines.items():
        for rear, step, ahead in _triples(parse_path(text)):
            way = Way(rear, step.block, ahead, step.lies)
            (ways if rear is not None and ahead is not None else stubs)[way] = None
            for other in (rear, ahead):
                if other is not None:
                    neighbours[step.block][other] = None
            if ahead is not None:
                joint = Joint(step.block, ahead)
                written[joint] = None
                lines.setdefault(joint, {})[name] = None
                lines.setdefault(joint.opposite, {})[name] = None
    for way in _settled(ways, stubs, neighbours):
        ways[way] = None
    table: dict[tuple[str, str | None], dict[Way, None]] = {}
    for way in ways:
        for turned in (way, way.reversed):
            table.setdefault((turned.block, turned.rear), {})[turned] = None
    signals: dict[Joint, str] = {}
    for name, signal in layout.signals.items():
        if signal.distant is False:  # a distant signal ends no route
            signals.setdefault(parse_joint(signal.at), name)
    turnouts: dict[str, list[str]] = {}
    for name, turnout in layout.turnouts.items():
        turnouts.setdefault(turnout.block, []).append(name)
    track = Track(
        ways={key: tuple(value) for key, value in table.items()},
        neighbours={block: tuple(others) for block, others in neighbours.items()},
        open_blocks=frozenset(way.block for way in ways if way.rear is None or way.ahead is None),
        signals=signals,
        runs=frozenset(written),
        lines={joint: tuple(names) for joint, names in lines.items()},
        turnouts={block: tuple(names) for block, names in turnouts.items()},
    )
    return _with_runs(track, written)


def _triples(steps: tuple[Step, ...]) -> Iterable[tuple[str | None, Step, str | None]]:
    """Yield each step with its neighbours along the line, closing a ring where it comes back."""
    closed = len(steps) > 2 and steps[0].block == steps[-1].block
    if closed:
        lies = tuple(sorted({*steps[0].lies, *steps[-1].lies}))
        steps = (Step(steps[0].block, lies), *steps[1:-1])
    for index, step in enumerate(steps):
        before = steps[index - 1].block if index or closed else None
        after = steps[(index + 1) % len(steps)].block if index + 1 < len(steps) or closed else None
        yield before, step, after


def _settled(
    ways: Mapping[Way, None],
    stubs: Mapping[Way, None],
    neighbours: Mapping[str, Mapping[str, None]],
) -> list[Way]:
    """Return what the ends of lines stand for: nothing, one way with another's end, or an end."""
    passed = {(way.block, other) for way in ways for other in (way.rear, way.ahead)}
    loose: dict[str, list[Way]] = {}
    for stub in stubs:
        turned = stub if stub.rear is None else stub.reversed
        if turned.ahead is None or (turned.block, turned.ahead) not in passed or turned.lies:
            known = loose.setdefault(turned.block, [])
            if turned not in known and not _stated(turned, ways):
                known.append(turned)
    settled = []
    for block, ends in loose.items():
        pair = [end for end in ends if end.ahead is not None]
        if len(pair) == 2 == len(neighbours[block]) and pair[0].ahead != pair[1].ahead:
            one, two = pair
            if not contradict(one.lies, two.lies):
                lies = tuple(sorted({*one.lies, *two.lies}))
                settled.append(Way(one.ahead, block, two.ahead, lies))
                continue
        settled.extend(ends)
    return settled


def _stated(end: Way, ways: Iterable[Way]) -> bool:
    """Return whether a full way already says what a line's end in a turnout's block says."""
    return any(
        way.block == end.block
        and end.ahead in (way.rear, way.ahead)
        and set(end.lies) <= set(way.lies)
        for way in ways
    )


def _with_runs(track: Track, written: Mapping[Joint, None]) -> Track:
    """Add the directions in which signals stand against the written order."""
    runs = dict(written)
    for start in track.signals:
        if start in written:
            continue
        ahead, back = [start], [start]
        seen = {start}
        runs[start] = None
        while ahead:
            for way in track.on_from(ahead.pop()):
                if way.ahead is None:
                    continue
                joint = Joint(way.block, way.ahead)
                if joint not in seen:
                    seen.add(joint)
                    runs[joint] = None
                    if joint not in track.signals:
                        ahead.append(joint)
        while back:
            for way in track.back_from(back.pop()):
                if way.rear is None:
                    continue
                joint = Joint(way.rear, way.block)
                if joint not in seen:
                    seen.add(joint)
                    runs[joint] = None
                    if joint not in track.signals:
                        back.append(joint)
    return evolve(track, runs=frozenset(runs))
