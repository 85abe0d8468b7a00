"""Tern Junction as data: the boards that are wired to it, and what each signal depends on.

Law of this file: written by hand from the plan in ``tern.toml``, so that what is
derived from the layout can be held against it. Nothing here is made from the
table or its equations.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from pathlib import Path
from typing import Any

from attrs import frozen

from signalling.table.table import Table
from tests.rig import table_from

HERE = Path(__file__).parent


def tern_text(interface: str, channel: str, port: int, *, busy: bool = True) -> str:
    """Return the layout file for a CAN interface and a broker; with trains where it is busy."""
    text = (HERE / "tern.toml").read_text()
    if not busy:
        before, _, rest = text.partition("[trains]")
        text = before + rest[rest.index("[transports.bus]") :]
    return (
        text.replace("INTERFACE", interface)
        .replace("CHANNEL", channel)
        .replace("0xBEEF", str(port))
    )


def tern_table(interface: str, channel: str, port: int, *, busy: bool = True) -> Table:
    return table_from(tern_text(interface, channel, port, busy=busy))


# -- what each signal depends on


@frozen
class Route:
    """What must physically be so while a signal is off by this route."""

    blocks: tuple[str, ...]
    lies: tuple[tuple[str, str], ...] = ()
    following: str | None = None
    """The next signal that a driver meets."""


ROUTES: Mapping[str, tuple[Route, ...]] = {
    "R1": (Route(("r2",), (), "R2"),),
    "R2": (
        Route(("jw", "p1"), (("tw", "normal"),), "P1"),
        Route(("jw", "p2"), (("tw", "reverse"),), "P2"),
    ),
    "P1": (Route(("je", "r3"), (("te", "normal"),), "R3"),),
    "P2": (Route(("je", "r3"), (("te", "reverse"),), "R3"),),
    "R3": (Route(("r4",), (), "R4"),),
    "R4": (Route(("r5",), (), "R5"),),
    "R5": (Route(("r1",), (), "R1"),),
    "H1": (Route(("h2",)),),
}

STOPS: Mapping[str, str] = {
    "SR1": "R1",
    "SR2": "R2",
    "SP1": "P1",
    "SP2": "P2",
    "SR3": "R3",
    "SR4": "R4",
    "SR5": "R5",
}
"""The signal of each stop."""

HELD_BY: Mapping[str, str] = {"R4": "bell"}
"""The danger switch of each signal that has one."""

MAY_FOLLOW: Mapping[str, tuple[str, ...]] = {
    # A four-aspect signal; the practice's sources are in signalling/practice/uk.toml.
    "caution": ("danger", "caution", "preliminary-caution", "clear"),
    "preliminary-caution": ("caution", "preliminary-caution", "clear"),
    "clear": ("preliminary-caution", "clear"),
}
"""What a driver may meet at the next signal after each aspect."""

ASPECTS = ("danger", "caution", "preliminary-caution", "clear")


# -- the boards on CAN


@frozen
class Board:
    """A node on CAN: its file, and which device each of its pins is."""

    number: int
    serial: int
    file: str
    signals: Mapping[str, tuple[tuple[int, ...], ...]]
    """The lamps of each aspect, by signal."""
    stops: Mapping[str, int]
    """The pin that lifts each stop."""
    detectors: Mapping[str, int]
    """The pin that is on while a detector reads clear."""
    proofs: Mapping[str, int]
    """The pin that is on while a signal's lamps are alight."""

    def aspect(self, signal: str, on: Container[int]) -> str:
        """What a driver reads, by the pins that are on; whatever is no aspect is danger."""
        lamps = self.signals[signal]
        lit = {pin for aspect in lamps for pin in aspect if pin in on}
        for aspect, pins in zip(ASPECTS, lamps, strict=True):
            if lit == set(pins):
                return aspect
        return "danger"


def _board(
    number: int,
    *,
    signals: tuple[str, ...] = (),
    stops: tuple[str, ...] = (),
    detectors: tuple[str, ...] = (),
    proved: tuple[str, ...] = (),
) -> Board:
    lamps = {
        name: ((base,), (base + 1,), (base + 1, base + 2), (base + 3,))
        for name, base in zip(signals, range(0, 99, 4), strict=False)
    }
    lift = dict(zip(stops, range(20, 40), strict=False))
    clear = dict(zip(detectors, range(40, 60), strict=False))
    proofs = dict(zip(proved, range(60, 80), strict=False))
    lines = []
    for port, (name, aspects) in enumerate(lamps.items()):
        lines += [f"[signals.{port}]", f"aspects = {[list(pins) for pins in aspects]}"]
        lines += [f"lamps_proof = {proofs[name]}"] if name in proofs else []
    lines += [
        "[stops]",
        *(f"{port} = {{ lift = {pin} }}" for port, pin in enumerate(lift.values())),
    ]
    lines += [
        "[detectors]",
        *(f"{port} = {{ clear = {pin} }}" for port, pin in enumerate(clear.values())),
    ]
    return Board(number, 0x7E4_0000 + number, "\n".join(lines), lamps, lift, clear, proofs)


BOARDS: Mapping[str, Board] = {
    "west": _board(
        1,
        signals=("R1", "R5"),
        stops=("SR1", "SR2", "SR5"),
        detectors=("r1", "r2", "jw"),
        proved=("R1",),
    ),
    "station": _board(2, stops=("SP1", "SP2"), detectors=("p1", "p2", "je")),
    "east": _board(
        3, signals=("R3", "R4"), stops=("SR3", "SR4"), detectors=("r3", "r4"), proved=("R3",)
    ),
}


# -- the nodes on MQTT

AT_REST: Mapping[str, Mapping[str, Mapping[str, Any]]] = {
    "points": {"turnout": {"tw": None}},
    "box": {
        "signal": {
            "R2": {"aspect": "danger", "indicator": "dark"},
            "P1": {"aspect": "danger"},
            "P2": {"aspect": "danger"},
        }
    },
    "harbour": {"signal": {"H1": {"aspect": "danger"}}},
}
"""The outputs of each node at danger."""

READS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "points": {"turnout": ("tw", "te")},
    "box": {"lamps": ("R2", "P1")},
    "harbour": {"detector": ("h1", "h2")},
}
"""What each node reports, by kind."""

CALM = {"lamps": "lit", "detector": "clear", "turnout": "normal"}
"""What each kind of device reads on an empty track."""

COIL, BELL = "yard/coil/7", "yard/bell"
"""The topics of the foreign devices: detector r5 and the danger switch."""
