"""The control table as the trade reads it: a sheet with a row per route.

Law of this file: it puts rows into words and adds nothing. What a cell says,
the equations ask for; a column's sentence says how.
"""

from __future__ import annotations

from collections.abc import Mapping

from signalling.layout.notation import Lie, Step
from signalling.layout.routes import End, Route
from signalling.practice.schema import DANGER, Practice
from signalling.table.conflicts import Reasons, conflicts_of, excludes
from signalling.table.distant import DistantRow
from signalling.table.row import Move, Row
from signalling.table.sheet import MODEL_ONLY, Column, Sheet, Value
from signalling.table.table import Table

__all__ = ["control_table"]

COLUMNS = (
    Column(key="signal", title="Signal", group="Route", sentence="The signal that clears for it."),
    Column(
        key="route",
        title="Route",
        group="Route",
        sentence="The route's name: the signal, and the line that the route follows.",
    ),
    Column(
        key="at",
        title="At",
        group="Route",
        sentence="Where the signal stands: the block before it, and the block that the route "
        "begins with.",
    ),
    Column(
        key="to",
        title="To",
        group="Route",
        between=" ",
        sentence="What the route ends at: the next signal of its direction, a buffer stop, or the "
        "border of the described track.",
    ),
    Column(
        key="head",
        title="Head",
        group="Route",
        sentence="The kind of the signal's head, by its name in the practice.",
    ),
    Column(
        key="controlled",
        title="Controlled",
        group="Route",
        sentence="Whether the signal clears only when somebody has asked for the route. The route "
        "is locked then, and its turnouts are moved.",
    ),
    Column(
        key="splitting",
        title="Second head",
        group="Route",
        sentence="The line for whose route from the exit signal a second head shows the aspect; "
        "the first head then shows it for the other routes, and each caution for those of the "
        "other.",
    ),
    Column(
        key="aspects",
        title="Aspect by what is ahead",
        group="Aspect",
        sentence="What the signal shows while everything else in the row is so, by the aspect of "
        "the exit signal, or by the hidden section that a train is in.",
    ),
    Column(
        key="indicator",
        title="Indicator",
        group="Aspect",
        sentence="The position of the route indicator that is lit.",
    ),
    Column(
        key="speed",
        title="Speed",
        group="Aspect",
        sentence="How fast the route may be run over, by its name in the practice.",
    ),
    Column(
        key="reads_as",
        title="Reads as, at best",
        group="Aspect",
        sentence="The least restrictive that the signal is to the signal in rear while it is off "
        "by the route, whatever its lamps show.",
    ),
    Column(
        key="hidden",
        title="Hidden sections",
        group="Aspect",
        unit="s",
        sentence="How long a train that has left the last block takes through each hidden section.",
    ),
    Column(
        key="mains",
        title="Signals off",
        group="Aspect",
        sentence="For a distant signal: main signals that must be off, so far as they stand one "
        "after another on the way, and the one on its own post. Without that it shows its most "
        "restrictive aspect.",
    ),
    Column(
        key="blocks",
        title="Blocks clear",
        group="Track",
        sentence="Blocks of the route, in order; each must be clear. Of the last one of a move "
        "into occupied track nothing is asked.",
    ),
    Column(
        key="overlap",
        title="Overlap clear",
        group="Track",
        sentence="Blocks beyond the exit signal that must be clear too; of several overlaps, one "
        "with its turnouts as they are written. With a reduced one the signal is held at danger "
        "until its train is close.",
    ),
    Column(
        key="normal",
        title="Turnouts normal",
        group="Track",
        sentence="Turnouts of the route and its overlap that must be detected normal.",
    ),
    Column(
        key="reverse",
        title="Turnouts reverse",
        group="Track",
        sentence="Turnouts of the route and its overlap that must be detected reverse.",
    ),
    Column(
        key="flank",
        title="Flank",
        group="Track",
        between=" ",
        sentence="Turnouts beside the route that protect it from the side: laid so, locked, and "
        "detected.",
    ),
    Column(
        key="conflicts",
        title="Conflicting routes",
        group="Other routes",
        sentence="Every route that can never be locked, or off, at one time with it. The conflict "
        "matrix says why.",
    ),
    Column(
        key="apart",
        title="Apart by turnouts",
        group="Other routes",
        printed=False,
        sentence="Routes over the same track that need a turnout to lie the other way, so that "
        "both can never be given.",
    ),
    Column(
        key="first_come",
        title="First come, first served",
        group="Other routes",
        printed=False,
        sentence="Routes in its way that no turnout keeps apart: it is given only while none of "
        "them is locked, to the train that came first.",
    ),
    Column(
        key="foul",
        title="Not passed at danger",
        group="Other routes",
        sentence="Signals whose train could get in its way: none of them may have been passed at "
        "danger and not yet acknowledged.",
    ),
    Column(
        key="locked",
        title="Route locked",
        group="Locking",
        sentence="Whether the route is locked while a train may use it. It is given only while "
        "no other route of its signal, and none that it is kept apart from, is locked, and while "
        "nobody has asked to move its turnouts.",
    ),
    Column(
        key="approach",
        title="Approach blocks",
        group="Locking",
        sentence="Blocks that lead up to the signal, nearest first. With a train in them, a "
        "locked route is not given up at once.",
    ),
    Column(
        key="approach_time",
        title="Approach time",
        group="Locking",
        unit="s",
        sentence="How long after the signal was put back an approaching train counts as stopped, "
        "so that the lock may go.",
    ),
    Column(
        key="sectional_release",
        title="Freed in this order",
        group="Locking",
        sentence="Blocks of the route and then of its overlap, each freed behind the train when it "
        "is clear and those before it are freed.",
    ),
    Column(
        key="overlap_time",
        title="Overlap freed after",
        group="Locking",
        unit="s",
        sentence="How long after its train has arrived in the last block, with all others freed, "
        "the overlap is freed too, as the train counts as stopped.",
    ),
    Column(
        key="release",
        title="Approach release",
        group="Release",
        sentence="Where the signal is held until a train is reported in the block before it: at "
        "danger (from-danger), at its most restrictive proceed aspect (from-caution), or at that "
        "while signals in rear announce the route, and at danger while they do not (flashing).",
    ),
    Column(
        key="release_after",
        title="Released after",
        group="Release",
        unit="s",
        sentence="How long that train must have been there.",
    ),
    Column(
        key="announced_from",
        title="Announced from",
        group="Release",
        sentence="Blocks in one of which a train must be reported, with the turnouts leading it "
        "here, before signals in rear announce the route.",
    ),
    Column(
        key="forward",
        title="Set beyond",
        group="Release",
        sentence="Routes one of which must be set, too, before signals in rear announce the route.",
    ),
    Column(
        key="danger",
        title="Danger inputs free",
        group="Also",
        sentence="Switches and presses, none of which may hold danger.",
    ),
    Column(
        key="proved",
        title="Proved",
        group="Also",
        between=" ",
        sentence="Lamps and indicators that must be proved to be so; and train stops of the exit "
        "signal, each of them while it is ordered so.",
    ),
    Column(
        key="switches",
        title="Indicator switches",
        group="Also",
        sentence="How each switch that takes an indicator out of automatic working may stand.",
    ),
    Column(
        key="minimum_on",
        title="Time at danger",
        group="Also",
        unit="s",
        sentence="How long the signal must have been at danger before it clears.",
    ),
    Column(
        key="stops",
        title="Stops worked",
        group="Also",
        sentence="Train stops that are applied while the signal is on.",
    ),
    Column(
        key="lifts",
        title="Stops lifted",
        group="Also",
        sentence="Stops of other signals that its train runs over against them, lifted meanwhile.",
    ),
)

