"""Flank protection, derived from the track: how turnouts beside a route must lie.

Law of this file: geometry only. Wherever track joins a route from the side,
the nearest turnout back along that track which can turn a vehicle away is
laid so; a signal that reads towards the route on the way protects it as well,
since it is at danger. (Common practice.)
"""

from __future__ import annotations

from collections.abc import Iterator

from attrs import frozen

from signalling.layout.notation import Joint, Lie
from signalling.layout.routes import Route
from signalling.layout.track import Track, Way, contradict

__all__ = ["Flank", "flank_of"]


@frozen
class Flank:
    """A turnout beside a route, and how it must lie to protect a block of the route."""

    turnout: str
    lie: Lie
    block: str


def flank_of(route: Route, track: Track) -> tuple[Flank, ...]:
    """Return the turnouts that protect a route and its overlap from the side.

    A turnout of the route itself is never one: it lies as the route needs it.
    """
    own = {turnout for turnout, _ in route.all_lies}
    found: dict[tuple[str, Lie], Flank] = {}
    for way in route.kept_clear:
        for side in _sides(way, track):
            for turnout, lie in _protecting(side, route, track):
                if turnout not in own:
                    found.setdefault((turnout, lie), Flank(turnout, lie, way.block))
    lies: dict[str, set[Lie]] = {}
    for flank in found.values():
        lies.setdefault(flank.turnout, set()).add(flank.lie)
    # One that would have to turn vehicles away both ways protects from neither side.
    return tuple(flank for flank in found.values() if len(lies[flank.turnout]) == 1)


def _sides(way: Way, track: Track) -> Iterator[Joint]:
    """Yield the joints by which a vehicle could come into a block of a route from the side.

    Where an overlap ends amid the track, what lies beyond its end is not beside it.
    """
    along = {way.rear, way.ahead}
    if way.ahead is None:
        on = track.ways.get((way.block, way.rear), ())
        along.update(each.ahead for each in on if not contradict(each.lies, way.lies))
    for other in track.neighbours.get(way.block, ()):
        if other not in along and track.ways.get((way.block, other)):
            yield Joint(other, way.block)


def _protecting(side: Joint, route: Route, track: Track) -> Iterator[tuple[str, Lie]]:
    """Yield the nearest turnouts, back from a joint, that can turn a vehicle away from it."""
    blocks = {way.block for way in route.kept_clear}
    stack, seen = [side], {side}
    while stack:
        joint = stack.pop()
        if joint in track.signals or joint.rear in blocks:
            continue
        ways = track.back_from(joint)
        turning = _turning_away(ways)
        if turning is not None:
            yield turning
            continue
        for way in ways:
            if way.rear is None:
                continue
            behind = Joint(way.rear, way.block)
            if behind not in seen:
                seen.add(behind)
                stack.append(behind)


def _turning_away(ways: tuple[Way, ...]) -> tuple[str, Lie] | None:
    """Return the turnout and lie that close every one of some ways, if one does."""
    for turnout, lie in ways[0].lies if ways else ():
        if all((turnout, lie) in way.lies for way in ways):
            return turnout, lie.other
    return None
