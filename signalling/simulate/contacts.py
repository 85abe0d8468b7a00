"""What the devices of the simulated railway say: detectors above all.

Law of this file: from what is so to what is reported, and no more. A section
detector says the truth of its block, a beam the truth of its joint; by chance,
where that is asked for, the contact of an occupied section is bad for a moment.
Every other device that reports says that nothing is amiss, until it is made to
say something else.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sized
from random import Random

from signalling.layout.notation import Lie, parse_joint
from signalling.layout.words import Device, Report
from signalling.table.devices import devices
from signalling.table.table import Table

__all__ = ["Contacts"]

BAD = 4
"""Ticks that a bad contact reads clear, at the most; shorter than any usual hold-off."""

_CALM = {
    "detector": "clear",
    "turnout": str(Lie.NORMAL),
    "danger": "free",
    "override": "auto",
    "button": "released",
    "lamps": "lit",
    "lock": "idle",
    "indicator": "dark",
    "stop": "applied",
    "reader": "none",
}


class Contacts:
    """Every device that reports, and what it says.

    ``flicker`` is how likely the contact of an occupied section goes bad in one tick.
    """

    def __init__(self, table: Table, random: Random, flicker: float) -> None:
        self._random = random
        self._flicker = flicker
        self._bad: dict[str, int] = {}
        """Ticks for which each bad contact stays so, by block."""
        self._said = {
            each.device: _CALM[each.device.kind]
            for each in devices(table.layout, table.practice)
            if each.reports
        }
        self._news: dict[Device, None] = {}
        self._sections: dict[str, list[Device]] = {}
        self._beams: dict[frozenset[str], list[Device]] = {}
        for name, detector in table.layout.detectors.items():
            device = Device("detector", name)
            if detector.block is not None:
                self._sections.setdefault(detector.block, []).append(device)
            elif detector.at is not None:
                joint = parse_joint(detector.at)
                ends = frozenset((joint.rear, joint.ahead))
                self._beams.setdefault(ends, []).append(device)

    def __contains__(self, device: Device) -> bool:
        """Return whether a device reports anything."""
        return device in self._said

    def say(self, device: Device, value: str) -> None:
        """Let a device say something, if it ever does."""
        if self._said.get(device, value) != value:
            self._said[device] = value
            self._news[device] = None

    def reports(self) -> tuple[Report, ...]:
        """Return what every device says."""
        self._news.clear()
        return tuple(Report(device, value) for device, value in self._said.items())

    def news(self) -> tuple[Report, ...]:
        """Return what was said since this, or ``reports``, was last asked for."""
        news = tuple(Report(device, self._said[device]) for device in self._news)
        self._news.clear()
        return news

    def section(self, block: str, *, occupied: bool) -> None:
        """Let the section detectors of a block say whether anything is in it."""
        for device in self._sections.get(block, ()):
            self.say(device, "occupied" if occupied else "clear")

    def beams(self, broken: Container[frozenset[str]]) -> None:
        """Let the beams say which are broken; each is named by the two blocks that meet there."""
        for ends, beams in self._beams.items():
            for device in beams:
                self.say(device, "occupied" if ends in broken else "clear")

    def flicker(self, inside: Mapping[str, Sized]) -> None:
        """Let one tick pass for bad contacts; ``inside`` has what is in each block."""
        if not self._flicker:
            return
        for block, trains in inside.items():
            left = self._bad.pop(block, 0)
            if left > 1:
                self._bad[block] = left - 1
            elif left:
                self.section(block, occupied=bool(trains))
            elif trains and self._random.random() < self._flicker:
                self._bad[block] = self._random.randint(1, BAD)
                self.section(block, occupied=False)
