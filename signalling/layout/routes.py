"""Routes, derived from the track: from each signal to the next of the same direction.

Law of this file: geometry only. Which blocks a route runs through, with which
lies, where it ends, what leads up to it, and which routes get in each other's
way. What a signal shows because of it is said elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum
from functools import cached_property
from itertools import islice, pairwise
from typing import Any

from attrs import evolve, frozen

from signalling.errors import Severity
from signalling.layout.model import Layout
from signalling.layout.notation import Joint, parse_joint, parse_path
from signalling.layout.track import Lies, Track, Way, contradict

__all__ = [
    "End",
    "Overlap",
    "Problem",
    "Route",
    "Traversal",
    "approach",
    "approach_lies",
    "derive_routes",
    "in_the_way",
    "leading_to",
    "that_chooses",
    "without_overlap",
]


MOST = 100
"""Routes that one signal may have."""


class End(StrEnum):
    """How a route ends."""

    SIGNAL = "signal"
    BUFFER = "buffer"
    """The track ends; the driver meets a stop there."""
    OPEN = "open"
    """The track goes on beyond what is described, through hidden sections or freely."""


@frozen(kw_only=True)
class Problem:
    """Something wrong that only the whole track shows; the reader finds its line."""

    path: tuple[str, ...]
    """Where in the file, as keys from the top."""
    severity: Severity
    thing: str
    message: str
    remedy: str


Traversal = tuple[str, str | None]
"""A block and the block that a train enters it from."""


@frozen
class Overlap:
    """Track beyond an exit signal that is kept clear as a margin."""

    ways: tuple[Way, ...]
    lies: Lies
    reduced: bool
    """Whether it is shorter than trains need that run up to the signal at full speed."""


@frozen(kw_only=True)
class Route:
    """From a signal to the next signal of the same direction."""

    name: str
    """``SIGNAL/LINE``, after the line that it follows the furthest."""
    signal: str
    line: str
    entry: Joint
    ways: tuple[Way, ...]
    """Through each of its blocks, in order."""
    lies: Lies
    end: End
    exit: str | None
    """The signal that it ends at, if it ends at one."""
    overlap: tuple[Way, ...] = ()
    """Through each block of the overlap beyond its exit, in order."""
    overlap_lies: Lies = ()
    choices: tuple[Overlap, ...] = ()
    """Every overlap beyond its exit that it may have, in order of preference, where there are
    several, or one that is reduced."""

    @property
    def blocks(self) -> tuple[str, ...]:
        """Its blocks, in order, without the overlap."""
        return tuple(way.block for way in self.ways)

    @cached_property
    def kept_clear(self) -> tuple[Way, ...]:
        """Every way that must be clear: its own blocks', then the overlap's."""
        return self.ways + self.overlap

    @cached_property
    def blocks_kept_clear(self) -> frozenset[str]:
        """Its blocks and those of the overlap."""
        return frozenset(way.block for way in self.kept_clear)

    @cached_property
    def all_lies(self) -> Lies:
        """The lies of the route and of its overlap."""
        return tuple(sorted({*self.lies, *self.overlap_lies}))


def derive_routes(
    layout: Layout, track: Track, *, of_distants: bool = False
) -> tuple[tuple[Route, ...], tuple[Problem, ...]]:
    """Return every route, in the order of the signals in the file, and what is wrong.

    Or else those ``of_distants``: the ways from each distant signal to main signals.
    """
    routes: list[Route] = []
    problems: list[Problem] = []
    for name, signal in layout.signals.items():
        if (signal.distant is not False) is not of_distants:
            continue
        entry = parse_joint(signal.at)
        found: list[Route] = []
        for ways, end, leaves in islice(_walk(track, entry), MOST + 1):
            lies = _lies(ways)
            if lies is None:
                continue
            if end is None:
                problems.append(_endless(name, ways))
                continue
            last = ways[-1]
            exit_joint = Joint(last.block, last.ahead) if last.ahead is not None else None
            if end is End.BUFFER and signal.hidden not in (None, False):
                end = End.OPEN  # noqa: PLW2901 - the file says that the track goes on
            found.append(
                Route(
                    name="",
                    signal=name,
                    line=_line(track, entry, ways, exit_joint),
                    entry=entry,
                    ways=ways,
                    lies=lies,
                    end=end,
                    exit=leaves,
                    **_overlaps(layout, track, leaves, last),
                )
            )
        if len(found) > MOST:
            problems.append(_too_many(name))
            found = []
        if not found and not any(problem.path[1] == name for problem in problems):
            problems.append(_nowhere(name))
        routes.extend(_named(found))
    return tuple(routes), tuple(problems)


def _walk(track: Track, entry: Joint) -> Iterator[tuple[tuple[Way, ...], End | None, str | None]]:
    """Yield each way on from a signal: the ways, how it ends (``None``: not at all), its exit."""
    stack: list[tuple[Joint, tuple[Way, ...]]] = [(entry, ())]
    while stack:
        joint, ways = stack.pop()
        for way in reversed(track.on_from(joint)):
            if any(way.block == earlier.block and way.rear == earlier.rear for earlier in ways):
                yield ways, None, None
                continue
            longer = (*ways, way)
            if way.ahead is None:
                yield longer, End.BUFFER, None
                continue
            ahead = Joint(way.block, way.ahead)
            if ahead not in track.runs:
                continue  # the line is run one way only, and not this one
            if ahead in track.signals:
                yield longer, End.SIGNAL, track.signals[ahead]
            else:
                stack.append((ahead, longer))


def _lies(ways: tuple[Way, ...]) -> Lies | None:
    """Return the lies of a whole path, or ``None`` where a turnout would need both."""
    lies: dict[str, object] = {}
    for way in ways:
        for turnout, lie in way.lies:
            if lies.setdefault(turnout, lie) is not lie:
                return None
    return tuple(sorted({pair for way in ways for pair in way.lies}))


def _line(track: Track, entry: Joint, ways: tuple[Way, ...], leaves: Joint | None) -> str:
    """Return the line that a route follows the furthest; of equals, the first in the file."""
    joints = [
        entry,
        *(Joint(one.block, two.block) for one, two in pairwise(ways)),
    ]
    if leaves is not None:
        joints.append(leaves)
    counts: dict[str, int] = {}
    for joint in joints:
        for line in track.lines.get(joint, ()):
            counts[line] = counts.get(line, 0) + 1
    return max(counts, key=lambda line: counts[line])


def _named(routes: list[Route]) -> list[Route]:
    """Name routes ``SIGNAL/LINE``; where that is not enough, add their ends, then their lies."""
    lines = [route.line for route in routes]
    named: list[Route] = []
    for route in routes:
        name = f"{route.signal}/{route.line}"
        if lines.count(route.line) > 1:
            name = f"{name}/{route.exit or route.blocks[-1]}"
        overlap_lies = _lies(route.overlap) or ()
        named.append(evolve(route, name=name, overlap_lies=overlap_lies))
    names = [route.name for route in named]
    return [
        evolve(route, name="/".join([route.name, *_written(route.lies)]))
        if names.count(route.name) > 1
        else route
        for route in named
    ]


def _written(lies: Lies) -> list[str]:
    return [f"{turnout}-{lie}" for turnout, lie in lies]


def _overlaps(layout: Layout, track: Track, leaves: str | None, last: Way) -> dict[str, Any]:
    """Return the overlap beyond a route's exit signal, and those that it may choose from."""
    if leaves is None:
        return {}
    signal = layout.signals[leaves]
    texts = (signal.overlap,) if isinstance(signal.overlap, str) else signal.overlap or ()
    found = [_overlap(track, text, last, reduced=False) for text in texts]
    whole = found[0].ways if found else ()
    if signal.reduced_overlap is not None:
        found.append(_overlap(track, signal.reduced_overlap, last, reduced=True))
    several = len(found) > 1 or any(each.reduced for each in found)
    return {"overlap": whole, "choices": tuple(found) if several else ()}


