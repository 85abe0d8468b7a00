"""A compiled layout: rows, equations, and what goes in and out.

Law of this file: puts the parts together and holds them; no rule of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from attrs import frozen

from signalling.layout.devices import AHEAD
from signalling.layout.model import Layout
from signalling.layout.routes import Problem, derive_routes
from signalling.layout.track import Track, derive_track
from signalling.layout.words import KINDS, Device
from signalling.practice.schema import DANGER, Practice
from signalling.table.calls import Calls
from signalling.table.detection import Detection
from signalling.table.distant import DistantRow, Distants, gather_distants
from signalling.table.gather import gather_rows
from signalling.table.graph import FALSE, Graph, Literal
from signalling.table.guard import Guards, make_guard
from signalling.table.holds import Holds
from signalling.table.overlaps import Overlaps
from signalling.table.passing import Passing
from signalling.table.row import Move, Row
from signalling.table.signals import Branch, Signals
from signalling.table.single_lines import SingleLines
from signalling.table.stop_proofs import StopProofs
from signalling.table.stops import Stops
from signalling.table.terms import Terms
from signalling.table.turnouts import Turnouts

__all__ = ["AlarmSource", "Output", "Table", "compile_table"]


@frozen
class Output:
    """What a device is ordered: the value of the first literal that is true, else the default."""

    device: Device
    choices: tuple[tuple[Literal, str], ...]
    default: str | None
    """``None`` where nothing is ordered when no literal is true."""


@frozen
class AlarmSource:
    """A state that a person should know of."""

    kind: str
    """``train-lost``, ``passed-at-danger``, ``lamps-failed``, ``turnout-failed``, ``stop-failed``
    or ``stop-stuck``."""
    thing: str
    literal: Literal
    sentence: str


@frozen(kw_only=True)
class Table:
    """Everything that the core, the printer and the prover work from."""

    layout: Layout
    practice: Practice
    track: Track
    rows: tuple[Row, ...]
    distants: tuple[DistantRow, ...]
    """The ways on from distant signals."""
    graph: Graph
    outputs: tuple[Output, ...]
    alarms: tuple[AlarmSource, ...]
    problems: tuple[Problem, ...]
    """What only the whole track shows to be wrong."""

    @property
    def occupied(self) -> Mapping[str, Literal]:
        """By block, whether it counts as occupied."""
        return {
            name: self.graph.equations[f"block {name} occupied"].literal
            for name in self.layout.blocks
        }


def compile_table(layout: Layout, practice: Practice) -> Table:
    """Return the control table and equations of a layout whose file had no errors.

    Raises ``EquationError`` when they would depend on themselves.
    """
    track = derive_track(layout)
    routes, problems = derive_routes(layout, track)
    rows = gather_rows(layout, practice, track, routes)
    graph = Graph()
    detection = Detection(graph, layout, track)
    turnouts = Turnouts(graph, layout, detection)
    by_signal: dict[str, list[Row]] = {}
    moves: dict[str, list[Row]] = {}
    for row in rows:
        (by_signal if row.move is Move.MAIN else moves).setdefault(row.signal, []).append(row)
    passing = Passing(graph, track, detection, frozenset(by_signal))
    stop_proofs = StopProofs(graph, layout)
    calls = Calls(graph)
    overlaps = Overlaps(graph, detection, turnouts)
    for row in rows:
        overlaps.add(row)
    single_lines = SingleLines(graph, layout, detection)
    guards = {row.name: make_guard(graph, row) for row in rows if row.guarded}
    terms = Terms(
        graph,
        layout,
        by_signal,
        detection,
        turnouts,
        passing,
        stop_proofs,
        overlaps,
        single_lines,
        Holds(graph, layout),
        guards,
    )
    signals = Signals(graph, layout, practice, by_signal, detection, passing, terms, moves)
    at_block: dict[str, list[str]] = {}
    for name, (row, *_) in by_signal.items():
        at_block.setdefault(row.route.entry.ahead, []).append(name)
    # Block by block, so that what a train touches at one time lies together in memory: on a
    # large layout that is what an event costs.
    for block in layout.blocks:
        detection.occupied(block)
        for name in at_block.get(block, ()):
            for level in range(1, len(practice.aspects)):
                signals.at_least(name, level)
            signals.finish(name)
        detection.finish(block)
    for guard in guards.values():
        if guard.row.controlled:
            calls.add(guard.row)
    keeper = Guards(graph, detection, turnouts, calls, overlaps, single_lines, guards)
    lockable = {name: terms.lockable(guard.row) for name, guard in guards.items()}
    keeper.finish(
        lockable,
        {name: terms.undisturbed(guard.row) for name, guard in guards.items()},
        {name: signals.off_by(guard.row) for name, guard in guards.items()},
    )
    turnouts.finish(keeper.locks(), keeper.turnout_calls())
    single_lines.finish(*single_lines.entering(guards, calls, lockable))
    before, more = derive_routes(layout, track, of_distants=True)
    distants = Distants(signals, gather_distants(layout, practice, track, before))
    stops = Stops(layout, detection, passing, signals, keeper)
    lifted = {
        name: stops.lifted(name) for name, stop in layout.stops.items() if stop.signal in by_signal
    }
    for name in stop_proofs.names:
        acknowledged = terms.holds.acknowledge(layout.stops[name].signal)
        stop_proofs.finish(name, lifted.get(name, FALSE), acknowledged)
    outputs = _outputs(layout, signals, distants, turnouts, lifted)
    graph.finish()
    return Table(
        layout=layout,
        practice=practice,
        track=track,
        rows=rows,
        distants=distants.rows,
        graph=graph,
        outputs=outputs,
        alarms=_alarms(layout, signals, detection, turnouts),
        problems=problems + more,
    )


def _outputs(
    layout: Layout,
    signals: Signals,
    distants: Distants,
    turnouts: Turnouts,
    lifted: Mapping[str, Literal],
) -> tuple[Output, ...]:
    outputs = []
    for name in layout.signals:
        if name in distants.by_signal:
            outputs += _heads(layout, name, distants, distants.least(name))
            outputs += _ahead(layout, name, distants.announces)
            continue
        if name not in signals.rows:
            outputs.append(Output(Device("signal", name), (), DANGER))
            continue
        moves = tuple((literal, move) for move, literal in signals.subsidiary(name).items())
        outputs += _heads(layout, name, signals, moves=moves)
        if name in signals.indicators:
            lit = tuple(
                (literal, position) for position, literal in signals.indicators[name].items()
            )
            outputs.append(Output(Device("indicator", name), lit, "dark"))
        outputs += _ahead(layout, name, signals.announces)
    for name in layout.stops:
        released = ((lifted[name], "lifted"),) if name in lifted else ()
        outputs.append(Output(Device("stop", name), released, "applied"))
    for name in layout.turnouts:
        if name in turnouts.commands:
            ordered = tuple(
                (latch.literal, str(lie)) for lie, latch in turnouts.commands[name].items()
            )
            outputs.append(Output(Device("turnout", name), ordered, None))
        elif name in turnouts.free:
            lock = ((turnouts.free[name], "free"),)
            outputs.append(Output(Device("lock", name), lock, KINDS["lock"].restrictive))
    for name, line in layout.single_lines.items():
        if line.other_end == "theirs":
            said = signals.terms.single_lines.says(name)
            outputs.append(Output(Device("agreement", name), said, KINDS["agreement"].restrictive))
    return tuple(outputs)


def _heads(
    layout: Layout,
    name: str,
    made_by: Signals | Distants,
    least: int = 0,
    moves: tuple[tuple[Literal, str], ...] = (),
) -> list[Output]:
    """Return what the head of a signal is ordered, or its two heads where it is a splitting one.

    ``least`` is the level of what it shows when in doubt; ``moves`` are its
    subsidiary aspects, which the first head shows.
    """
    practice = made_by.practice
    levels = [
        (level, aspect.name)
        for level, aspect in reversed(list(enumerate(practice.aspects)))
        if level > least and aspect.name in practice.heads[made_by.head(name)].shows
    ]
    doubt, line = practice.aspects[least].name, layout.signals[name].splitting
    if line is None:
        choices = tuple((made_by.at_least(name, level), word) for level, word in levels)
        return [Output(Device("signal", name), choices + moves, doubt)]
    heads = []
    for device, more in ((name, moves), (f"{name}/{line}", ())):
        branch = Branch(line, device != name)
        choices = tuple(
            (made_by.head_at_least(name, level, branch), word) for level, word in levels
        )
        heads.append(Output(Device("signal", device), choices + more, doubt))
    return heads


def _ahead(layout: Layout, name: str, announces: Callable[[str, str], Literal]) -> list[Output]:
    """Return what a signal's second indicator is ordered, where it has one."""
    positions = dict.fromkeys(str(position) for position in layout.signals[name].announces)
    if not positions:
        return []
    lit = tuple((announces(name, each), each) for each in positions)
    return [Output(Device("indicator", f"{name}/{AHEAD}"), lit, "dark")]


