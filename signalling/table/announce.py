"""Announcing a diverging route: what its speed makes of a row, and where its train must be.

Law of this file: facts for rows of the control table, from layout, practice and
geometry; no equation. The words of speeds and of aspects are the practice's.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen

from signalling.layout.model import SignalRoute
from signalling.layout.routes import Route, approach_lies
from signalling.layout.track import Lies, Track, contradict
from signalling.practice.schema import Head, Practice, Speed

__all__ = ["Announcing", "RouteSpeed", "route_speed", "speed_name"]


@frozen(kw_only=True)
class RouteSpeed:
    """What a route's speed makes of what its signal shows, and of how it reads."""

    name: str | None
    next: Mapping[str, str]
    """What the signal shows, when off, by how the next signal reads."""
    reads_as: str | None
    """The least restrictive that the signal can be to the signal in rear."""
    release: str
    held_at: str
    """What the signal shows at best while the route is held at caution."""


def speed_name(practice: Practice, special: SignalRoute) -> str | None:
    """Return the name of a route's speed: its own, else that of its indicator, if there is one."""
    if special.speed is None and str(special.indicator) in practice.indicators:
        return practice.indicators[str(special.indicator)].speed
    return special.speed


def route_speed(practice: Practice, special: SignalRoute, head: Head, least: str) -> RouteSpeed:
    """Return what the speed of a route makes of it; of none, nothing.

    ``least`` is the practice's most restrictive proceed aspect.
    A head that cannot show the aspect at which a route would be held is held at danger.
    Raises ``KeyError`` where the practice does not have the speed.
    """
    name = speed_name(practice, special)
    speed = Speed(meaning="") if name is None else practice.speeds[name]
    held_at = speed.shows.get(least, least)
    release = special.release or speed.release
    # Held in another way than the practice has it, the route is not announced.
    reads_as = None if speed.release == "flashing" != release else speed.reads_as
    if release in ("from-caution", "flashing") and held_at not in head.shows:
        release = "from-danger"
    return RouteSpeed(
        name=name,
        next=speed.next_of(head),
        reads_as=reads_as,
        release=release,
        held_at=held_at,
    )


@frozen
class Announcing:
    """Finds where a train must be for the signals in rear of a junction to announce its route."""

    track: Track
    practice: Practice
    routes: tuple[Route, ...]
    speeds: Mapping[str, RouteSpeed]
    """By route."""

    def places(self, route: Route) -> Mapping[str, tuple[Lies, ...]]:
        """Return blocks from which a route is announced, and the lies that lead from each to it.

        They are the way from each signal that announces the route, and what leads up to that
        signal: there a driver has the whole of its approach to read it in. (Reading time,
        GK/RT0045 section 5.2.3.6, as quoted at irse.signalpost.org tid=857.)
        """
        found: dict[str, dict[Lies, None]] = {}
        reads_as = self.speeds[route.name].reads_as
        if reads_as is not None:
            self._gather(route, reads_as, (), found)
        return {block: tuple(lies) for block, lies in found.items()}

    def _gather(
        self, route: Route, reads_as: str, beyond: Lies, found: dict[str, dict[Lies, None]]
    ) -> None:
        between = approach_lies(self.track, route.entry)
        for rear in self.routes:
            if rear.exit != route.signal or contradict(rear.lies, beyond):
                continue
            shown = self.speeds[rear.name].next[reads_as]
            if shown in self.practice.ordinary:
                continue
            onward = _joined(rear.lies, beyond)
            leads = {
                **{block: between.get(block, ((),)) for block in rear.blocks},
                **{
                    block: tuple(_joined(path, rear.lies) for path in paths)
                    for block, paths in approach_lies(self.track, rear.entry).items()
                },
            }
            for block, paths in leads.items():
                for path in paths:
                    if not contradict(path, onward):
                        found.setdefault(block, {})[_joined(path, beyond)] = None
            self._gather(rear, shown, onward, found)


def _joined(one: Lies, two: Lies) -> Lies:
    return tuple(sorted({*one, *two}))
