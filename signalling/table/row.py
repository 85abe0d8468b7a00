"""The control table: per route, everything that must be so before its signal clears.

Law of this file: facts in a fixed form, gathered from the layout, the track
and the practice. Equations are made from rows and from nothing else, and the
printed table is the same rows; so what is reviewed is what runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

from attrs import evolve, frozen

from signalling.layout.flank import Flank, flank_of
from signalling.layout.model import Layout, Signal, SignalRoute, default_hidden
from signalling.layout.notation import Joint, Lie, parse_joint
from signalling.layout.routes import (
    End,
    Route,
    approach_lies,
    in_the_way,
    leading_to,
    that_chooses,
    without_overlap,
)
from signalling.layout.single_lines import LineEnd, entered_at
from signalling.layout.track import Lies, Track, Way, contradict
from signalling.practice.schema import Head, Practice
from signalling.table.announce import Announcing, RouteSpeed, route_speed
from signalling.table.choices import Choice, choices_of, route_of

__all__ = ["Move", "Row", "gather_rows"]


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


def gather_rows(
    layout: Layout, practice: Practice, track: Track, routes: tuple[Route, ...]
) -> tuple[Row, ...]:
    """Return the control table, in the order of the signals in the file."""
    moves: dict[str, Move] = {}
    every: list[Route] = []
    for route in routes:
        for move, moved in _moves(route, layout.signals[route.signal]):
            moves[moved.name] = move
            every.append(moved)
    # Only a route that is asked for chooses between overlaps.
    routes = tuple(
        that_chooses(route)
        if layout.signals[route.signal].controlled
        else evolve(route, choices=())
        for route in every
    )
    choices = choices_of(routes)
    automatic = {route.name for route in routes if not layout.signals[route.signal].controlled}
    heads = _heads(layout, practice)
    least = practice.ordinary[1]
    speeds = {
        route.name: route_speed(
            practice,
            _special(route, layout, moves),
            practice.heads[heads[route.signal]],
            least,
        )
        for route in routes
    }
    main_routes = tuple(route for route in routes if moves[route.name] is Move.MAIN)
    announcing = Announcing(track, practice, main_routes, speeds)
    claims = in_the_way(routes)
    users = _users(routes)
    by_signal: dict[str, list[Route]] = {}
    for route in routes:
        by_signal.setdefault(route.signal, []).append(route)
    flanks = {
        route.name: _flank(route, layout, track)
        for route in routes
        if layout.signals[route.signal].controlled
    }
    foes = _flank_foes(routes, flanks)
    danger: dict[str, list[str]] = {}
    for name, source in layout.danger.items():
        for held in source.signals:
            danger.setdefault(held, []).append(name)
    stops: dict[str, list[str]] = {}
    for name, stop in layout.stops.items():
        stops.setdefault(stop.signal, []).append(name)
    sections = _sections(layout, track)
    approaches: dict[Joint, Mapping[str, tuple[Lies, ...]]] = {}
    rows = []
    for route in routes:
        signal = layout.signals[route.signal]
        special = signal.routes.get(route.line, SignalRoute())
        head = heads[route.signal]
        hidden = _hidden(signal, route, practice.heads[head], practice)
        main = moves[route.name] is Move.MAIN
        if route.entry not in approaches:
            approaches[route.entry] = approach_lies(track, route.entry)
        sharing = _sharing(route, users)
        first_come = tuple(
            dict.fromkeys(
                (
                    *(other.name for other in claims[route.name]),
                    *choices.against_automatic(route.name, automatic),
                )
            )
        )
        lifts = tuple(
            name
            # Of a move into occupied track, not where somebody else may stand at danger.
            for way in (route.ways if main else route.ways[:-1])
            for name, ends in sections.get(way.block, ())
            if way.rear in ends
        )
        rows.append(
            Row(
                route=route,
                move=moves[route.name],
                head=head,
                splitting=signal.splitting,
                indicator=str(special.indicator)
                if main and special.indicator is not None
                else None,
                indicator_proved=main and special.indicator_proved,
                indicator_shown=_indicator_shown(signal, special) if main else None,
                switches=tuple(
                    (f"{route.signal}/{line}", "lit" if line == route.line else "dark")
                    for line, other in signal.routes.items()
                    if other.override
                ),
                lamps_proved=main and signal.lamps_proved,
                next_proved=main
                and route.exit is not None
                and layout.signals[route.exit].lamps_proved,
                speed=speeds[route.name],
                next_stops=tuple(
                    name
                    for name in stops.get(route.exit or "", ())
                    if main and layout.stops[name].proved
                ),
                release_after=special.release_after,
                announced_from=_announced_from(announcing, speeds[route.name], route, hidden),
                forward=_forward(
                    layout, route, [on for on in main_routes if on.signal == route.exit]
                )
                if speeds[route.name].release == "flashing"
                else (),
                approach_lies=approaches[route.entry],
                approach_time=_first(signal.approach_time, layout.settings.approach_time),
                hidden=hidden,
                first_come=first_come,
                apart=tuple(
                    name
                    for name, other in sharing.items()
                    if other.signal != route.signal and contradict(route.all_lies, other.all_lies)
                ),
                siblings=tuple(
                    other.name for other in by_signal[route.signal] if other.name != route.name
                ),
                controlled=signal.controlled,
                flank=flanks.get(route.name, ()),
                flank_foes=tuple(foes.get(route.name, ())),
                choices=choices.by_route.get(route.name, ()),
                overlaps_against=choices.against.get(route.name, ()),
                guarded=bool(first_come or lifts or signal.controlled)
                or any(
                    layout.turnouts[turnout].moved_by == "us" or layout.turnouts[turnout].lock
                    for turnout, _ in route.all_lies
                ),
                enters=tuple(
                    (name, end)
                    for name, line in layout.single_lines.items()
                    if (end := entered_at(line, route, track)) is not None
                ),
                foul=tuple(
                    dict.fromkeys([route.signal, *(other.signal for other in sharing.values())])
                ),
                danger=tuple(danger.get(route.signal, ())),
                stops=tuple(stops.get(route.signal, ())),
                lifts=lifts,
                minimum_on=_first(signal.minimum_on, layout.settings.minimum_on),
                stopped_after=signal.stopped_after,
            )
        )
    return tuple(rows)


def _moves(route: Route, signal: Signal) -> Iterable[tuple[Move, Route]]:
    """Yield a route, and what else may be done over it."""
    yield Move.MAIN, route
    special = signal.routes.get(route.line)
    if special is not None and signal.controlled:
        for wanted, move in ((special.call_on, Move.CALL_ON), (special.shunt, Move.SHUNT)):
            if wanted:
                yield move, without_overlap(route, f"{route.name}/{move}")


def _special(route: Route, layout: Layout, moves: Mapping[str, Move]) -> SignalRoute:
    """Return what is special about how a route is signalled; of a subsidiary move nothing."""
    if moves[route.name] is not Move.MAIN:
        return SignalRoute()
    return layout.signals[route.signal].routes.get(route.line, SignalRoute())


def _flank(route: Route, layout: Layout, track: Track) -> tuple[Flank, ...]:
    """Return what protects a route from the side, of turnouts that can be laid and locked."""
    return tuple(
        flank
        for flank in flank_of(route, track)
        if layout.turnouts[flank.turnout].moved_by == "us" or layout.turnouts[flank.turnout].lock
    )


def _flank_foes(
    routes: tuple[Route, ...], flanks: Mapping[str, tuple[Flank, ...]]
) -> Mapping[str, dict[str, None]]:
    """Return, by route, those that need a turnout otherwise, for the flank of one."""
    needs: dict[tuple[str, Lie], dict[str, bool]] = {}
    for route in routes:
        for turnout, lie in route.all_lies:
            needs.setdefault((turnout, lie), {})[route.name] = False
        for flank in flanks.get(route.name, ()):
            needs.setdefault((flank.turnout, flank.lie), {})[route.name] = True
    foes: dict[str, dict[str, None]] = {}
    for (turnout, lie), ones in needs.items():
        for other, beside in needs.get((turnout, lie.other), {}).items():
            for one, beside_one in ones.items():
                if beside or beside_one:
                    foes.setdefault(one, {})[other] = None
    return foes


def _sections(layout: Layout, track: Track) -> Mapping[str, list[tuple[str, tuple[str, ...]]]]:
    """Return, by block, the stops that act there and where trains for their signals go on to.

    Trains against a stop's signal come into the section from those blocks.
    """
    sections: dict[str, list[tuple[str, tuple[str, ...]]]] = {}
    for name, stop in layout.stops.items():
        entry = parse_joint(layout.signals[stop.signal].at)
        section = stop.section or entry.rear
        ends = leading_to(track, entry).get(section, ())
        sections.setdefault(section, []).append((name, ends))
    return sections


def _heads(layout: Layout, practice: Practice) -> Mapping[str, str]:
    """Return the name of each signal's head. Raises ``KeyError`` where the practice has none."""
    heads = {}
    for name, signal in layout.signals.items():
        if signal.distant is not False:
            continue
        head = practice.head_name(signal.aspects, signal.head)
        if head is None:
            raise KeyError(f"signal {name}: no head of {signal.aspects} aspects")
        heads[name] = head
    return heads


