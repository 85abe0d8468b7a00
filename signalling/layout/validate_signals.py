"""Checks of signals and their routes, and of the stops and danger inputs that act on them.

Law of this file: what is wrong with where signals stand and with what the file
says of their routes, so far as lines and names show it. Which routes there are
is derived elsewhere; what a head can show is the practice's affair.
"""

from __future__ import annotations

from itertools import pairwise

from attrs import evolve, fields

from signalling.layout.findings import listed
from signalling.layout.model import Signal, Stop
from signalling.layout.notation import Joint, NotationError, Step, parse_joint
from signalling.layout.place import KeyPath
from signalling.layout.routes import approach
from signalling.layout.scope import Scope, unreadable
from signalling.layout.shape import key_of
from signalling.layout.track import Track, contradict
from signalling.layout.validate_lines import CheckedLines, check_steps

__all__ = ["check_joint", "check_signals"]

_OF_MAINS = tuple(
    key_of(each)
    for each in fields(Signal)
    if each.name not in ("at", "aspects", "head", "distant", "splitting", "announces")
)
"""Keys that say something of main signals alone."""


def check_signals(scope: Scope, lines: CheckedLines) -> None:
    """Say what is wrong with signals, stops and danger inputs."""
    joints: dict[Joint, str] = {}
    distants: dict[Joint, str] = {}
    for name, signal in scope.layout.signals.items():
        path, thing = ("signals", name), f"signal {name}"
        joint = check_joint(scope, lines, (*path, "at"), thing, signal.at)
        if joint is None:
            continue
        if signal.distant is not False:
            _check_distant(scope, path, signal)
        if signal.splitting is not None:
            scope.known("lines", signal.splitting, (*path, "splitting"), thing)
        # A distant signal may stand below a main one.
        first = (joints if signal.distant is False else distants).setdefault(joint, name)
        if first != name:
            line = scope.findings.places.line(("signals", first))
            scope.findings.error(
                (*path, "at"),
                thing,
                f"Signal {first} (line {line}) stands at {joint} already, for the same direction.",
                f"Take one of the two away, or turn one round: `{joint.opposite}`.",
            )
        _check_routes(scope, lines, path, signal, joint)
        texts = (signal.overlap,) if isinstance(signal.overlap, str) else signal.overlap or ()
        for number, text in enumerate(texts):
            several = () if isinstance(signal.overlap, str) else (number,)
            _check_overlap(scope, lines, (*path, "overlap", *several), text, joint)
        if signal.reduced_overlap is not None:
            place = (*path, "reduced_overlap")
            _check_overlap(scope, lines, place, signal.reduced_overlap, joint)
    track = evolve(lines.track, signals=joints)
    for name, stop in scope.layout.stops.items():
        _check_stop(scope, track, name, stop)
    _check_danger(scope)


def _check_distant(scope: Scope, path: KeyPath, signal: Signal) -> None:
    """Check what a distant signal names, and that it has nothing that only a main one has."""
    thing = f"signal {path[1]}"
    for index, main in enumerate(signal.distant if isinstance(signal.distant, tuple) else ()):
        place = (*path, "distant", index)
        if scope.known("signals", main, place, thing) and _is_distant(scope, main):
            scope.findings.error(
                place,
                thing,
                f"Signal {main} is a distant signal itself, and never on or off.",
                "Name main signals.",
            )
    for key in _OF_MAINS:
        if (*path, key) in scope.findings.places.lines:
            scope.findings.error(
                (*path, key),
                thing,
                f"It is a distant signal, which has no `{key}`: it is never at danger.",
                f"Take `{key}` out, or take `distant` out.",
            )


def _is_distant(scope: Scope, name: str) -> bool:
    """Return whether this is a distant signal, so far as the file could be read."""
    signal = scope.layout.signals.get(name)
    return signal is not None and signal.distant is not False


def check_joint(
    scope: Scope, lines: CheckedLines, path: KeyPath, thing: str, text: str
) -> Joint | None:
    """Return the joint that a text names, or ``None`` after saying why it names none."""
    try:
        joint = parse_joint(text)
    except NotationError as error:
        scope.findings.error(path, thing, *unreadable(error))
        return None
    known = [
        scope.known("blocks", block, path, thing)
        for block in dict.fromkeys((joint.rear, joint.ahead))
    ]
    if not all(known):
        return None
    if not lines.may_join(joint):
        _not_joined(scope, lines.track, path, thing, joint)
        return None
    return joint


def _not_joined(scope: Scope, track: Track, path: KeyPath, thing: str, joint: Joint) -> None:
    meets = [
        f"{block} meets {listed(track.neighbours.get(block, ()))}"
        for block in dict.fromkeys((joint.rear, joint.ahead))
    ]
    scope.findings.error(
        path,
        thing,
        f"No line runs between {joint.rear} and {joint.ahead}, so they have no joint.",
        f"Name a joint of a line ({'; '.join(meets)}), or write the line.",
    )