def _alarms(
    layout: Layout, signals: Signals, detection: Detection, turnouts: Turnouts
) -> tuple[AlarmSource, ...]:
    alarms = [
        AlarmSource(
            "train-lost",
            f"block {block}",
            detection.lost(block),
            f"A train vanished in block {block}; the block and its neighbours stay occupied. "
            f"Find the train, then restore block {block}: say `restore {block}`, then "
            f"`confirm {block}`.",
        )
        for block in layout.blocks
        if detection.lost(block)
    ]
    alarms.extend(
        AlarmSource(
            "passed-at-danger",
            f"signal {name}",
            signals.passing.at_danger(name),
            f"A train passed signal {name} at danger; signals that it could conflict with are "
            f"held at danger. See to the train, then acknowledge signal {name}.",
        )
        for name in signals.rows
    )
    alarms.extend(
        AlarmSource(
            "lamps-failed",
            f"signal {name}",
            latch.literal,
            f"The lamps of signal {name} failed while it was off; it is held at danger. "
            f"Mend them, then acknowledge signal {name}.",
        )
        for name, latch in signals.terms.lamp_faults.items()
    )
    alarms.extend(
        AlarmSource(
            "turnout-failed",
            f"turnout {name}",
            literal,
            f"Turnout {name} does not lie as it was ordered; signals over it are at danger. See to "
            "its motor and its feedback.",
        )
        for name, literal in turnouts.failed.items()
    )
    proofs = signals.terms.stop_proofs
    for name in proofs.names:
        signal = layout.stops[name].signal
        alarms.append(
            AlarmSource(
                "stop-failed",
                f"stop {name}",
                proofs.failed(name),
                f"Stop {name} was lifted although it was ordered applied; signals that lead to "
                f"signal {signal} are held at danger. Mend it, then acknowledge signal {signal}.",
            )
        )
        alarms.append(
            AlarmSource(
                "stop-stuck",
                f"stop {name}",
                proofs.stuck(name),
                f"Stop {name} is applied although it was ordered to lift; it will stop the train "
                f"that signal {signal} lets go. Mend it.",
            )
        )
    return tuple(alarms)
