"""The control table: per route, everything that must be so before its signal clears.

Law of this file: facts in a fixed form; ``gather`` takes them from the layout,
the track and the practice. Equations are made from rows and from nothing else, and the
printed table is the same rows; so what is reviewed is what runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from attrs import frozen

from signalling.layout.flank import Flank
from signalling.layout.routes import (
    Route,
)
from signalling.layout.single_lines import LineEnd
from signalling.layout.track import Lies, Way
from signalling.table.announce import RouteSpeed
from signalling.table.choices import Choice, route_of

__all__ = ["Move", "Row"]


class Move(StrEnum):
    """What is done over a route."""

    MAIN = "main"
    CALL_ON = "call-on"
    """A second train goes into the occupied last block, once it has stopped at the signal."""
    SHUNT = "shunt"
    """Vehicles go into the last block, occupied or not."""


@frozen(kw_only=True)
class Row:
    """One route's row of the control table. Times are in seconds."""

    route: Route
    move: Move
    """What is done over it: a train's run by the signal's own aspect, or a subsidiary move."""
    head: str
    """Name of the signal's head in the practice."""
    splitting: str | None
    """The line for whose route from the next signal its signal has a second head."""
    indicator: str | None
    """Position of the route indicator that is lit for it."""
    indicator_proved: bool
    indicator_shown: str | None
    """What its signal's indicator must be proved to show before the signal clears: the position
    lit for it, or ``dark``; ``None`` where nothing of that is proved."""
    switches: tuple[tuple[str, str], ...]
    """Switches that take an indicator of its signal out of automatic working, and the value that
    each may have for this route besides ``auto``."""
    lamps_proved: bool
    """Whether the signal's own lamps are proved."""
    next_proved: bool
    """Whether the lamps of the signal at its end are proved."""
    speed: RouteSpeed
    """What the route's speed makes of its aspects, and how it is held until a train is close."""
    next_stops: tuple[str, ...]
    """Proved stops of the signal at its end."""
    release_after: float
    announced_from: Mapping[str, tuple[Lies, ...]]
    """Blocks from which signals in rear announce it to a train, and the lies that lead from each
    to it; empty where it is not announced."""
    forward: tuple[str, ...]
    """Routes of the signal at its end, one of which must be set before it is announced; empty where
    none need be."""
    approach_lies: Mapping[str, tuple[Lies, ...]]
    """Blocks that lead up to the signal, nearest first, and the lies with which each does."""
    approach_time: float
    hidden: tuple[float, ...] | None
    """Seconds of each hidden section beyond its end; ``None`` where there are none."""
    first_come: tuple[str, ...]
    """Routes in its way that no turnout keeps apart: the first train to come goes first."""
    apart: tuple[str, ...]
    """Routes that share its track and are kept apart by how a turnout lies."""
    siblings: tuple[str, ...]
    """The other routes of the same signal."""
    controlled: bool
    """Whether its signal clears only when somebody has asked for the route."""
    flank: tuple[Flank, ...]
    """Turnouts beside it that are laid, locked and proved to protect it from the side."""
    flank_foes: tuple[str, ...]
    """Routes that would need a turnout otherwise, one of the two in its flank only."""
    choices: tuple[Choice, ...]
    """Overlaps of which it must hold one, in order of preference."""
    overlaps_against: tuple[str, ...]
    """Such overlaps of other routes that keep it out while they are held."""
    guarded: bool
    """Whether it is locked while a train may be using it: it is controlled, has routes in its way,
    or reads over a turnout that we move or give leave to move, or over another signal's stop
    against it."""
    enters: tuple[tuple[str, LineEnd], ...]
    """Single lines that it enters, and at which end."""
    foul: tuple[str, ...]
    """Signals whose train, having passed at danger, could get in its way."""
    danger: tuple[str, ...]
    """Switches and presses that hold its signal."""
    stops: tuple[str, ...]
    """Train stops of its signal."""
    lifts: tuple[str, ...]
    """Stops of other signals that it runs over against their signals."""
    minimum_on: float
    stopped_after: float
    """How long a train must have stood before the signal, for a call-on."""

    @property
    def over(self) -> str:
        """The route that is run over: its own name, or that of which it is a move."""
        return self.name if self.move is Move.MAIN else self.name.removesuffix(f"/{self.move}")

    @property
    def clear(self) -> tuple[Way, ...]:
        """Ways through the blocks that must be clear: of a subsidiary move not the last one's."""
        return self.route.kept_clear if self.move is Move.MAIN else self.route.ways[:-1]

    @property
    def release(self) -> str:
        """How it is held: ``free``, ``from-danger``, ``from-caution`` or ``flashing``."""
        return self.speed.release

    @property
    def overlap_foes(self) -> tuple[str, ...]:
        """Routes with which it cannot be set at one time for the sake of an overlap."""
        kept_out = (name for choice in self.choices for name in choice.keeps_out)
        return tuple(dict.fromkeys((*kept_out, *map(route_of, self.overlaps_against))))

    @property
    def approach(self) -> tuple[str, ...]:
        """Blocks that lead up to the signal, nearest first."""
        return tuple(self.approach_lies)

    @property
    def lies(self) -> Lies:
        """How turnouts must lie: those of the route, of its overlap, and beside it."""
        return (*self.route.all_lies, *((each.turnout, each.lie) for each in self.flank))

    @property
    def signal(self) -> str:
        """The signal that the route starts from."""
        return self.route.signal

    @property
    def name(self) -> str:
        """The route's name."""
        return self.route.name
