"""Everything that is wired to a node, by port, and what frames say of it.

Law of this file: which thing is at which port of which frame; no counter, no
bus, no clock. What each thing does is its own.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from itertools import chain

from transports.can.frames import Frame
from transports.can.node_model import NodeFile
from transports.can.node_things import (
    DetectorThing,
    Head,
    InputThing,
    Levels,
    LockThing,
    StopThing,
    TurnoutThing,
)
from transports.can.schema import Schema, Shape

__all__ = ["Wiring"]


class Wiring:
    """The things that a node file describes. ``now`` is when their outputs are first set."""

    def __init__(self, settings: NodeFile, schema: Schema, now: int) -> None:
        self._schema = schema
        self._heads = {int(port): Head(pins) for port, pins in settings.signals.items()}
        self._stops = {int(port): StopThing(pins) for port, pins in settings.stops.items()}
        self._locks = {int(port): LockThing(pins) for port, pins in settings.locks.items()}
        self._turnouts = {int(port): TurnoutThing(pins) for port, pins in settings.turnouts.items()}
        self._detectors = {
            int(port): DetectorThing(pins) for port, pins in settings.detectors.items()
        }
        self._inputs = {int(port): InputThing(pins) for port, pins in settings.inputs.items()}
        self._moved = {port for port, each in self._turnouts.items() if each.moved}
        for head in self._heads.values():
            head.begin(now)
        for stop in self._stops.values():
            stop.begin(now)

    @property
    def ordered_groups(self) -> tuple[tuple[str, int], ...]:
        """The frames by which it is ordered, and their groups."""
        return self._groups(
            StopOrder=self._stops,
            SignalOrder=self._heads,
            LockOrder=self._locks,
            TurnoutOrder=self._moved,
        )

    @property
    def reported_groups(self) -> tuple[tuple[Shape, int], ...]:
        """The frames in which it reports, and their groups, most urgent first."""
        groups = self._groups(
            DetectorReport=self._detectors,
            InputReport=self._inputs,
            TurnoutReport=[port for port, each in self._turnouts.items() if each.detected],
            SignalProof=[port for port, each in self._heads.items() if each.proved],
            StopProof=[port for port, each in self._stops.items() if each.proved],
        )
        return tuple((self._schema.named[name], group) for name, group in groups)

    def able(self, frame: Frame) -> bool:
        """Return whether each port can do what a frame orders; a port that is not there can 0."""
        ports = frame.shape.ports
        for at, port in enumerate(range(frame.group * ports, (frame.group + 1) * ports)):
            if frame.shape.name == "SignalOrder":
                asked = (frame[f"Aspect{at}"], frame[f"Indicator{at}"])
                head = self._heads.get(port)
                able = asked == (0, 0) if head is None else head.able(*asked)
            else:
                able = frame[f"Port{at}"] == 0 or port in self._takers(frame.shape.name)
            if not able:
                return False
        return True

    def run(
        self,
        ordered: Callable[[str, str, int], int],
        told: Callable[[str, int], bool],
        levels: Levels,
        now: int,
    ) -> None:
        """Take orders, by frame, field and port, and the levels of inputs.

        ``told`` is whether anybody orders a port of a frame.
        """
        for port, head in self._heads.items():
            head.order(
                ordered("SignalOrder", "Aspect", port),
                ordered("SignalOrder", "Indicator", port),
                ordered("SignalOrder", "Flash", port),
                now,
                told=told("SignalOrder", port),
            )
            head.advance(levels, now)
        for port, stop in self._stops.items():
            stop.order(ordered("StopOrder", "Port", port), now)
            stop.advance(levels, now)
        for port, lock in self._locks.items():
            lock.order(ordered("LockOrder", "Port", port))
        for port, turnout in self._turnouts.items():
            turnout.order(ordered("TurnoutOrder", "Port", port), now)
            turnout.advance(levels, now)

    def on(self) -> set[int]:
        """Return the output pins that are on."""
        things = (self._heads, self._stops, self._locks, self._turnouts)
        return {pin for each in things for thing in each.values() for pin in thing.on()}

    @property
    def fault(self) -> bool:
        """Whether an output does not do what it is told."""
        heads = any(head.fault for head in self._heads.values())
        return heads or any(stop.fault for stop in self._stops.values())

    @property
    def deadlines(self) -> Iterator[int | None]:
        """Yield when a thing wants to be looked at again."""
        yield from chain.from_iterable(head.deadlines for head in self._heads.values())
        yield from chain.from_iterable(stop.deadlines for stop in self._stops.values())
        yield from chain.from_iterable(each.deadlines for each in self._turnouts.values())

    def values(self, shape: Shape, group: int, levels: Levels) -> dict[str, int]:
        """Return what a group of ports is, by the fields of its frame."""
        values: dict[str, int] = {}
        for at, port in enumerate(range(group * shape.ports, (group + 1) * shape.ports)):
            match shape.name:
                case "DetectorReport" if port in self._detectors:
                    values[f"Port{at}"] = self._detectors[port].state(levels)
                case "InputReport" if port in self._inputs:
                    values[f"Port{at}"] = self._inputs[port].state(levels)
                case "TurnoutReport" if port in self._turnouts:
                    values[f"Port{at}"] = self._turnouts[port].lie
                case "StopProof" if port in self._stops:
                    values[f"Port{at}"] = self._stops[port].proof
                case "SignalProof" if port in self._heads:
                    values[f"Lamps{at}"] = self._heads[port].lamps
                    values[f"IndicatorLit{at}"] = self._heads[port].position
        return values

    def _takers(self, name: str) -> Collection[int]:
        """Return the ports that take an order other than 0."""
        takers: Mapping[str, Collection[int]] = {
            "StopOrder": self._stops,
            "LockOrder": self._locks,
            "TurnoutOrder": self._moved,
        }
        return takers[name]

    def _groups(self, **ports: Collection[int]) -> tuple[tuple[str, int], ...]:
        """Return the groups of some ports in each frame."""
        return tuple(
            (name, group)
            for name, each in ports.items()
            for group in sorted({port // self._schema.named[name].ports for port in each})
        )