def _overlap(track: Track, text: str, last: Way, *, reduced: bool) -> Overlap:
    """Return the overlap that a text describes."""
    steps = parse_path(text)
    ways = []
    rear = last.block
    for index, step in enumerate(steps):
        after = steps[index + 1].block if index + 1 < len(steps) else None
        ahead = next(
            (way.ahead for way in track.ways.get((step.block, rear), ()) if way.ahead == after),
            None,
        )
        ways.append(Way(rear, step.block, ahead, step.lies))
        rear = step.block
    return Overlap(tuple(ways), _lies(tuple(ways)) or (), reduced)


def approach(track: Track, entry: Joint) -> tuple[str, ...]:
    """Return the blocks that lead up to a signal, back to the signals in rear, nearest first."""
    return tuple(approach_lies(track, entry))


def approach_lies(track: Track, entry: Joint) -> dict[str, tuple[Lies, ...]]:
    """Return, by each block that leads up to a signal, the lies with which it does.

    Back to the signals in rear, nearest first; one set of lies for each path.
    """
    found: dict[str, dict[Lies, None]] = {entry.rear: {}}
    stack: list[tuple[Joint, Lies]] = [(entry, ())]
    seen = set(stack)
    while stack:
        joint, beyond = stack.pop(0)
        for way in track.back_from(joint):
            if contradict(way.lies, beyond):
                continue
            lies = tuple(sorted({*way.lies, *beyond}))
            found.setdefault(joint.rear, {})[lies] = None
            if way.rear is None or way.rear == entry.ahead:
                continue
            behind = Joint(way.rear, way.block)
            if behind not in track.runs:
                continue  # no train comes from there
            if behind not in track.signals and (behind, lies) not in seen:
                seen.add((behind, lies))
                stack.append((behind, lies))
    return {block: tuple(lies) for block, lies in found.items()}