_LAW = (
    "A signal is off by a route only while everything in the route's row is so and nobody holds "
    "the signal; else it is at danger."
)


def control_table(table: Table) -> Sheet:
    """Return the control table of a compiled layout."""
    met: dict[str, set[str]] = {}
    for row in table.rows:
        shown = met.setdefault(row.signal, set(table.practice.heads[row.head].shows))
        if row.speed.reads_as is not None:
            shown.add(row.speed.reads_as)
    conflicts = conflicts_of(table.rows)
    return Sheet(
        kind="control-table",
        layout=table.layout.settings.name,
        practice=table.practice.name,
        title="Control table",
        notes=(
            f"Practice: {table.practice.title}.",
            _LAW,
            "The equations that run are made from these rows.",
            MODEL_ONLY,
        ),
        columns=COLUMNS,
        names="route",
        parts="signal",
        headings={},
        rows=(
            *(_cells(row, met, table.practice, conflicts[row.name]) for row in table.rows),
            *(_of_distant(row, met, table) for row in table.distants),
        ),
    )


def _cells(
    row: Row,
    met: Mapping[str, set[str]],
    practice: Practice,
    conflicts: Mapping[str, Reasons],
) -> Mapping[str, Value | None]:
    route, lies = row.route, row.route.all_lies
    return {
        "signal": row.signal,
        "route": row.name,
        "at": str(route.entry),
        "to": _to(row.route),
        "head": row.head,
        "controlled": row.controlled,
        "splitting": row.splitting,
        "aspects": _aspects(row, met, practice),
        "indicator": row.indicator,
        "speed": row.speed.name,
        "reads_as": row.speed.reads_as,
        "mains": (),
        "hidden": row.hidden or (),
        "blocks": tuple(way.block for way in row.clear if way not in route.overlap),
        "overlap": _overlaps(row),
        "normal": tuple(turnout for turnout, lie in lies if lie is Lie.NORMAL),
        "reverse": tuple(turnout for turnout, lie in lies if lie is Lie.REVERSE),
        "flank": {each.turnout: str(each.lie) for each in row.flank},
        "conflicts": tuple(name for name, why in conflicts.items() if excludes(why)),
        "apart": row.apart,
        "first_come": row.first_come,
        "foul": row.foul,
        "locked": row.guarded,
        "approach": row.approach if row.guarded else (),
        "approach_time": row.approach_time if row.guarded else None,
        "sectional_release": tuple(way.block for way in row.route.kept_clear)
        if row.guarded
        else (),
        "overlap_time": row.approach_time
        if row.guarded and (row.route.overlap or row.choices)
        else None,
        "release": None if row.release == "free" else row.release,
        "release_after": None if row.release == "free" else row.release_after,
        "announced_from": tuple(row.announced_from),
        "forward": row.forward,
        "danger": row.danger,
        "proved": _proved(row),
        "switches": {name: f"auto or {allowed}" for name, allowed in row.switches},
        "minimum_on": row.minimum_on or None,
        "stops": row.stops,
        "lifts": row.lifts,
    }