def _announced_from(
    announcing: Announcing, speed: RouteSpeed, route: Route, hidden: tuple[float, ...] | None
) -> Mapping[str, tuple[Lies, ...]]:
    """Return from where a route is announced; from nowhere, where nothing is known beyond it."""
    if speed.release != "flashing" or (route.end is End.OPEN and hidden is None):
        return {}
    return announcing.places(route)


def _forward(layout: Layout, route: Route, onward: list[Route]) -> tuple[str, ...]:
    """Return the routes beyond a fast diverging one, one of which must be set before it flashes.

    None, where the signal at its end is automatic, or has a distant signal before it, or a train
    stop covers it. (The first signal beyond the junction: GK/RT0045 section 5.2.3.6, as quoted at
    irse.signalpost.org tid=857.) A buffer stop is the end of a platform where all trains stop.
    """
    if route.exit is None or not layout.signals[route.exit].controlled:
        return ()
    if any(stop.signal == route.exit for stop in layout.stops.values()):
        return ()
    inside = {(way.block, way.ahead) for way in route.ways[:-1]}
    for signal in layout.signals.values():
        if signal.distant is not False:
            joint = parse_joint(signal.at)
            if (joint.rear, joint.ahead) in inside:
                return ()
    return tuple(each.name for each in onward)


