"""Distant signals: what each tells of the main signals that it stands before.

Law of this file: rows and equations of signals that are never at danger. They
show their most restrictive aspect unless main signals are off; they say nothing
of the track between, protect nothing, and no other signal rests on them.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import define, field, frozen

from signalling.layout.model import Layout
from signalling.layout.routes import Route
from signalling.layout.track import Track
from signalling.practice.schema import DANGER, Practice
from signalling.table.graph import FALSE, TRUE, Literal
from signalling.table.signals import Branch, Signals

__all__ = ["DistantRow", "Distants", "gather_distants"]


@frozen(kw_only=True)
class DistantRow:
    """One way on from a distant signal, and what must be so before it shows more than caution."""

    route: Route
    """From the distant signal to the next main signal."""
    head: str
    """Name of the signal's head in the practice."""
    next: Mapping[str, str]
    """What it shows by how the next main signal reads, while all main signals are off."""
    mains: tuple[str, ...]
    """Main signals that must be off, so far as they stand one after another on the way."""
    splitting: str | None
    """The line for whose route from the next main signal it has a second head."""
    slotted: str | None
    """The main signal on the same post, which must be off, too."""

    @property
    def signal(self) -> str:
        """The distant signal."""
        return self.route.signal

    @property
    def name(self) -> str:
        """The name of the way."""
        return self.route.name


def gather_distants(
    layout: Layout, practice: Practice, track: Track, routes: tuple[Route, ...]
) -> tuple[DistantRow, ...]:
    """Return the rows of distant signals, in the order of the file.

    Raises ``KeyError`` where the practice has not the head that a signal asks for.
    """
    rows = []
    for route in routes:
        signal = layout.signals[route.signal]
        head = practice.head_name(signal.aspects, signal.head, distant=True)
        if head is None:
            raise KeyError(f"signal {route.signal}: no distant head of {signal.aspects} aspects")
        named = signal.distant if isinstance(signal.distant, tuple) else ()
        mains = dict.fromkeys(named if route.exit is None else (route.exit, *named))
        rows.append(
            DistantRow(
                route=route,
                head=head,
                next=practice.heads[head].next,
                mains=tuple(mains),
                splitting=signal.splitting,
                slotted=track.signals.get(route.entry),
            )
        )
    return tuple(rows)


@define
class Distants:
    """Makes the equations of distant signals in one graph."""

    signals: Signals
    rows: tuple[DistantRow, ...]
    by_signal: dict[str, list[DistantRow]] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Sort the rows by their signals."""
        for row in self.rows:
            self.by_signal.setdefault(row.signal, []).append(row)

    @property
    def practice(self) -> Practice:
        """The railway's rules."""
        return self.signals.practice

    def head(self, signal: str) -> str:
        """Return the name of a signal's head in the practice."""
        return self.by_signal[signal][0].head

    def least(self, signal: str) -> int:
        """Return the level of the aspect that a distant signal shows when in doubt."""
        return self.practice.level(self.by_signal[signal][0].next[DANGER])

    def at_least(self, signal: str, level: int) -> Literal:
        """Return whether a distant signal shows an aspect of this level or a better one."""
        graph = self.signals.graph
        if level <= self.least(signal):
            return TRUE
        title = self.signals.practice.aspects[level].name
        name = f"signal {signal} at least {title}"
        known = graph.equations.get(name)
        if known is not None:
            return known.literal
        return graph.equation(
            name,
            graph.any_of(*(self._way(row, level) for row in self.by_signal[signal])),
            f"signal {signal} shows at least {title}",
            f"signal {signal} does not show {title} or better",
        )

    def head_at_least(self, signal: str, level: int, branch: Branch) -> Literal:
        """Return whether one head of a splitting distant signal shows at least this level."""
        signals, graph = self.signals, self.signals.graph
        if level <= self.least(signal):
            return TRUE
        ways = []
        for row in self.by_signal[signal]:
            needed = signals.needed(row.next, level)
            if needed is not None:
                beyond = signals.branch_at_least(row.route.exit, needed, branch)
                off = self._off(row.route.exit, row.mains, (), branch)
                ways.append(graph.all_of(self._way(row, level), beyond, off))
        return signals.head_equation(branch.name_of(signal), level, graph.any_of(*ways))

    def _way(self, row: DistantRow, level: int) -> Literal:
        signals = self.signals
        needed = signals.needed(row.next, level)
        if needed is None or row.route.exit is None:
            return FALSE
        return signals.graph.all_of(
            self.mains_off(row), signals.reads_at_least(row.route.exit, needed)
        )

    def announces(self, signal: str, position: str) -> Literal:
        """Return whether a second indicator announces a position of the next main signal's."""
        graph = self.signals.graph
        ways = (
            graph.all_of(self.mains_off(row), self.signals.lit_at(row.route.exit, position))
            for row in self.by_signal[signal]
        )
        return self.signals.announcement(signal, position, graph.any_of(*ways))

    def mains_off(self, row: DistantRow) -> Literal:
        """Return whether nobody holds a distant signal and its main signals are all off."""
        signals, graph = self.signals, self.signals.graph
        known = graph.equations.get(f"main signals beyond {row.name} off")
        if known is not None:
            return known.literal
        terms = [
            signals.terms.holds.hold_free(row.signal),
            *(signals.terms.turnouts.detected(turnout, lie) for turnout, lie in row.route.lies),
            self._off(row.route.exit, row.mains, ()),
        ]
        if row.slotted is not None:
            terms.append(signals.at_least(row.slotted, 1))
        return graph.equation(
            f"main signals beyond {row.name} off",
            graph.all_of(*terms),
            f"the main signals that {row.name} tells of are off",
            f"the main signals that {row.name} tells of are not all off",
        )

    def _off(
        self,
        main: str | None,
        mains: tuple[str, ...],
        passed: tuple[str, ...],
        branch: Branch | None = None,
    ) -> Literal:
        """Return whether a main signal is off, and on its way those named that follow it.

        Where there is a ``branch``, the first is off by one of its routes.
        """
        if main is None or main not in self.signals.rows:
            return FALSE
        ways = []
        for row in self.signals.rows[main]:
            if branch is not None and not branch.has(row):
                continue
            beyond = row.route.exit
            onward = (
                self._off(beyond, mains, (*passed, main))
                if beyond in mains and beyond not in (*passed, main)
                else TRUE
            )
            ways.append(self.signals.graph.all_of(self.signals.off_by(row), onward))
        return self.signals.graph.any_of(*ways)
