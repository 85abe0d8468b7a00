"""Which frames go over a bus, and how often: what the reckoning of its load begins with.

Law of this file: from bindings to frames; no arithmetic and no bus. Counted is
what the layout binds, and what its nodes send besides: their status, and the
proof of what they are ordered. Other boards on the bus are not known here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from attrs import frozen

from transports.can.schema import ALL_NODES, Shape, load_schema

if TYPE_CHECKING:
    from cantools.database.can import Message

    from signalling.layout.words import Device
    from transports.can.bindings import Bindings

__all__ = ["Traffic", "bus_traffic"]

_PROOFS = {"StopOrder": "StopProof", "SignalOrder": "SignalProof", "TurnoutOrder": "TurnoutReport"}
"""In which frames a node says what has become of its orders."""

_ANSWERS = {"Heard": "NodeStatus"}
"""What is sent as often as something arrives."""

_EVERY_NODE = ("AllDanger", "Identify")
"""What is sent on demand."""

_WITHIN_FRESH = 3
"""How often a foreign device says something within the time for which it holds, if nothing says.

The manual asks for two or three times.
"""


@frozen(kw_only=True)
class Traffic:
    """Frames of one identifier that say one thing again and again."""

    name: str
    """The name of the message in its DBC."""
    identifier: int
    extended: bool
    """Whether the identifier has 29 bits."""
    data: int
    """Bytes of data."""
    period: float | None
    """Seconds after which it is said again; ``None`` where it is only said on demand."""
    gap: float
    """Seconds between two frames at the least."""
    ours: bool
    """Whether the controller sends it."""


def bus_traffic(
    bindings: Bindings, fresh: Mapping[Device, float | None], refresh: float
) -> tuple[Traffic, ...]:
    """Return what goes over the bus of these bindings.

    ``fresh`` is how long the report of a device holds, ``refresh`` after how
    many seconds orders are sent again.
    """
    return (*_own(bindings, refresh), *_foreign(bindings, fresh, refresh))


def _own(bindings: Bindings, refresh: float) -> Iterator[Traffic]:
    """Yield the frames of our own schema: one stream for each group of ports of a node."""
    if not bindings.nodes:
        return
    named = load_schema().named
    for name in _EVERY_NODE:
        yield _of_schema(named[name], ALL_NODES, refresh)
    streams: dict[tuple[str, int, int], None] = {}
    for place in (*bindings.own_reports, *bindings.own_orders):
        streams[place.shape.name, place.node, place.group] = None
        proof = _PROOFS.get(place.shape.name)
        if proof is not None:
            streams[proof, place.node, place.port // named[proof].ports] = None
    for node in bindings.nodes:
        streams["NodeStatus", node, 0] = None
        streams["Heard", node, 0] = None
    for name, node, _ in streams:
        yield _of_schema(named[name], node, refresh)


def _of_schema(shape: Shape, node: int, refresh: float) -> Traffic:
    period = shape.period
    if shape.by_controller and period is not None:
        answered = _ANSWERS.get(shape.name)
        period = refresh if answered is None else load_schema().named[answered].period
    return Traffic(
        name=shape.name,
        identifier=shape.identifier(node),
        extended=False,
        data=shape.length,
        period=period,
        gap=shape.gap,
        ours=shape.by_controller,
    )


def _foreign(
    bindings: Bindings, fresh: Mapping[Device, float | None], refresh: float
) -> Iterator[Traffic]:
    """Yield the frames of foreign devices: one stream for each message."""
    for group in bindings.foreign_groups:
        yield _of_file(group.message.message, refresh, ours=True)
    heard: dict[tuple[int, bool], tuple[Message, list[float]]] = {}
    for publisher in bindings.publishers.values():
        _times(heard, publisher.message.message).append(publisher.within)
    for report in bindings.foreign_reports:
        holds = fresh.get(report.device)
        _times(heard, report.message.message).extend([] if holds is None else [holds])
    for message, times in heard.values():
        said = message.cycle_time / 1000 if message.cycle_time else None
        supposed = min(times) / _WITHIN_FRESH if times else None
        yield _of_file(message, said or supposed, ours=False)
    for publisher in bindings.publishers.values():
        if publisher.poll is not None:
            yield Traffic(
                name=f"{publisher.name} poll",
                identifier=publisher.poll.identifier,
                extended=publisher.poll.extended,
                data=len(publisher.poll.data),
                period=None,
                gap=0.0,
                ours=True,
            )


def _times(
    heard: dict[tuple[int, bool], tuple[Message, list[float]]], message: Message
) -> list[float]:
    """Return the seconds within which somebody wants to hear a message again."""
    key = (message.frame_id, message.is_extended_frame)
    return heard.setdefault(key, (message, []))[1]


def _of_file(message: Message, period: float | None, *, ours: bool) -> Traffic:
    return Traffic(
        name=message.name,
        identifier=message.frame_id,
        extended=message.is_extended_frame,
        data=message.length,
        period=period,
        gap=0.0,
        ours=ours,
    )
