"""The conflict matrix: routes by routes, each cell saying why the two never go together.

Law of this file: it puts conflicts into words and adds nothing. People get a
matrix; programs get a row for each pair that conflicts.
"""

from __future__ import annotations

from signalling.table.conflicts import Reasons, Why, conflicts_of, excludes
from signalling.table.sheet import MODEL_ONLY, Column, Sheet
from signalling.table.table import Table

__all__ = ["PAIR_COLUMNS", "conflict_matrix", "conflict_pairs"]

_WHY = (
    "A cell says why the two routes can never be locked, or off, at one time; where it is empty, "
    "they can. Same signal: the two begin at one signal. Turnout: both run over it, and it must "
    "lie otherwise. Track: both use the block. Overlap: the block is in the overlap of at least "
    "one. Flank: the turnout must lie otherwise, and is beside at least one."
)
_SOME = (
    "Some overlap: no conflict, as another overlap can be chosen; only with those over these "
    "blocks the two cannot be locked at one time."
)

_ROUTE = Column(key="route", title="Route", sentence="")

PAIR_COLUMNS = (
    Column(key="route", title="Route", sentence="The one of the two that stands first."),
    Column(key="with", title="With", sentence="The other one."),
    Column(
        key="conflict",
        title="Conflict",
        sentence="Whether the two can never be locked, or off, at one time; else only some of the "
        "overlaps that a route chooses from are in the way.",
    ),
    Column(key="same_signal", title="Same signal", sentence="Whether they begin at one signal."),
    Column(
        key="turnout",
        title="Turnout",
        sentence="Turnouts that both run over and that must lie otherwise.",
    ),
    Column(key="track", title="Track", sentence="Blocks that both use."),
    Column(
        key="overlap",
        title="Overlap",
        sentence="Blocks that both keep clear, at least one of them in its overlap.",
    ),
    Column(
        key="flank",
        title="Flank",
        sentence="Turnouts that must lie otherwise, and are beside at least one of the two.",
    ),
    Column(
        key="single_line",
        title="Single line",
        sentence="Single lines that the two enter from opposite ends.",
    ),
)


def conflict_matrix(table: Table) -> Sheet:
    """Return the conflict matrix of a compiled layout, both halves, for people."""
    conflicts = conflicts_of(table.rows)
    names = [row.name for row in table.rows]
    return Sheet(
        kind="conflict-matrix",
        layout=table.layout.settings.name,
        practice=table.practice.name,
        title="Conflict matrix",
        notes=(_WHY, _SOME, MODEL_ONLY),
        columns=(
            _ROUTE,
            *(Column(key=name, title=name, sentence="", group="Conflicts with") for name in names),
        ),
        names="route",
        parts="signal",
        headings={},
        rows=tuple(
            {
                **dict.fromkeys(names),
                **{other: _words(why) for other, why in conflicts[row.name].items()},
                "route": row.name,
                "signal": row.signal,
            }
            for row in table.rows
        ),
    )


def conflict_pairs(table: Table) -> Sheet:
    """Return the conflicts of a compiled layout, each pair once, for programs."""
    conflicts = conflicts_of(table.rows)
    place = {row.name: number for number, row in enumerate(table.rows)}
    return Sheet(
        kind="conflicts",
        layout=table.layout.settings.name,
        practice=table.practice.name,
        title="Conflicts",
        notes=(MODEL_ONLY,),
        columns=PAIR_COLUMNS,
        names="route",
        parts="route",
        headings={},
        rows=tuple(
            {
                "route": one,
                "with": two,
                "conflict": excludes(why),
                "same_signal": Why.SAME_SIGNAL in why,
                "turnout": why.get(Why.TURNOUT, ()),
                "track": why.get(Why.TRACK, ()),
                "overlap": (*why.get(Why.OVERLAP, ()), *why.get(Why.SOME_OVERLAP, ())),
                "flank": why.get(Why.FLANK, ()),
                "single_line": why.get(Why.SINGLE_LINE, ()),
            }
            for one, others in conflicts.items()
            for two, why in others.items()
            if place[one] < place[two]
        ),
    )


def _words(reasons: Reasons) -> tuple[str, ...]:
    return tuple(" ".join((why, ", ".join(things))).rstrip() for why, things in reasons.items())
