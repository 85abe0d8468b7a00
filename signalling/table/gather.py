"""Gathering the rows of the control table from the layout, the track and the practice.

Law of this file: look-ups and geometry, each fact of a row once; no equation,
and nothing of how a row is printed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import evolve

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
from signalling.layout.single_lines import entered_at
from signalling.layout.track import Lies, Track, contradict
from signalling.practice.schema import Head, Practice
from signalling.table.announce import Announcing, RouteSpeed, route_speed
from signalling.table.choices import choices_of
from signalling.table.row import Move, Row

__all__ = ["gather_rows"]


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
