"""``signalling bus FILE``: say how full a layout's CAN buses are, and how long frames wait.

Law of this file: prints; what goes over a bus is its transport's to say, and
what follows is worked out by ``signalling.install``.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator
from pathlib import Path
from textwrap import wrap
from typing import Any

from attrs import frozen

from signalling.cli import GOOD, MISTAKES
from signalling.cli.numbers import positive
from signalling.errors import ConfigurationError
from signalling.install.bus_cable import TERMINATOR, Cable, cable_for
from signalling.install.bus_report import CHANGES, BusReport, Stream, bus_report
from signalling.install.cautions import CAUTIONS
from signalling.table.devices import bindings
from signalling.table.load import load_table
from signalling.table.table import Table

__all__ = ["add_arguments", "run"]

BITRATE = 125_000
"""Bit/s, where neither the command nor the layout says: long cables, and enough for most."""

_WIDTH = 80

_SEES, _ACTS = "DetectorReport", ("StopOrder", "SignalOrder")
"""The frames that tell of a train, and those that follow from it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--bitrate",
        metavar="N",
        type=int,
        help="bit/s; where not given, the transport's `bitrate` in the layout file, else "
        f"{BITRATE}",
    )
    parser.add_argument(
        "--changes",
        metavar="N",
        type=positive,
        default=CHANGES,
        help="how often a second everything changes at the most, besides being repeated; where "
        "not given, %(default)g",
    )
    parser.add_argument(
        "--json", action="store_true", help="print one object; the times in it are in seconds"
    )
    parser.epilog = (
        "Exit codes: 0 everything fits, 1 something does not or the layout has errors, 2 usage, "
        "unreadable file, or a transport set up wrongly."
    )


def run(arguments: argparse.Namespace) -> int:
    """Print what there is to say of each bus.

    Raises ``LayoutError``, ``UnreadableFileError`` or ``ConfigurationError``.
    """
    table = load_table(arguments.file)
    folder = Path(arguments.file).parent
    buses = [
        _bus(table, name, folder, arguments.bitrate, arguments.changes)
        for name, options in table.layout.transports.items()
        if options["kind"] == "can"
    ]
    if not buses:
        raise ConfigurationError(
            f"layout {table.layout.settings.name}",
            "It has no CAN bus.",
            'A bus is a table [transports.NAME] with kind = "can", and bindings to it.',
        )
    name = table.layout.settings.name
    if arguments.json:
        told = [_as_json(bus, arguments.changes) for bus in buses]
        print(json.dumps({"layout": name, "buses": told, "cautions": CAUTIONS}, indent=2))
    else:
        for bus in buses:
            print("\n".join(_told(bus, name, arguments.changes)))
            print()
        print("\n".join(wrap(" ".join(CAUTIONS), _WIDTH)))
    return GOOD if all(bus.report.fits for bus in buses) else MISTAKES


@frozen
class _Bus:
    """What there is to say of one bus."""

    name: str
    report: BusReport
    cable: Cable
    reaction: float | None
    """Seconds on the bus at the worst, from a detector to its stops and signals."""


def _bus(table: Table, name: str, folder: Path, bitrate: int | None, changes: float) -> _Bus:
    # Only now, since it loads what CAN needs.
    from signalling.controller.load import make_link

    options = table.layout.transports[name]
    carried = bindings(table.layout, table.practice)[name]
    transport = make_link(name, options, carried, folder).transport

    from transports.can import CanTransport

    if not isinstance(transport, CanTransport):
        raise ConfigurationError(
            f"transport {name}", "It is no CAN transport.", "Tell the author of its kind."
        )
    chosen = options.get("bitrate", BITRATE) if bitrate is None else bitrate
    try:
        cable = cable_for(chosen)
    except ValueError as error:
        raise ConfigurationError(
            f"transport {name}", f"bitrate is {chosen}.", f"Write {error}."
        ) from None
    streams = [
        Stream(
            kind=each.name,
            identifier=each.identifier,
            extended=each.extended,
            data=each.data,
            period=each.period,
            gap=each.gap,
            queued=each.ours,  # the driver's queue stands between the controller and the bus
        )
        for each in transport.traffic
    ]
    report = bus_report(streams, chosen, changes)
    return _Bus(name, report, cable, _reaction(report))


def _reaction(report: BusReport) -> float | None:
    longest = {each.kind: each.longest for each in report.classes}
    seen = longest.get(_SEES)
    acted = [longest[kind] for kind in _ACTS if kind in longest]
    times = [time for time in acted if time is not None]
    if seen is None or not acted or len(times) < len(acted):
        return None
    return seen + max(times)


# -- for programs


def _as_json(bus: _Bus, changes: float) -> dict[str, Any]:
    report = bus.report
    return {
        "transport": bus.name,
        "bitrate": report.bitrate,
        "changes": changes,
        "load": report.load,
        "load_at_rest": report.load_at_rest,
        "fits": report.fits,
        "reaction": bus.reaction,
        "frames": [
            {
                "name": each.kind,
                "streams": each.streams,
                "load": each.load,
                "longest": each.longest,
                "fits": each.fits,
            }
            for each in report.classes
        ],
        "cable": {
            "bus": bus.cable.bus,
            "stub": bus.cable.stub,
            "stubs": bus.cable.stubs,
            "terminator": TERMINATOR,
        },
    }


# -- for people


def _told(bus: _Bus, layout: str, changes: float) -> Iterator[str]:
    report, cable = bus.report, bus.cable
    streams = sum(each.streams for each in report.classes)
    yield f"{layout}, transport {bus.name}: {streams} streams of frames at {_rate(report.bitrate)}"
    yield ""
    width = max(len("frames"), *(len(each.kind) for each in report.classes))
    yield f"  {'frames':{width}}   streams     load   longest wait"
    for each in report.classes:
        yield (
            f"  {each.kind:{width}}   {each.streams:7}   {_percent(each.load)}   "
            f"{_wait(each.longest):>12}"
        )
    yield ""
    yield from _fact(
        "Load",
        f"{_percent(report.load).strip()} while everything changes {changes:g} times a second, "
        f"{_percent(report.load_at_rest).strip()} at rest",
    )
    if bus.reaction is not None:
        yield from _fact(
            "Reaction",
            f"{_wait(bus.reaction)} on the bus at the worst, from a detector to its signals and "
            "stops",
        )
    late = [each.kind for each in report.classes if not each.fits]
    yield from _fact(
        "Fits",
        f"no: {', '.join(late)} may still wait when the next is due. Choose a higher bit rate, or "
        "put some of the nodes on another bus."
        if late
        else "yes: every frame has gone before the next one of its stream is due",
    )
    yield from _fact(
        "Cable",
        f"{cable.bus:g} m from end to end at the most; stubs {cable.stub:g} m each, and "
        f"{cable.stubs:g} m together (CiA 301)",
    )
    yield from _fact(
        "Resistors",
        f"{TERMINATOR} ohms across the pair at each of its two ends and nowhere else, so that a "
        f"meter reads {TERMINATOR / 2:g} ohms with the power off (ISO 11898-2)",
    )


def _fact(name: str, text: str) -> list[str]:
    return wrap(f"{name:12}{text}", _WIDTH, subsequent_indent=" " * 12)


def _rate(bitrate: int) -> str:
    return f"{bitrate / 1000:g} kbit/s"


def _percent(share: float) -> str:
    # Rounded up: a bound is not made better than it is.
    return f"{math.ceil(share * 1000) / 10:5.1f} %"


def _wait(seconds: float | None) -> str:
    return "no bound" if seconds is None else f"{math.ceil(seconds * 10_000) / 10:.1f} ms"
