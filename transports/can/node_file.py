"""A node file, read: from its name to a ``NodeFile`` that fits together.

Law of this file: what the classes cannot say, checked; every mistake is found
in one run, each with its line. No pin is touched.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from typing import Any

from signalling.errors import ConfigurationError, UnreadableFileError
from signalling.layout.findings import Findings
from signalling.layout.place import KeyPath, locate
from signalling.layout.shape import structure_rest
from signalling.layout.source import parse_toml, read_text
from transports.can.node_model import NodeFile
from transports.can.schema import LAST_NODE, Shape, load_schema

__all__ = ["LAST_PIN", "checked_number", "node_file_from", "read_node_file"]

LAST_PIN = 127
"""The highest number of a pin; boards have far fewer."""

_LARGEST_SERIAL = 0xFFFF_FFFF
_LONGEST_PULSE = 60.0
"""Seconds for which a turnout may be moved: a slow motor takes a few."""

_NUMBER = re.compile(r"0|[1-9][0-9]{0,3}")

_FRAMES: Mapping[str, str] = {
    "signals": "SignalOrder",
    "stops": "StopOrder",
    "locks": "LockOrder",
    "turnouts": "TurnoutOrder",
    "detectors": "DetectorReport",
    "inputs": "InputReport",
}
"""The frame that numbers the ports of each table."""


def read_node_file(file: str | os.PathLike[str]) -> NodeFile:
    """Return what a node file says.

    Raises ``UnreadableFileError`` when there is no text to read, and
    ``LayoutError`` with all findings when any is an error.
    """
    name = os.fspath(file)
    try:
        text = read_text(name)
    except UnreadableFileError as error:
        raise UnreadableFileError(
            name, error.reason, "Name a node file; the manual of nodes shows one."
        ) from None
    return node_file_from(text, name)


def node_file_from(text: str, file: str = "node.toml") -> NodeFile:
    """Return what a node file's text says. Raises ``LayoutError`` with all findings."""
    findings = Findings(file, locate(text))
    data = parse_toml(text, findings)
    if data is not None:
        node, misfits = structure_rest(data, NodeFile)
        for misfit in misfits:
            findings.error(misfit.path, _thing(misfit.path), misfit.reason, misfit.remedy)
        if node is not None:
            _check(node, findings)
            if not misfits:  # else what was left out would be missed
                _check_wiring(node, findings)
            if findings.sound:
                return node
    findings.raise_errors()
    raise AssertionError(file)  # what was not read has an error


def checked_number(number: int) -> int:
    """Return the number of a node. Raises ``ConfigurationError`` for one that there cannot be."""
    if not 1 <= number <= LAST_NODE:
        raise ConfigurationError(
            f"node {number}",
            "There is no such number.",
            f"Give it one from 1 to {LAST_NODE} that no other node of the bus has.",
        )
    return number


def _thing(path: KeyPath) -> str:
    match path:
        case (("board" | "pins") as table, *_):
            return str(table)
        case (str(table), str(port), *_) if table in _FRAMES:
            return f"{table.removesuffix('s')} {port}"
    return "node"


def _check(node: NodeFile, findings: Findings) -> None:
    for table, frame in _FRAMES.items():
        _check_ports(table, getattr(node, table), load_schema().named[frame], findings)
    if not any(getattr(node, table) for table in _FRAMES):
        findings.error(
            (), "node", "It has nothing to do.", "Describe a signal, a stop, a detector or another."
        )
    if node.board.serial is not None and node.board.serial > _LARGEST_SERIAL:
        findings.error(
            ("board", "serial"),
            "board",
            f"The serial is {node.board.serial}.",
            f"Write a number from 1 to {_LARGEST_SERIAL}.",
        )
    _check_pins(node, findings)
    for port, signal in node.signals.items():
        _check_signal(port, signal.aspects, signal.indicator, findings)
    for port, turnout in node.turnouts.items():
        path = ("turnouts", port)
        if turnout.pulse > _LONGEST_PULSE:
            findings.error(
                (*path, "pulse"),
                _thing(path),
                f"It would be moved for {turnout.pulse:g} s.",
                f"Write the seconds that its motor needs, {_LONGEST_PULSE:g} at the most; a coil "
                "needs a tenth of one.",
            )
        if (turnout.move_normal is None) != (turnout.move_reverse is None):
            findings.error(
                path,
                _thing(path),
                "It is moved one way only.",
                "Name both `move_normal` and `move_reverse`, or neither.",
            )


