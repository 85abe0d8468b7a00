"""Equations of the terms of a row: each thing that must be so before its signal clears.

Law of this file: one method a term, made from the row and nothing else. A term
whose report is not heard fails.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import define, field

from signalling.layout.model import Layout
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal
from signalling.table.guard import Guard
from signalling.table.holds import Holds
from signalling.table.out_of_use import any_of_row
from signalling.table.overlaps import Overlaps
from signalling.table.passing import Passing
from signalling.table.row import Row
from signalling.table.single_lines import SingleLines
from signalling.table.stop_proofs import StopProofs
from signalling.table.turnouts import Turnouts

__all__ = ["Terms"]


@define
class Terms:
    """Makes the equations of rows' terms in one graph."""

    graph: Graph
    layout: Layout
    signals: Iterable[str]
    """Signals that have rows."""
    detection: Detection
    turnouts: Turnouts
    passing: Passing
    stop_proofs: StopProofs
    overlaps: Overlaps
    single_lines: SingleLines
    holds: Holds
    guards: Mapping[str, Guard]
    """By guarded route."""
    lamp_faults: dict[str, Latch] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Make the memory of failed lamps, which rows refer to."""
        for name in self.signals:
            if self.layout.signals[name].lamps_proved:
                self.lamp_faults[name] = self.graph.latch(
                    f"lamps of {name} failed",
                    holds=f"the lamps of signal {name} failed and nobody has acknowledged it",
                    fails=f"the lamps of signal {name} have not failed",
                )

    def undisturbed(self, row: Row) -> Literal:
        """Return whether nobody holds a row's signal, has it out of use or moves its turnouts.

        Those of a controlled route are locked, whoever wants to move them.
        """
        terms = [self.holds.hold_free(row.signal)]
        terms += [literal ^ 1 for literal in any_of_row(self.graph, row)]
        if not row.controlled:
            terms += [self.turnouts.at_rest(turnout) for turnout, _ in row.lies]
        return self.graph.all_of(*terms)

    def ready(self, row: Row) -> Literal:
        """Return whether track and turnouts are as a row needs them, and nobody disturbs it."""
        return self.graph.all_of(
            *(self.detection.occupied(way.block) ^ 1 for way in row.clear),
            *(self.turnouts.detected(turnout, lie) for turnout, lie in row.lies),
            *(self.single_lines.may_enter(*each) for each in row.enters),
            self.undisturbed(row),
        )

    def lockable(self, row: Row) -> Literal:
        """Return whether track and turnouts allow that a route is locked, other routes apart.

        The turnouts of a controlled route may still have to be moved.
        """
        if not row.controlled:
            return self.ready(row)
        return self.graph.all_of(
            *(self.detection.occupied(way.block) ^ 1 for way in row.clear),
            *(self.turnouts.obtainable(turnout, lie) for turnout, lie in row.lies),
            *(self.turnouts.at_rest(turnout) for turnout, _ in row.lies),
            self.undisturbed(row),
        )

    def overlap_term(self, row: Row) -> Literal:
        """Return whether the overlap that a route has chosen is clear and lies as it must."""
        reduced = any(choice.reduced for choice in row.choices)
        return self.graph.equation(
            f"route {row.name} overlap proved",
            self.overlaps.proved(row, self.released(row) if reduced else TRUE),
            f"route {row.name} has an overlap that is clear and lies as it must",
            f"route {row.name} has no overlap that is clear and lies as it must",
        )

    def unfouled(self, row: Row) -> Iterable[Literal]:
        """Return the terms of signals that nobody may have passed at danger."""
        return [self.passing.at_danger(name) ^ 1 for name in row.foul]

    def lamp_terms(self, row: Row) -> list[Literal]:
        """Return the terms of proved lamps: the signal's own, and those of the next one."""
        terms = []
        if row.lamps_proved:
            terms += [self.lit(row.signal), self.lamp_faults[row.signal].literal ^ 1]
        if row.next_proved and row.route.exit is not None:
            terms.append(self.lit(row.route.exit))
        return terms

    def lit(self, signal: str) -> Literal:
        """Return whether a signal's ordered lamps are proved alight."""
        return self.graph.input(
            f"lamps {signal}=lit",
            f"the lamps of signal {signal} are proved lit",
            f"the lamps of signal {signal} are not proved lit",
        )

    def override_terms(self, row: Row) -> list[Literal]:
        """Return the terms of indicators taken out of automatic working.

        A switch at *lit* allows only the indicator's own route, at *dark* only
        the others; so an override can hold a signal, and never clear it.
        """
        return [
            self.graph.any_of(
                *(
                    self.graph.input(
                        f"override {name}={value}",
                        f"the indicator switch of {name} is at {value}",
                        f"the indicator switch of {name} is not at {value}",
                    )
                    for value in ("auto", allowed)
                )
            )
            for name, allowed in row.switches
        ]

    def indicator_terms(self, row: Row) -> list[Literal]:
        """Return the proof that the right indicator is lit, or that none is."""
        value = row.indicator_shown
        if value is None:
            return []
        return [
            self.graph.input(
                f"indicator {row.signal}={value}",
                f"the indicator of signal {row.signal} is proved {_shown(value)}",
                f"the indicator of signal {row.signal} is not proved {_shown(value)}",
            )
        ]

    def released(self, row: Row) -> Literal:
        """Return whether a train is close enough for an approach release.

        A report of a vehicle is needed here: a block that only counts as
        occupied because nothing is known of it releases nothing. A bad contact
        takes the release back no sooner than the hold-off: the signal would go
        to danger before the driver.
        """
        known = self.graph.equations.get(f"route {row.name} released")
        if known is not None:
            return known.literal
        return self.graph.equation(
            f"route {row.name} released",
            self.graph.timer(
                f"train close to {row.signal} for {row.name}",
                nanoseconds(row.release_after),
                self.detection.remains(row.route.entry.rear),
                holds=f"a train has been close to signal {row.signal} long enough",
                fails=f"a train has not been close to signal {row.signal} long enough",
            ),
            f"a train is close enough to release signal {row.signal} for route {row.name}",
            f"no train is close enough to release signal {row.signal} for route {row.name}",
        )

    def announced(self, row: Row) -> Literal:
        """Return whether signals in rear may announce a route: a train comes to it from there.

        Else the signal is held at danger, and so while the first signal beyond
        could hold the train up and has no route set. (GK/RT0045 section 5.2.3.6,
        as quoted at irse.signalpost.org tid=857.)
        """
        graph = self.graph
        comes = [
            graph.all_of(
                self.detection.remains(block),
                *(self.turnouts.detected(turnout, lie) for turnout, lie in lies),
            )
            for block, paths in row.announced_from.items()
            for lies in paths
        ]
        terms = [
            graph.equation(
                f"train to announce {row.name} to",
                graph.any_of(*comes),
                f"a train comes to which signals in rear can announce route {row.name}",
                f"no train comes to which signals in rear could announce route {row.name}",
            )
        ]
        if row.forward:
            set_on = (self.guards[name].permission.literal for name in row.forward)
            terms.append(
                graph.equation(
                    f"route set beyond {row.name}",
                    graph.any_of(*set_on),
                    f"a route is set from signal {row.route.exit}",
                    f"no route is set from signal {row.route.exit}",
                )
            )
        return graph.equation(
            f"route {row.name} announced",
            graph.all_of(*terms),
            f"signals in rear announce route {row.name}",
            f"signals in rear do not announce route {row.name}",
        )

    def minimum_term(self, row: Row) -> list[Literal]:
        """Return the term of the time that a signal has to be at danger, if there is one."""
        if row.minimum_on <= 0:
            return []
        was_off = self.passing.was_off(row.signal)
        ran = self.graph.timer(
            f"signal {row.signal} at danger long enough",
            nanoseconds(row.minimum_on),
            was_off ^ 1,
            holds=f"signal {row.signal} has been at danger long enough",
            fails=f"signal {row.signal} has not been at danger long enough",
        )
        return [self.graph.any_of(was_off, ran)]


def _shown(value: str) -> str:
    return "dark" if value == "dark" else f"lit at {value}"
