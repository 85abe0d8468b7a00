"""Checks of the whole: what follows from track, signals and rows taken together.

Law of this file: warnings about layouts that are sound as files and will
probably not do what their authors want, each with the rule's reason. It reads
the rows of the control table and adds nothing to them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from signalling.layout.findings import Findings, listed
from signalling.layout.model import SignalRoute
from signalling.layout.notation import Joint, parse_joint
from signalling.layout.routes import End
from signalling.practice.schema import DANGER, Practice
from signalling.table.distant import DistantRow
from signalling.table.row import Move, Row
from signalling.table.table import Table

__all__ = ["check_track"]


def check_track(table: Table, findings: Findings) -> None:
    """Say what will probably not do what the author wants."""
    by_signal: dict[str, list[Row]] = {}
    for row in table.rows:
        if row.move is Move.MAIN:
            by_signal.setdefault(row.signal, []).append(row)
    for rows in by_signal.values():
        _check_turnouts(table, findings, rows)
        _check_own_train(findings, rows)
        _check_warning(table, findings, rows)
        _check_told_apart(table, findings, rows)
        _check_release(table, findings, rows)
        _check_announcing(table, findings, rows, by_signal)
        _check_splitting(findings, rows, by_signal)
        _check_hidden(table, findings, rows)
    distants: dict[str, list[DistantRow]] = {}
    for distant in table.distants:
        distants.setdefault(distant.signal, []).append(distant)
    for ways in distants.values():
        _check_splitting(findings, ways, by_signal)
    _check_distants(table, findings)
    _check_stand_off(table, findings)
    _check_stops(table, findings)
    _check_stop_proofs(table, findings)
    _check_sections(table, findings)
    _check_beams(table, findings)
    _check_sequence(table, findings)


def _at(signal: str) -> tuple[str, ...]:
    return "signals", signal


def _check_turnouts(table: Table, findings: Findings, rows: list[Row]) -> None:
    """Say which signals read over a turnout that anyone may throw: they cannot be proved."""
    turnouts = table.layout.turnouts
    loose = sorted(
        {
            turnout
            for row in rows
            for turnout, _ in row.route.all_lies
            if turnouts[turnout].moved_by == "others" and not turnouts[turnout].lock
        }
    )
    if loose:
        findings.note(
            _at(rows[0].signal),
            f"signal {rows[0].signal}",
            f"It reads over {listed(f'turnout {name}' for name in loose)}, which others may throw "
            "at any time, also under a train that has just passed the signal off.",
            "Give the turnout a lock (`lock = true`) or let us move it (`moved_by = 'us'`).",
        )


def _check_own_train(findings: Findings, rows: list[Row]) -> None:
    """Say which routes need the block clear in which their own train waits."""
    for row in rows:
        if row.route.entry.rear in {way.block for way in row.route.kept_clear}:
            findings.warning(
                _at(row.signal),
                f"route {row.name}",
                f"It needs block {row.route.entry.rear} clear, where its own train waits, so the "
                "signal never clears for that train.",
                "Put another signal of the same direction on the way, or shorten the overlap.",
            )


def _check_warning(table: Table, findings: Findings, rows: list[Row]) -> None:
    """Say which signals show their best aspect with the next one at danger."""
    for row in rows:
        aspect = row.speed.next[DANGER]
        # The least proceed aspect is the warning itself.
        if row.route.exit is not None and aspect != row.speed.held_at and not _warned(table, row):
            titles = {each.name: each.title for each in table.practice.aspects}
            findings.note(
                _at(row.signal),
                f"signal {row.signal}",
                f"Its {titles[aspect]} aspect says nothing of signal {row.route.exit}, which may "
                "be at danger: the driver is not warned of it here.",
                "Give it a third aspect, or keep the speed low enough to stop at sight.",
            )
            return


def _warned(table: Table, row: Row) -> bool:
    """Return whether a distant signal on a route, or below its signal, tells of the next one."""
    joints = {row.route.entry, *(Joint(way.block, way.ahead or "") for way in row.route.ways[:-1])}
    return any(
        distant.route.entry in joints and distant.route.exit == row.route.exit
        for distant in table.distants
    )


def _check_told_apart(table: Table, findings: Findings, rows: list[Row]) -> None:
    """Say which routes look the same to a driver who is sent over one of them."""
    for index, row in enumerate(rows):
        other = next((each for each in rows[:index] if _alike(each, row)), None)
        if other is not None:
            shown = "no indicator" if row.indicator is None else f"indicator {row.indicator}"
            findings.warning(
                _at(row.signal),
                f"route {row.name}",
                f"It shows {shown}, as route {other.name} does, so a driver cannot tell the two "
                "apart.",
                _tell_apart(table.practice, row),
            )


def _alike(one: Row, other: Row) -> bool:
    """Return whether two routes of one signal may look the same: by indicator and aspect."""
    same = one.route.entry == other.route.entry and one.indicator == other.indicator
    return same and not set(one.speed.next.values()).isdisjoint(other.speed.next.values())


def _tell_apart(practice: Practice, row: Row) -> str:
    """Return how a driver can be told of a route, by what the practice has for that."""
    position = next(iter(practice.indicators), '"A"' if practice.letters else None)
    if position is not None:
        given = f"indicator = {position}"
        return f"Give one of them an indicator: `routes = {{ {row.route.line} = {{ {given} }} }}`."
    if practice.speeds:
        given = f'speed = "{next(iter(practice.speeds))}"'
        return (
            f"Where the turnouts ask for it, give one of them a speed, `routes = {{ "
            f"{row.route.line} = {{ {given} }} }}`, and the signal a head that shows it."
        )
    return f"Practice {practice.name} has neither indicators nor speeds; give it one of them."


def _check_release(table: Table, findings: Findings, rows: list[Row]) -> None:
    """Say which routes cannot be held or announced as they should be."""
    for row in rows:
        special = table.layout.signals[row.signal].routes.get(row.route.line, SignalRoute())
        place, thing = (*_at(row.signal), "routes", row.route.line), f"route {row.name}"
        wanted: str | None = special.release
        if wanted is None and row.speed.name is not None:
            wanted = table.practice.speeds[row.speed.name].release
        if wanted not in (None, row.release):
            findings.warning(
                place,
                thing,
                f"Its head cannot show {row.speed.held_at}, so it is held "
                f"{row.release} instead of {wanted}.",
                f"Write `release = '{row.release}'`, or give the signal more aspects.",
            )
        elif row.release == "flashing" and not row.announced_from:
            findings.warning(
                place,
                thing,
                "No signal in rear announces it, so its signal is held at danger until the train "
                "is close.",
                "Give the signal in rear a head that can flash, or write "
                "`release = 'from-caution'` or `release = 'from-danger'`.",
            )


def _check_announcing(
    table: Table, findings: Findings, rows: list[Row], by_signal: Mapping[str, list[Row]]
) -> None:
    """Say which signals announce a speed, and have not the position to say which."""
    name, practice = rows[0].signal, table.practice
    able = {str(position) for position in table.layout.signals[name].announces}
    told: set[str] = set()
    for row in rows:
        for beyond in by_signal.get(row.route.exit or "", ()):
            position, reads_as = beyond.indicator, beyond.speed.reads_as
            if position is None or reads_as is None or position in able | told:
                continue
            aspect = row.speed.next[reads_as]
            stands = practice.indicators.get(position)
            if stands is None or stands.speed is None or aspect in practice.ordinary:
                continue
            told.add(position)
            findings.warning(
                _at(name),
                f"signal {name}",
                f"It shows {aspect} before route {beyond.name}, and cannot announce its "
                f"{position}.",
                f"Give it an indicator for that: `announces = [{position}]`.",
            )


def _check_splitting(
    findings: Findings, rows: Sequence[Row | DistantRow], by_signal: Mapping[str, list[Row]]
) -> None:
    """Say which second heads speak of no route, or of every one."""
    name, line = rows[0].signal, rows[0].splitting
    if line is None:
        return
    ways = [row.route.line for each in rows for row in by_signal.get(each.route.exit or "", ())]
    if not (line in ways and set(ways) - {line}):
        head, why = (
            ("first", f"every route of the next signal runs along {line}")
            if line in ways
            else ("second", f"the next signal has no route along {line}")
        )
        findings.warning(
            (*_at(name), "splitting"),
            f"signal {name}",
            f"Its {head} head never shows more than caution, since {why}.",
            "Name a line that one of the routes from the next signal follows, and others do not.",
        )


def _check_hidden(table: Table, findings: Findings, rows: list[Row]) -> None:
    """Say which hidden sections do nothing, since no route leaves the scene."""
    hidden = table.layout.signals[rows[0].signal].hidden
    if hidden not in (None, False) and not any(row.route.end is End.OPEN for row in rows):
        findings.warning(
            (*_at(rows[0].signal), "hidden"),
            f"signal {rows[0].signal}",
            "None of its routes runs out of the described track, so its hidden sections do "
            "nothing.",
            "Take `hidden` out, or let its line end beyond it.",
        )


def _check_distants(table: Table, findings: Findings) -> None:
    """Say which distant signals tell of no main signal, or of one that their trains do not meet."""
    following: dict[str, set[str]] = {}
    for main in table.rows:
        if main.route.exit is not None:
            following.setdefault(main.signal, set()).add(main.route.exit)
    for name in dict.fromkeys(row.signal for row in table.distants):
        rows = [row for row in table.distants if row.signal == name]
        thing = f"signal {name}"
        for row in rows:
            if row.route.exit is None:
                findings.warning(
                    _at(name),
                    f"{thing}, {row.route.line}",
                    "No main signal follows it there, so it shows its most restrictive aspect for "
                    "ever.",
                    "Put a main signal on the way, or take the distant signal away.",
                )
        named = dict.fromkeys(each for row in rows for each in row.mains)
        reached = {row.route.exit for row in rows} & named.keys()
        while (
            more := {beyond for each in reached for beyond in following.get(each or "", ())}
            & named.keys() - reached
        ):
            reached |= more
        for each in named:
            if each not in reached:
                findings.warning(
                    (*_at(name), "distant"),
                    thing,
                    f"Its trains do not come to signal {each} by main signals that it names, so it "
                    "does not wait for that.",
                    "Name every main signal on the way, the nearest first.",
                )


def _check_stand_off(table: Table, findings: Findings) -> None:
    """Say which automatic signals let trains come to stand facing each other."""
    rows = {row.name: row for row in table.rows}
    told: set[frozenset[str]] = set()
    for row in table.rows:
        for other in (rows[name] for name in row.first_come):
            pair = frozenset((row.signal, other.signal))
            if row.controlled or other.controlled:
                continue  # whoever asks for routes sees to it
            if pair in told or not _head_on(row, other):
                continue
            told.add(pair)
            findings.warning(
                _at(row.signal),
                f"signal {row.signal}",
                f"Signal {other.signal} lets trains run against it over "
                f"{listed(_shared(row, other))}; two trains may come to stand facing each other.",
                "Let trains run one way only there, or let a turnout lead them past each other.",
            )


def _head_on(one: Row, two: Row) -> bool:
    """Return whether two routes run over some block in opposite directions."""
    runs = {(way.block, way.rear, way.ahead) for way in one.route.ways}
    return any((way.block, way.ahead, way.rear) in runs for way in two.route.ways)


def _shared(one: Row, two: Row) -> Iterable[str]:
    others = set(two.route.blocks)
    return (f"block {block}" for block in one.route.blocks if block in others)


def _check_stops(table: Table, findings: Findings) -> None:
    """Say which stops stop nothing when the power has gone."""
    for name, stop in table.layout.stops.items():
        if stop.unpowered == "lifted":
            findings.warning(
                ("stops", name),
                f"stop {name}",
                "Without power it lets trains pass its signal, whatever the signal shows.",
                "Wire it so that it is applied without power, and write `unpowered = 'applied'`.",
            )


def _check_stop_proofs(table: Table, findings: Findings) -> None:
    """Say which stops are proved to nobody."""
    asked = {stop for row in table.rows for stop in row.next_stops}
    for name, stop in table.layout.stops.items():
        if stop.proved and name not in asked:
            findings.note(
                ("stops", name, "proved"),
                f"stop {name}",
                f"No signal leads to signal {stop.signal}, so none waits for the proof that the "
                "stop is applied; only an alarm is raised.",
                "Put a signal of the same direction before it, where trains come that way.",
            )


def _check_sections(table: Table, findings: Findings) -> None:
    """Say which stops catch trains that a turnout leads to another signal."""
    layout, track = table.layout, table.track
    at_block: dict[str, list[tuple[str, Joint]]] = {}
    for name, stop in layout.stops.items():
        entry = parse_joint(layout.signals[stop.signal].at)
        if stop.section not in (None, entry.rear):
            continue
        stops = at_block.setdefault(entry.rear, [])
        for other, theirs in stops:
            onward = {way.ahead for way in track.on_from(theirs.opposite)}
            if theirs != entry and entry.ahead not in onward:
                findings.warning(
                    ("stops", name),
                    f"stop {name}",
                    f"It acts on block {entry.rear}, and so does stop {other}: a train that is led "
                    "to the signal of the one is stopped by the other.",
                    "Put the signals where their trains have parted.",
                )
        stops.append((name, entry))


def _check_beams(table: Table, findings: Findings) -> None:
    """Say, once per block, what beams cannot see."""
    sections = {detector.block for detector in table.layout.detectors.values()}
    for block in table.layout.blocks:
        if block not in sections:
            findings.note(
                ("blocks", block),
                f"block {block}",
                "Only spot detectors see it: they do not notice a vehicle that is left behind or "
                "lifted off between them, nor that a train still stands there with a gap between "
                "vehicles over a beam for longer than the hold-off; and after each start a person "
                "must restore the block or a train must leave it.",
                "Use a section detector where that matters.",
            )


def _check_sequence(table: Table, findings: Findings) -> None:
    """Say where trains that leave the scene would count as vanished."""
    open_ends = {row.route.blocks[-1] for row in table.rows if row.route.end is End.OPEN}
    for name, block in table.layout.blocks.items():
        if block.sequence and name in open_ends:
            findings.warning(
                ("blocks", name),
                f"block {name}",
                "Trains leave the described track from here, and each that does would count as "
                "vanished, since `sequence` is set.",
                "Take `sequence = true` out.",
            )
