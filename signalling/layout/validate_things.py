"""Checks of turnouts, detectors and trains; and the detectors that a layout implies.

Law of this file: what is wrong with the things that stand in the blocks, so
far as lines and names show it.
"""

from __future__ import annotations

from itertools import pairwise

from attrs import evolve

from signalling.layout.findings import listed
from signalling.layout.model import Detector, Layout, Reader
from signalling.layout.names import why_no_name
from signalling.layout.notation import Joint, NotationError, parse_joint, parse_path
from signalling.layout.place import KeyPath
from signalling.layout.scope import Scope, thing_at
from signalling.layout.validate_lines import CheckedLines
from signalling.layout.validate_signals import check_joint
from signalling.layout.words import LONGEST_TEXT

__all__ = [
    "check_detectors",
    "check_readers",
    "check_single_lines",
    "check_trains",
    "check_turnouts",
]


def check_turnouts(scope: Scope) -> None:
    """Say what is wrong with turnouts."""
    for name, turnout in scope.layout.turnouts.items():
        path, thing = ("turnouts", name), f"turnout {name}"
        scope.known("blocks", turnout.block, (*path, "block"), thing)
        if turnout.lock and turnout.moved_by == "us":
            scope.findings.error(
                (*path, "lock"),
                thing,
                "A lock is for a turnout that others move, and this one is moved by us.",
                'Take `lock` or `moved_by = "us"` out; we move it only when nothing depends on it.',
            )
        if turnout.lever and not turnout.lock:
            scope.findings.error(
                (*path, "lever"),
                thing,
                "A lever asks for the lock, and this turnout has none.",
                "Add `lock = true`, or take `lever` out.",
            )
        if turnout.supply is not None:
            scope.known("supplies", turnout.supply, (*path, "supply"), thing)
            if turnout.moved_by != "us":
                scope.findings.error(
                    (*path, "supply"),
                    thing,
                    "A supply is for the motor of a turnout that we move.",
                    'Add `moved_by = "us"`, or take `supply` out.',
                )


def check_single_lines(scope: Scope, lines: CheckedLines) -> None:
    """Say what is wrong with single lines."""
    for name, single in scope.layout.single_lines.items():
        path, thing = ("single_lines", name), f"single line {name}"
        if not single.blocks:
            scope.findings.error(
                (*path, "blocks"), thing, "It has no blocks.", "List its blocks, in order."
            )
        known = [
            scope.known("blocks", block, (*path, "blocks", index), thing)
            for index, block in enumerate(single.blocks)
        ]
        if all(known):
            for rear, ahead in pairwise(single.blocks):
                if ahead not in lines.track.neighbours.get(rear, ()):
                    scope.findings.error(
                        (*path, "blocks"),
                        thing,
                        f"Blocks {rear} and {ahead} do not meet.",
                        "List its blocks in the order in which trains run through them.",
                    )
        if single.goes_first and single.other_end == "ours":
            scope.findings.warning(
                (*path, "goes_first"),
                thing,
                "`goes_first` does nothing, since both ends are ours: the first of its blocks goes "
                "first.",
                'Take it out, or write `other_end = "theirs"`.',
            )
        for signal, described in scope.layout.signals.items():
            if _enters(described.at, single.blocks) and not described.controlled:
                scope.findings.error(
                    ("signals", signal),
                    f"signal {signal}",
                    f"Trains enter single line {name} past it, and it is not controlled: nobody "
                    "would ask for the line.",
                    "Add `controlled = true`, and ask for its routes.",
                )


def _enters(at: str, blocks: tuple[str, ...]) -> bool:
    """Return whether a signal stands where a single line is entered."""
    try:
        joint = parse_joint(at)
    except NotationError:
        return False  # told with the signal
    return joint.ahead in blocks and joint.rear not in blocks


def check_trains(scope: Scope) -> None:
    """Say what is wrong with trains."""
    for name, train in scope.layout.trains.items():
        path, thing = ("trains", name), f"train {name}"
        known = scope.known("lines", train.line, (*path, "line"), thing)
        if not scope.known("blocks", train.start, (*path, "start"), thing) or not known:
            continue
        try:
            blocks = [step.block for step in parse_path(scope.layout.lines.get(train.line, ""))]
        except NotationError:
            continue  # told with the line
        if train.start not in blocks:
            scope.findings.error(
                (*path, "start"),
                thing,
                f"Line {train.line} does not run through block {train.start}.",
                f"Name a block of the line: {listed(dict.fromkeys(blocks))}.",
            )


