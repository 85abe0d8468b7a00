"""The judge: whether what hardware shows may be shown, by what is physically so.

Law of this file: rules, and no equation. It knows the plan of Tern Junction as a
person wrote it down (``tests/mixed/tern.py``), where the trains and turnouts
really are, what boards truly said and whether that arrived. It knows nothing of
the table, of the transports, or of what the controller believes.

A signal that is off, or a stop that is lifted, is *wrong* unless by one of its
routes, for each block, turnout and danger switch,

- it is physically as it must be, or was so within the promised time, and
- its device was heard: some true word of it has arrived unharmed, said no longer
  ago than the promised time and the time between two such words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from attrs import Factory, define, frozen

from tests.mixed.tern import HELD_BY, MAY_FOLLOW, ROUTES, STOPS, Route

if TYPE_CHECKING:
    from signalling.simulate.world import World

DANGER = "danger"
NEVER, FOR_EVER = -1e9, 1e9
PERIOD = 0.3
"""Seconds between two words of a device, by the protocols: so long it may have been quiet before a
fault made it so. The foreign devices here have the longest."""


@frozen
class Wrong:
    """Something that must never be shown, at its onset."""

    at: float
    thing: str
    reason: str


@define
class Shown:
    """What hardware shows."""

    aspects: dict[str, str] = Factory(dict)
    lifted: dict[str, bool] = Factory(dict)


@define(eq=False)
class Judge:
    """Looks, and keeps what it found. Times are the loop's, in seconds."""

    world: World
    limit: float
    """The promised time, and the way of an order."""
    shown: Shown = Factory(Shown)
    wrong: list[Wrong] = Factory(list)
    broken_promises: list[Wrong] = Factory(list)
    """Aspects that promise more than the next signal shows, for longer than the limit."""
    off_for: float = 0.0
    """Signal-seconds of signals off: how much there was to judge."""
    _said: dict[str, float] = Factory(dict)
    """When a device last truly said something that arrived."""
    _so_since: dict[str, float] = Factory(dict)
    """Since when something is physically so."""
    _last_so: dict[str, float] = Factory(dict)
    """When something was last physically so that is not so now."""
    _at_fault: set[tuple[str, str]] = Factory(set)
    _promising_since: dict[str, float] = Factory(dict)
    _looked_at: float = 0.0

    # -- what is told to it

    def heard(self, says: Mapping[str, str], said: float) -> None:
        """Take it that something true has arrived; ``says`` is by the names of devices."""
        for device in says:
            if said > self._said.get(device, NEVER):
                self._said[device] = said

    def look_at_the_railway(self, now: float, *, bell: bool) -> None:
        """Note where trains are and how turnouts lie."""
        so = {
            f"detector {block} clear" for block, trains in self.world.inside.items() if not trains
        }
        so |= {f"turnout {name} {lie}" for name, lie in self.world.lying.items() if lie is not None}
        if not bell:
            so.add("danger bell free")
        for each in self._so_since.keys() - so:
            del self._so_since[each]
            self._last_so[each] = now
        for each in so:
            self._so_since.setdefault(each, now)

    # -- judging

    def judge(self, now: float) -> None:
        """Judge what has been shown until now."""
        elapsed, self._looked_at = now - self._looked_at, now
        at_fault: set[tuple[str, str]] = set()
        for signal, aspect in self.shown.aspects.items():
            lifted = [stop for stop, each in STOPS.items() if each == signal and self._lifted(stop)]
            if aspect == DANGER and not lifted:
                continue
            self.off_for += elapsed if aspect != DANGER else 0.0
            reason = self._why_not(signal, now)
            if reason is None:
                continue
            things = [f"signal {signal} {aspect}"] if aspect != DANGER else []
            things += [f"stop {stop} lifted" for stop in lifted]
            for thing in things:
                at_fault.add((thing, reason))
                if all(thing != each for each, _ in self._at_fault):
                    self.wrong.append(Wrong(now, thing, reason))
        self._at_fault = at_fault
        self._look_at_promises(now)

    def _lifted(self, stop: str) -> bool:
        return self.shown.lifted.get(stop, False)

    def _why_not(self, signal: str, now: float) -> str | None:
        """Return why a signal may not be off, or ``None`` where it may."""
        reasons = []
        for route in ROUTES[signal]:
            reason = next(self._against(signal, route, now), None)
            if reason is None:
                return None
            reasons.append(reason)
        return "; ".join(reasons)

    def _against(self, signal: str, route: Route, now: float) -> Iterator[str]:
        for needed in _needed(signal, route):
            if needed not in self._so_since:
                ago = now - self._last_so.get(needed, NEVER)
                if ago > self.limit:
                    yield f"{needed} was last so {ago:.3f} s ago"
            device = needed.rpartition(" ")[0]
            silent = now - self._said.get(device, NEVER)
            if silent > self.limit + PERIOD:
                yield f"{device} was last heard {silent:.3f} s ago"

    def _look_at_promises(self, now: float) -> None:
        for signal, aspect in self.shown.aspects.items():
            route = self._laid(signal)
            following = None if route is None else route.following
            shown = None if following is None else self.shown.aspects[following]
            if aspect == DANGER or shown is None or shown in MAY_FOLLOW[aspect]:
                self._promising_since.pop(signal, None)
                continue
            since = self._promising_since.setdefault(signal, now)
            if since >= 0 and now - since > self.limit:
                reason = f"{following} has shown {shown} for {now - since:.3f} s"
                self.broken_promises.append(Wrong(now, f"signal {signal} {aspect}", reason))
                self._promising_since[signal] = -1.0  # told once

    def _laid(self, signal: str) -> Route | None:
        for route in ROUTES[signal]:
            if all(f"turnout {name} {lie}" in self._so_since for name, lie in route.lies):
                return route
        return None

    # -- recovery

    def unheard(self, now: float) -> list[str]:
        """Return the devices of which a true word should have arrived by now."""
        return [device for device, said in self._said.items() if now - said > PERIOD + 0.05]

    def should_be_off(self, now: float, settled: float) -> list[str]:
        """Return the signals by whose routes everything has physically been right for so long."""
        return [signal for signal in ROUTES if self._right(signal, now - settled)]

    def physically_right(self, signal: str) -> bool:
        """Return whether everything by one of its routes is physically right now."""
        return self._right(signal, FOR_EVER)

    def _right(self, signal: str, before: float) -> bool:
        return any(
            all(
                self._so_since.get(needed, FOR_EVER + 1) <= before
                for needed in _needed(signal, route)
            )
            for route in ROUTES[signal]
        )


def _needed(signal: str, route: Route) -> Iterator[str]:
    """Yield what must be so for a route."""
    for block in route.blocks:
        yield f"detector {block} clear"
    for turnout, lie in route.lies:
        yield f"turnout {turnout} {lie}"
    if signal in HELD_BY:
        yield f"danger {HELD_BY[signal]} free"
