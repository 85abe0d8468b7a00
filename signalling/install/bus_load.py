"""How full a CAN bus is, and how long each message waits at the worst.

Law of this file: arithmetic on messages; nothing of layouts, schemas or wires.
Times are whole nanoseconds, so that no rounding decides whether a message is
in time. A bound that does not exist is ``None``, never a large number.

The tests are those of Davis, Burns, Bril, Lukkien, "Controller Area Network
(CAN) schedulability analysis: refuted, revisited and revised", Real-Time
Systems 35 (2007) 239-272, doi 10.1007/s11241-007-9012-7. They hold for a bus
without transmission errors, on which each node sends its most urgent waiting
message first.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from attrs import field, frozen

__all__ = [
    "LONGEST_DATA",
    "Message",
    "bit_time",
    "exact_response",
    "frame_bits",
    "instances",
    "load",
    "sufficient_response",
]

LONGEST_DATA = 8
"""Data bytes of a classical CAN frame."""

_SECOND = 1_000_000_000

_STUFFED_HEADER = {False: 34, True: 54}
"""Bits besides the data that stuffing can lengthen, by whether the identifier has 29 bits."""

_UNSTUFFED = 13
"""Bits that it cannot: end of frame, acknowledgement, and the gap of three before the next."""


def frame_bits(data: int, *, extended: bool) -> int:
    """Return the bits that a frame takes at the worst, with stuffing and the gap after it.

    ``data`` is in bytes, ``extended`` is whether its identifier has 29 bits
    (equation 1 of the paper: 55 + 10 or 80 + 10 for each byte). Raises
    ``ValueError`` where no frame has so much data.
    """
    if not 0 <= data <= LONGEST_DATA:
        raise ValueError(f"a frame has from 0 to {LONGEST_DATA} bytes of data, not {data}")
    stuffed = _STUFFED_HEADER[extended] + 8 * data
    # A stuff bit after five equal bits can begin the next five, hence one in four.
    return stuffed + _UNSTUFFED + (stuffed - 1) // 4


def bit_time(bitrate: int) -> int:
    """Return the nanoseconds that a bit takes, rounded up. Raises ``ValueError``."""
    if bitrate <= 0:
        raise ValueError(f"a bit rate is above 0 bit/s, not {bitrate}")
    return -(-_SECOND // bitrate)


def _not_negative(_message: object, attribute: object, value: int) -> None:
    if value < 0:
        raise ValueError(f"{getattr(attribute, 'name', attribute)} is not negative, as {value} is")


@frozen(kw_only=True)
class Message:
    """Frames of one identifier, from one sender."""

    name: str
    wire: int = field()
    """Nanoseconds that a frame takes on the wire at the worst."""
    period: int = field()
    """Nanoseconds between two of them at the least."""
    jitter: int = field(default=0, validator=_not_negative)
    """Nanoseconds by which one may come late to be sent."""

    @wire.validator
    @period.validator
    def _above_zero(self, attribute: object, value: int) -> None:
        if value <= 0:
            raise ValueError(f"{getattr(attribute, 'name', attribute)} is above 0, not {value}")

    @classmethod
    def of(
        cls,
        name: str,
        *,
        data: int,
        extended: bool,
        period: int,
        bitrate: int,
        jitter: int = 0,
    ) -> Message:
        """Return a message of so many data bytes at a bit rate, in bit/s."""
        wire = frame_bits(data, extended=extended) * bit_time(bitrate)
        return cls(name=name, wire=wire, period=period, jitter=jitter)


def load(messages: Iterable[Message]) -> Fraction:
    """Return the share of its time that a bus is busy at the worst; above 1, it is overloaded."""
    return _share(_alike(messages))


def exact_response(messages: Sequence[Message], place: int, bit: int) -> int | None:
    """Return the nanoseconds from its cause until the message at ``place`` has gone, at the worst.

    ``messages`` are all of the bus, most urgent first; ``bit`` is the bit time
    in nanoseconds. ``None`` where there is no bound, because what is at least
    as urgent fills the bus.
    """
    return max(instances(messages, place, bit), default=None)


def instances(messages: Sequence[Message], place: int, bit: int) -> Iterator[int]:
    """Yield the worst response time of each instance in the busy period; none where it never ends.

    The first alone is what the analysis of 1994 gave, which is too little
    where sending one instance holds up the next.
    """
    own = messages[place]
    blocking = max((each.wire for each in messages[place + 1 :]), default=0)
    urgent, as_urgent = _alike(messages[:place]), _alike(messages[: place + 1])
    if _share(as_urgent) >= 1:
        return
    busy = _until_quiet(own.wire, blocking, as_urgent, 0)
    wait = blocking
    for count in range(_ceil(busy + own.jitter, own.period)):
        wait = _until_quiet(wait, blocking + count * own.wire, urgent, bit)
        yield own.jitter + wait - count * own.period + own.wire
        wait += own.wire


def sufficient_response(messages: Sequence[Message], place: int, bit: int) -> int | None:
    """Return a simpler bound on the same time, never below the exact one.

    It looks at one instance, and lets the message be held up by itself. It
    says nothing of a message that may still wait when its next one is due:
    then ``None``.
    """
    own = messages[place]
    blocking = max(each.wire for each in messages[place:])
    urgent = _alike(messages[:place])
    if _share(urgent) >= 1:
        return None
    longest = own.period - own.jitter - own.wire
    wait = _until_quiet(blocking, blocking, urgent, bit, longest)
    return None if wait > longest else own.jitter + wait + own.wire


_Alike = Mapping[tuple[int, int, int], int]
"""How many messages there are of each wire time, period and jitter: most nodes' are alike."""


def _alike(messages: Iterable[Message]) -> _Alike:
    return Counter((each.wire, each.period, each.jitter) for each in messages)


def _share(alike: _Alike) -> Fraction:
    return sum(
        (count * Fraction(wire, period) for (wire, period, _), count in alike.items()),
        start=Fraction(0),
    )


def _until_quiet(
    start: int, held_up: int, urgent: _Alike, bit: int, longest: int | None = None
) -> int:
    """Return the least time, from ``start`` on, in which all that ``urgent`` sends has gone.

    Stops above ``longest``, where that is given.
    """
    time, before = start, -1
    while time != before and (longest is None or time <= longest):
        before = time
        time = held_up + sum(
            count * _ceil(time + jitter + bit, period) * wire
            for (wire, period, jitter), count in urgent.items()
        )
    return time


def _ceil(dividend: int, divisor: int) -> int:
    return -(-dividend // divisor)