def _check_routes(
    scope: Scope, lines: CheckedLines, path: KeyPath, signal: Signal, joint: Joint
) -> None:
    for line, route in signal.routes.items():
        place, thing = (*path, "routes", line), f"route {path[1]}/{line}"
        if scope.known("lines", line, place, thing) and not lines.may_pass(line, joint):
            passing = lines.track.lines.get(joint, ())
            scope.findings.error(
                place,
                thing,
                f"Line {line} does not pass the signal, which stands at {joint}.",
                f"Name a line that does: {listed(passing)}.",
            )
        if route.indicator is None and (route.override or route.indicator_proved):
            key = "override" if route.override else "indicator_proved"
            scope.findings.error(
                (*place, key),
                thing,
                f"`{key}` is about the route indicator, and the route has none.",
                f"Add `indicator = ...`, or take `{key}` out.",
            )
        for key, wanted in (("call_on", route.call_on), ("shunt", route.shunt)):
            if wanted and not signal.controlled:
                scope.findings.error(
                    (*place, key),
                    thing,
                    f"`{key}` is for a route that is asked for, and the signal is not controlled.",
                    f"Add `controlled = true` to the signal, or take `{key}` out.",
                )


def _check_overlap(
    scope: Scope, lines: CheckedLines, place: KeyPath, text: str, joint: Joint
) -> None:
    thing = f"signal {place[1]}"
    steps = check_steps(scope, place, thing, text)
    if steps is None or not all(step.block in scope.layout.blocks for step in steps):
        return
    if steps[0].block != joint.ahead:
        scope.findings.error(
            place,
            thing,
            f"The overlap begins in block {steps[0].block}, and the signal stands before "
            f"{joint.ahead}.",
            f"Begin it with {joint.ahead}, the block ahead of the signal.",
        )
        return
    for rear, ahead in pairwise(step.block for step in steps):
        if not lines.may_join(Joint(rear, ahead)):
            _not_joined(scope, lines.track, place, thing, Joint(rear, ahead))
            return
    if not lines.bad:
        _check_way_of_overlap(scope, lines.track, place, thing, (Step(joint.rear), *steps))


def _check_way_of_overlap(
    scope: Scope, track: Track, place: KeyPath, thing: str, steps: tuple[Step, ...]
) -> None:
    """Check that lines run the way that an overlap does; the first step is before the signal."""
    for rear, step, ahead in zip(steps[:-1], steps[1:], [*steps[2:], None], strict=True):
        ways = [
            way
            for way in track.ways.get((step.block, rear.block), ())
            if ahead is None or way.ahead == ahead.block
        ]
        if all(contradict(way.lies, step.lies) for way in ways):
            on = f" to {ahead.block}" if ahead is not None else ""
            scope.findings.error(
                place,
                thing,
                f"No line runs from {rear.block} through {step}{on}.",
                "Let the overlap follow a line, with the lies that the line needs.",
            )
            return


def _check_stop(scope: Scope, track: Track, name: str, stop: Stop) -> None:
    path, thing = ("stops", name), f"stop {name}"
    known = scope.known("signals", stop.signal, (*path, "signal"), thing)
    section = stop.section
    if known and _is_distant(scope, stop.signal):
        scope.findings.error(
            (*path, "signal"),
            thing,
            f"Signal {stop.signal} is a distant signal, which trains may pass as it stands.",
            "Name a main signal.",
        )
        return
    if section is None or not scope.known("blocks", section, (*path, "section"), thing):
        return
    entry = next((joint for joint, signal in track.signals.items() if signal == stop.signal), None)
    if not known or entry is None or entry not in track.lines or section not in track.neighbours:
        return  # the signal's own mistake is told with the signal
    near = approach(track, entry)
    if section in near:
        return
    if section in approach(evolve(track, signals={}), entry):
        scope.findings.warning(
            (*path, "section"),
            thing,
            f"Block {section} lies before another signal, so that trains are stopped there that "
            f"signal {stop.signal} says nothing to.",
            f"Name a block between the two signals: {listed(near)}.",
        )
        return
    scope.findings.error(
        (*path, "section"),
        thing,
        f"Block {section} does not lie before signal {stop.signal}, which stands at {entry}.",
        f"Name a block that trains run through up to the signal: {listed(near)}.",
    )


def _check_danger(scope: Scope) -> None:
    for name, danger in scope.layout.danger.items():
        path, thing = ("danger", name), f"danger input {name}"
        if not danger.signals:
            scope.findings.error(
                (*path, "signals"),
                thing,
                "It names no signals, so it would hold none at danger.",
                "List the signals that it holds, or take it out.",
            )
        for index, signal in enumerate(danger.signals):
            scope.known("signals", signal, (*path, "signals", index), thing)
        if not danger.press and (*path, "hold") in scope.findings.places.lines:
            scope.findings.warning(
                (*path, "hold"),
                thing,
                "`hold` does nothing, since this is a switch and not a press.",
                "Add `press = true`, or take `hold` out.",
            )