def leading_to(track: Track, entry: Joint) -> dict[str, tuple[str, ...]]:
    """Return, by each block that leads up to a signal, the blocks that a train goes on to there.

    Back to the signals in rear, nearest first.
    """
    onward: dict[str, tuple[str, ...]] = {}
    stack = [entry]
    while stack:
        joint = stack.pop(0)
        known = onward.get(joint.rear)
        if known is not None:
            if joint.ahead not in known:
                onward[joint.rear] = (*known, joint.ahead)
            continue
        onward[joint.rear] = (joint.ahead,)
        for way in track.back_from(joint):
            if way.rear is None:
                continue
            behind = Joint(way.rear, way.block)
            if behind not in track.signals and way.rear != entry.ahead:
                stack.append(behind)
    return onward


def in_the_way(routes: tuple[Route, ...]) -> Mapping[str, tuple[Route, ...]]:
    """Return, by route, the routes of other signals that no turnout keeps apart from it.

    Two routes are in each other's way when they, or their overlaps, share a
    block that they enter from different sides, and no turnout must lie
    differently for the two. Entered from the same side, one train follows the
    other, which occupancy takes care of. (Common practice.)
    """
    by_block: dict[str, list[tuple[Route, Way]]] = {}
    for route in routes:
        for way in route.kept_clear:
            by_block.setdefault(way.block, []).append((route, way))
    found: dict[str, dict[str, Route]] = {route.name: {} for route in routes}
    # Two that meet in one block mostly meet in several: each pair is looked at once.
    seen: dict[str, set[str]] = {route.name: set() for route in routes}
    for users in by_block.values():
        for index, (one, one_way) in enumerate(users):
            known = seen[one.name]
            for two, two_way in users[index + 1 :]:
                if (
                    one_way.rear != two_way.rear
                    and one.signal != two.signal
                    and two.name not in known
                ):
                    known.add(two.name)
                    if not contradict(one.all_lies, two.all_lies):
                        found[one.name][two.name] = two
                        found[two.name][one.name] = one
    order = {route.name: index for index, route in enumerate(routes)}
    return {
        name: tuple(sorted(others.values(), key=lambda route: order[route.name]))
        for name, others in found.items()
    }


def without_overlap(route: Route, name: str) -> Route:
    """Return the same route under another name, for a move that keeps no overlap clear."""
    return evolve(route, name=name, overlap=(), overlap_lies=(), choices=())


def that_chooses(route: Route) -> Route:
    """Return a route with no overlap of its own, but those that it may choose from."""
    return evolve(route, overlap=(), overlap_lies=()) if route.choices else route


def _endless(signal: str, ways: tuple[Way, ...]) -> Problem:
    return Problem(
        path=("signals", signal),
        severity=Severity.ERROR,
        thing=f"signal {signal}",
        message=f"Its route runs round to block {ways[0].block} again without meeting a signal.",
        remedy="Put a signal of the same direction on the way.",
    )


def _too_many(signal: str) -> Problem:
    return Problem(
        path=("signals", signal),
        severity=Severity.ERROR,
        thing=f"signal {signal}",
        message=f"It has more than {MOST} routes: tracks part and meet again on the way to the "
        "next signal.",
        remedy="Put signals of the same direction between them.",
    )


def _nowhere(signal: str) -> Problem:
    return Problem(
        path=("signals", signal),
        severity=Severity.ERROR,
        thing=f"signal {signal}",
        message="No line goes on from it, so it has no route.",
        remedy="Write a line that runs over its joint and on through the block ahead.",
    )