def _of_distant(
    row: DistantRow, met: Mapping[str, set[str]], table: Table
) -> Mapping[str, Value | None]:
    """Return the cells of a way on from a distant signal: it needs no track, and holds none."""
    like = _cells(table.rows[0], met, table.practice, {})
    lies, ahead = row.route.lies, met.get(row.route.exit or "", set())
    cells: dict[str, Value | None] = {key: _blank(value) for key, value in like.items()}
    mains = row.mains if row.slotted is None else tuple(dict.fromkeys((row.slotted, *row.mains)))
    cells |= {
        "signal": row.signal,
        "route": row.name,
        "at": str(row.route.entry),
        "to": _to(row.route),
        "head": row.head,
        "aspects": {
            aspect.name: row.next[aspect.name]
            for aspect in table.practice.aspects
            if aspect.name in ahead
        },
        "mains": mains,
        "splitting": row.splitting,
        "normal": tuple(turnout for turnout, lie in lies if lie is Lie.NORMAL),
        "reverse": tuple(turnout for turnout, lie in lies if lie is Lie.REVERSE),
        "danger": tuple(
            name for name, held in table.layout.danger.items() if row.signal in held.signals
        ),
    }
    return cells


def _blank(value: Value | None) -> Value | None:
    """Return the cell of the same kind in which nothing stands."""
    match value:
        case bool():
            return False
        case tuple():
            return ()
        case Mapping():
            return {}
    return None


def _to(route: Route) -> Mapping[str, str]:
    match route.end:
        case End.SIGNAL:
            return {"signal": route.exit or ""}
        case End.BUFFER:
            return {"buffer in": route.blocks[-1]}
        case End.OPEN:
            return {"open track beyond": route.blocks[-1]}


def _overlaps(row: Row) -> tuple[str, ...]:
    """Return the blocks of the overlap, or each overlap that the route may choose, in words."""
    if not row.choices:
        return tuple(way.block for way in row.route.overlap)
    return tuple(
        f"{'or ' if number else ''}{_path(choice.route)}{' (reduced)' if choice.reduced else ''}"
        for number, choice in enumerate(row.choices)
    )


def _path(route: Route) -> str:
    """Return the track of an overlap as the layout file writes it."""
    return " > ".join(str(Step(way.block, way.lies)) for way in route.ways)


def _proved(row: Row) -> Mapping[str, str]:
    proved = {}
    if row.lamps_proved:
        proved[f"lamps of {row.signal}"] = "lit"
    if row.next_proved:
        proved[f"lamps of {row.route.exit}"] = "lit"
    if row.indicator_shown is not None:
        proved[f"indicator of {row.signal}"] = row.indicator_shown
    for stop in row.next_stops:
        proved[f"stop {stop}"] = "applied"
    return proved


def _aspects(row: Row, met: Mapping[str, set[str]], practice: Practice) -> Mapping[str, str]:
    """Return the signal's aspect by what is ahead, in words, most restrictive first.

    ``met`` is how each signal may read: what it shows, and what its routes read as.
    """
    if row.move is not Move.MAIN:
        return {"anything": str(row.move)}
    following = row.speed.next
    if row.route.exit is not None:
        names = [each.name for each in practice.aspects if each.name in met[row.route.exit]]
        return {name: following[name] for name in names}
    if row.route.end is End.BUFFER:
        return {"buffer": following[DANGER]}
    # Each hidden section works as if a signal like this one stood at its beginning.
    beyond, aspects = DANGER, {}
    for section in range(1, len(row.hidden or ()) + 1):
        aspects[f"hidden {section}"] = following[beyond]
        beyond = practice.heads[row.head].next[beyond]
    return {**aspects, "none hidden": following[practice.aspects[-1].name]}