def _check_ports(table: str, things: Mapping[str, Any], shape: Shape, findings: Findings) -> None:
    last = shape.ports * (shape.group.most + 1) - 1
    for port in things:
        if not _NUMBER.fullmatch(port) or int(port) > last:
            path = (table, port)
            findings.error(
                path, _thing(path), "There is no such port.", f"Write a number from 0 to {last}."
            )


def _check_pins(node: NodeFile, findings: Findings) -> None:
    """Say which pins there are not, and which do two things."""
    taken: dict[int, tuple[str, ...]] = {}
    for path, pin in (*node.output_uses(), *node.input_uses()):
        if not 0 <= pin <= LAST_PIN:
            findings.error(
                path,
                _thing(path),
                f"There is no pin {pin}.",
                f"Write the number of one, from 0 to {LAST_PIN}.",
            )
        elif taken.setdefault(pin, path) != path:
            other = taken[pin]
            findings.error(
                path,
                _thing(path),
                f"Pin {pin} is {other[-1]} of {_thing(other)} already.",
                "Give each a pin of its own.",
            )


def _check_wiring(node: NodeFile, findings: Findings) -> None:
    inputs = set(node.read)
    used = inputs | set(node.outputs)
    for key, usable, what in (
        ("active_low", used, "does nothing on this board"),
        ("pull_up", inputs, "is no input"),
        ("pull_down", inputs, "is no input"),
    ):
        for pin in getattr(node.pins, key):
            if pin not in usable:
                findings.error(
                    ("pins", key), "pins", f"Pin {pin} {what}.", f"Take it out of `{key}`."
                )
    for pin in sorted(set(node.pins.pull_up) & set(node.pins.pull_down)):
        findings.error(
            ("pins", "pull_down"),
            "pins",
            f"Pin {pin} is drawn high and low.",
            "Name it in one of `pull_up` and `pull_down`.",
        )


def _check_signal(
    port: str,
    aspects: tuple[tuple[int, ...], ...],
    indicator: Mapping[str, int],
    findings: Findings,
) -> None:
    shape = load_schema().named["SignalOrder"]
    most = shape.port("Aspect", 0).most
    path: KeyPath = ("signals", port, "aspects")
    thing = _thing(path)
    if not 2 <= len(aspects) <= most + 1:
        findings.error(
            path,
            thing,
            f"It has {len(aspects)} aspect{'' if len(aspects) == 1 else 's'}.",
            f"List the pins of danger and of each further aspect, {most + 1} at the most.",
        )
    for number, pins in enumerate(aspects):
        if not pins:
            findings.error(
                path,
                thing,
                f"Aspect {number}{' (danger)' if number == 0 else ''} lights no lamp.",
                "Name the pins of its lamps: a signal is never dark.",
            )
        elif number and set(pins) == set(aspects[0]):
            findings.error(
                path,
                thing,
                f"Aspect {number} lights what danger lights.",
                "Name the pins of its own lamps.",
            )
    last = shape.port("Indicator", 0).most
    for position in indicator:
        if not _NUMBER.fullmatch(position) or not 1 <= int(position) <= last:
            findings.error(
                ("signals", port, "indicator", position),
                thing,
                f"The route indicator has no position {position}.",
                f"Write a number from 1 to {last}.",
            )