def check_readers(scope: Scope, lines: CheckedLines) -> None:
    """Say what is wrong with readers."""
    if scope.layout.settings.describer is False and scope.names["readers"]:
        scope.findings.warning(
            ("readers",),
            "[readers]",
            "With `describer = false` nobody listens to them.",
            "Take `describer = false` out, or the readers.",
        )
    for name, reader in scope.layout.readers.items():
        path, thing = ("readers", name), f"reader {name}"
        _check_place(
            scope,
            lines,
            path,
            reader,
            neither="It does not say where it reads.",
            remedy="Give `block` for one that reads in a block, or `at` for one at a joint.",
        )
        for tag, train in reader.reads.items():
            reason = why_no_name(train)
            if reason is not None:
                scope.findings.error(
                    (*path, "reads", tag), thing, reason, "Give the train another name."
                )
            if not tag or len(tag) > LONGEST_TEXT:
                scope.findings.error(
                    (*path, "reads", tag),
                    thing,
                    f"What is read has 1 to {LONGEST_TEXT} characters.",
                    "Write what the reader says of the train.",
                )


def _check_place(
    scope: Scope,
    lines: CheckedLines,
    path: KeyPath,
    placed: Detector | Reader,
    *,
    neither: str,
    remedy: str,
) -> Joint | None:
    """Say what is wrong with the place of something in a block or at a joint; return the joint."""
    thing = thing_at(path)
    if (placed.block is None) == (placed.at is None):
        message = neither if placed.block is None else "It has both `block` and `at`."
        scope.findings.error(path, thing, message, remedy)
    elif placed.block is not None:
        scope.known("blocks", placed.block, (*path, "block"), thing)
    elif placed.at is not None:
        return check_joint(scope, lines, (*path, "at"), thing, placed.at)
    return None


def check_detectors(scope: Scope, lines: CheckedLines) -> Layout:
    """Say what is wrong with detectors; return the layout with those that it implies.

    A block that no detector reports gets a section detector of its own name.
    """
    sections: set[str] = set()
    beams: dict[str, set[str]] = {}
    for name, detector in scope.layout.detectors.items():
        if detector.block is not None:
            sections.add(detector.block)
        joint = _check_place(
            scope,
            lines,
            ("detectors", name),
            detector,
            neither="It says neither what block it reports nor where it looks.",
            remedy="Give `block` for a section detector, or `at` for a spot detector at a joint.",
        )
        if joint is not None:
            beams.setdefault(joint.rear, set()).add(joint.ahead)
            beams.setdefault(joint.ahead, set()).add(joint.rear)
    implied: dict[str, Detector] = {}
    for block in scope.layout.blocks:
        if block in sections:
            continue
        seen = beams.get(block, set())
        blind = [end for end in lines.track.neighbours[block] if end not in seen]
        if seen and blind:
            _seen_one_way(scope, block, seen, blind)
        elif not seen and block in scope.names["detectors"]:
            _name_taken(scope, block)
        elif not seen:
            implied[block] = Detector(block=block)
    return evolve(scope.layout, detectors={**scope.layout.detectors, **implied})


def _seen_one_way(scope: Scope, block: str, seen: set[str], blind: list[str]) -> None:
    first = f"{block} > {blind[0]}"
    scope.findings.error(
        ("blocks", block),
        f"block {block}",
        f"It has spot detectors towards {listed(sorted(seen))} and none towards {listed(blind)}, "
        "and no section detector: a train would be seen at one end only.",
        f'Add a spot detector at `{first}`, or a section detector: `{block} = {{ block = "{block}" '
        "}` in [detectors].",
    )


def _name_taken(scope: Scope, block: str) -> None:
    other = scope.layout.detectors.get(block)
    if other is None:
        return  # told with the detector
    scope.findings.error(
        ("detectors", block),
        f"block {block}",
        f"It has no detector, and cannot get one of its own name: detector {block} reports "
        f"{other.block or other.at}.",
        f"Rename that detector, or describe a detector for block {block}.",
    )