def _first(own: float | None, common: float) -> float:
    return common if own is None else own


def _indicator_shown(signal: Signal, special: SignalRoute) -> str | None:
    """Return what a signal's indicator must be proved to show for one of its routes.

    (The right indicator is proved lit, or all dark, before the signal clears: UK practice.)
    """
    if special.indicator is not None:
        return str(special.indicator) if special.indicator_proved else None
    return "dark" if any(route.indicator_proved for route in signal.routes.values()) else None


def _hidden(
    signal: Signal, route: Route, head: Head, practice: Practice
) -> tuple[float, ...] | None:
    """Return the seconds of the hidden sections beyond a route's end, if it has any."""
    if route.end is not End.OPEN or signal.hidden is None or signal.hidden is False:
        return None
    if signal.hidden is True:
        # A head of four aspects steps through two cautions, of three through one.
        return default_hidden(len({head.next[beyond] for beyond in practice.ordinary}) - 1)
    return signal.hidden


def _users(routes: tuple[Route, ...]) -> Mapping[str, tuple[Route, ...]]:
    """Return, by block, the routes that keep it clear, overlaps included."""
    users: dict[str, dict[str, Route]] = {}
    for route in routes:
        for way in route.kept_clear:
            users.setdefault(way.block, {})[route.name] = route
    return {block: tuple(found.values()) for block, found in users.items()}


def _sharing(route: Route, users: Mapping[str, tuple[Route, ...]]) -> dict[str, Route]:
    """Return the other routes that share a block with this one, by name."""
    return {
        other.name: other
        for way in route.kept_clear
        for other in users[way.block]
        if other.name != route.name
    }
