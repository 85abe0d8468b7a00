"""Checks of the lines: notation, names, and whether track can lie as they say.

Law of this file: what is wrong with lines alone. It also hands on the track
that the good lines make, for the checks of what stands along it, and what the
bad lines leave open, so that one bad line is not told again at each of its
joints.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

from attrs import evolve, frozen

from signalling.layout.findings import listed
from signalling.layout.notation import NAME, Joint, NotationError, Step, parse_joint, parse_path
from signalling.layout.place import KeyPath
from signalling.layout.scope import Scope, unreadable
from signalling.layout.track import Track, Way, contradict, derive_track

__all__ = ["CheckedLines", "check_lines", "check_steps"]

_NAMED = re.compile(NAME)


@frozen
class CheckedLines:
    """The track that the good lines make, and what the bad ones leave open."""

    track: Track
    """Without signals."""
    loose: tuple[tuple[str | None, str | None], ...]
    """Neighbours in lines that have mistakes, with ``None`` for what cannot be told."""
    bad: frozenset[str]
    """Lines that have mistakes."""

    def may_join(self, joint: Joint) -> bool:
        """Return whether a line passes the joint, either way, or may when its mistake is mended."""
        return joint in self.track.lines or any(
            rear in (joint.rear, None) and ahead in (joint.ahead, None)
            for one, two in self.loose
            for rear, ahead in ((one, two), (two, one))
        )

    def may_pass(self, line: str, joint: Joint) -> bool:
        """Return whether this line passes the joint, either way, or may when it is mended."""
        return line in self.bad or line in self.track.lines.get(joint, ())


def check_lines(scope: Scope) -> CheckedLines:
    """Say what is wrong with the lines."""
    good: dict[str, str] = {}
    loose: list[tuple[str | None, str | None]] = []
    written: list[Step] = []
    for name, text in scope.layout.lines.items():
        path, thing = ("lines", name), f"line {name}"
        told = len(scope.findings)
        steps = check_steps(scope, path, thing, text)
        if steps is not None:
            _check_run(scope, path, thing, steps)
        if (
            steps is not None
            and len(scope.findings) == told
            and all(step.block in scope.layout.blocks for step in steps)
        ):
            good[name] = text
            written.extend(steps)
        else:
            loose.extend(pairwise(_block(scope, part) for part in text.split(">")))
    track = derive_track(evolve(scope.layout, lines=good, signals={}))
    bad = scope.names["lines"] - good.keys()
    _check_ways(scope, track, _directions(scope, good, track))
    if not bad:
        _check_all_used(scope, written)
    return CheckedLines(track, tuple(loose), bad)


def check_steps(scope: Scope, path: KeyPath, thing: str, text: str) -> tuple[Step, ...] | None:
    """Return the steps of a path in the file, or ``None`` after saying why there are none.

    Names that the file does not have, and turnouts in another block, are said too.
    """
    try:
        steps = parse_path(text)
    except NotationError as error:
        scope.findings.error(path, thing, *unreadable(error))
        return None
    for block in dict.fromkeys(step.block for step in steps):
        scope.known("blocks", block, path, thing)
    for step in dict.fromkeys(steps):
        for turnout, lie in step.lies:
            if not scope.known("turnouts", turnout, path, thing):
                continue
            own = scope.layout.turnouts.get(turnout)
            if own is not None and own.block != step.block and own.block in scope.names["blocks"]:
                scope.findings.error(
                    path,
                    thing,
                    f"Turnout {turnout} is in block {own.block}, and its lie is written at block "
                    f"{step.block}.",
                    f"Write `{own.block}[{turnout} {lie}]`, or correct the turnout's `block`.",
                )
    return steps


def _block(scope: Scope, part: str) -> str | None:
    """Return the block that one part of a bad line names, or ``None`` where none can be told."""
    match = _NAMED.match(part.strip())
    return match[0] if match is not None and match[0] in scope.names["blocks"] else None


def _check_run(scope: Scope, path: KeyPath, thing: str, steps: tuple[Step, ...]) -> None:
    """Check the order of blocks along one line."""
    blocks = [step.block for step in steps]
    for block in dict.fromkeys(one for one, two in pairwise(blocks) if one == two):
        scope.findings.error(
            path,
            thing,
            f"Block {block} follows itself.",
            "Name each block once where the line runs through it, or divide it into two blocks.",
        )
    turned = [
        (rear, block)
        for rear, block, ahead in zip(blocks, blocks[1:], blocks[2:], strict=False)
        if rear == ahead != block
    ]
    if turned:
        rear, block = turned[0]
        scope.findings.error(
            path,
            thing,
            f"It runs from {rear} into {block} and back into {rear}, so that the two blocks meet "
            "at two joints, or a train turns back.",
            "In a ring, divide one of the two into two blocks. A train that turns back needs no "
            "line of its own: a line can be run both ways.",
        )
    first, last = steps[0], steps[-1]
    if first.block == last.block and contradict(first.lies, last.lies):
        scope.findings.error(
            path,
            thing,
            f"It begins and ends in block {first.block} with different lies there.",
            "Write the same lies at its beginning and at its end, or end it a block earlier.",
        )


def _directions(scope: Scope, lines: Mapping[str, str], track: Track) -> frozenset[Joint]:
    """Return the joints in the directions that trains run, as far as the file can be read."""
    standing = {}
    for name, signal in scope.layout.signals.items():
        try:
            if parse_joint(signal.at) in track.lines:
                standing[name] = signal
        except NotationError:
            continue  # told where signals are checked
    return derive_track(evolve(scope.layout, lines=lines, signals=standing)).runs


def _check_ways(scope: Scope, track: Track, runs: frozenset[Joint]) -> None:
    """Check that turnouts decide wherever trains part, and that trains can come to each end.

    Lines may come together without a turnout that decides, as over sprung
    points, where no train runs the other way.
    """
    told: set[tuple[str, str | None]] = set()
    for (block, rear), ways in track.ways.items():
        if rear is not None and Joint(rear, block) not in runs:
            continue
        for index, two in enumerate(ways):
            one = next((way for way in ways[:index] if _part(way, two)), None)
            if one is not None and (block, two.ahead) not in told:
                told.add((block, two.ahead))
                _branching(scope, track, rear, one, two)
    for block in scope.layout.blocks:
        ways = tuple(_ways_through(track, block))
        through = [way for way in ways if way.rear is not None and way.ahead is not None]
        passed = {way.ahead for way in through}
        for way in ways:
            if through and way.rear is None and way.ahead not in (None, *passed):
                _cut_off(scope, track, way, through)


def _part(one: Way, two: Way) -> bool:
    """Return whether two ways lead to different ends with no turnout to decide between them."""
    return one.ahead != two.ahead and not contradict(one.lies, two.lies)


def _ways_through(track: Track, block: str) -> Iterator[Way]:
    for rear in (None, *track.neighbours[block]):
        yield from track.ways.get((block, rear), ())


def _line_between(track: Track, one: str, two: str | None) -> str:
    """Return a line that runs between two neighbours, the last in the file."""
    return track.lines[Joint(one, two)][-1] if two is not None else ""


def _branching(scope: Scope, track: Track, rear: str | None, one: Way, two: Way) -> None:
    block = one.block
    ends = [end for end in (one.ahead, two.ahead) if end is not None]
    line = _line_between(track, block, ends[-1])
    known = track.turnouts.get(block, ())
    turnout = known[0] if known else "t1"
    lies = f"`{block}[{turnout} normal]` and `{block}[{turnout} reverse]`"
    if known:
        write = f"write the turnout's lies in both lines, as {lies}"
    else:
        describe = f'describe the turnout, as `{turnout} = {{ block = "{block}" }}`'
        write = f"{describe}, and write its lies in both lines, as {lies}"
    if rear is not None:
        message = (
            f"From {rear}, block {block} leads on both to {ends[0]} and to "
            f"{ends[1] if len(ends) == 2 else 'an end'}, and no turnout in it lies differently for "
            "the two."
        )
        remedy = f"{write[0].upper()}{write[1:]}."
    else:
        message = (
            f"It ends in block {block}, and so does a line from {ends[0]}; neither a line through "
            "it nor a turnout says how they go on."
        )
        remedy = f"Write a line through it, as `{ends[0]} > {block} > {ends[-1]}`, or {write}."
    scope.findings.error(("lines", line), f"line {line}", message, remedy)


def _cut_off(scope: Scope, track: Track, way: Way, through: Iterable[Way]) -> None:
    line = _line_between(track, way.block, way.ahead)
    others = sorted({f"{other.ahead}" for other in through})
    scope.findings.warning(
        ("lines", line),
        f"line {line}",
        f"It ends in block {way.block}, which other lines run through, so a train can go on to "
        f"{way.ahead} only when it starts in {way.block}.",
        f"Let the line begin with the block that trains come from ({listed(others)}), as in "
        f"`{others[0]} > {way.block} > {way.ahead}`.",
    )


def _check_all_used(scope: Scope, steps: Iterable[Step]) -> None:
    """Say which blocks and turnouts no line has, where every line could be read."""
    steps = tuple(steps)
    blocks = {step.block for step in steps}
    turnouts = {turnout for step in steps for turnout, _ in step.lies}
    for block in scope.layout.blocks:
        if block not in blocks:
            scope.findings.warning(
                ("blocks", block),
                f"block {block}",
                "No line runs through it, so no signal protects it.",
                "Put it in a line, or take it out.",
            )
    for turnout, described in scope.layout.turnouts.items():
        if turnout not in turnouts:
            scope.findings.error(
                ("turnouts", turnout),
                f"turnout {turnout}",
                "No line says how it must lie, so signals would clear however it lies.",
                f"Write its lie in every line over it, as `{described.block}[{turnout} normal]`.",
            )
