"""What a CAN bus has to carry, and whether it can: the load, and the longest waits by class.

Law of this file: from streams of frames to figures. What streams there are,
and what their classes are called, is handed in; nothing is printed.

A stream is sent again after a period, and when what it says has changed, but
never twice within a gap. What is assumed besides: each stream changes at most
so many times a second, and what is only sent on demand is sent at most once a
second. A sender sends its most urgent waiting frame first, except for one that
puts its frames into a queue, as a computer does: there a frame waits for all
that stand before it, and competes for the bus when it has come to the front.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from attrs import evolve, frozen

from signalling.install.bus_load import Message, bit_time, exact_response, frame_bits, load

__all__ = ["CHANGES", "BusReport", "ClassReport", "Stream", "bus_report"]

CHANGES = 4.0
"""Changes a second of each stream at the most, where nothing else is said.

Sixteen detectors or four signals of a model railway seldom change so often.
"""

ON_DEMAND = 1.0
"""Seconds between two frames of a stream that is not repeated."""

_SECOND = 1_000_000_000


@frozen(kw_only=True)
class Stream:
    """Frames of one identifier that say one thing again and again."""

    kind: str
    """Its class, by which it is reported on."""
    identifier: int
    extended: bool = False
    """Whether the identifier has 29 bits."""
    data: int
    """Bytes of data."""
    period: float | None
    """Seconds after which it is said again; ``None`` where it is only said on demand."""
    gap: float = 0.0
    """Seconds between two of its frames at the least."""
    queued: bool = False
    """Whether it is sent by the one sender that puts its frames into a queue."""

    @property
    def urgency(self) -> tuple[int, bool]:
        """Sort key: what wins the bus comes first; of equal beginnings, that is the shorter one."""
        return (self.identifier << (0 if self.extended else 18), self.extended)


@frozen(kw_only=True)
class ClassReport:
    """What one class of frames asks of the bus, and what it gets."""

    kind: str
    streams: int
    load: float
    """Its share of the bus's time while everything changes as often as is assumed."""
    longest: float | None
    """Seconds from a change until it has gone, at the worst; ``None`` where there is no bound."""
    fits: bool
    """Whether every frame has gone before the next one of its stream is due."""


@frozen(kw_only=True)
class BusReport:
    """A bus at a bit rate."""

    bitrate: int
    load_at_rest: float
    """The share of its time that it is busy while nothing changes."""
    load: float
    """The same while everything changes as often as is assumed."""
    classes: tuple[ClassReport, ...]
    """Most urgent first."""

    @property
    def fits(self) -> bool:
        """Whether every frame of every class has gone before the next one of its stream is due."""
        return all(each.fits for each in self.classes)


def bus_report(streams: Iterable[Stream], bitrate: int, changes: float = CHANGES) -> BusReport:
    """Return how streams fare on a bus of a bit rate, in bit/s.

    ``changes`` are those of each stream, a second. Raises ``ValueError`` where
    either is not above 0.
    """
    if not changes > 0:
        raise ValueError(f"changes a second are above 0, not {changes:g}")
    ordered = sorted(streams, key=lambda stream: stream.urgency)
    sent = [each for stream in ordered for each in _sent(stream, bitrate, changes)]
    waits = _waits(sent, bit_time(bitrate))
    return BusReport(
        bitrate=bitrate,
        load_at_rest=float(load(each.message for each in sent if each.again)),
        load=float(load(each.message for each in sent)),
        classes=tuple(
            _class_report(
                kind,
                [
                    (each, wait)
                    for each, wait in zip(sent, waits, strict=True)
                    if each.stream.kind == kind
                ],
            )
            for kind in dict.fromkeys(stream.kind for stream in ordered)
        ),
    )


@frozen
class _Sent:
    """What a stream sends for one reason, as the analysis has it."""

    stream: Stream
    message: Message
    again: bool
    """Whether it is sent because the period has passed, and nothing has changed."""
    urgency: tuple[int, bool]


def _sent(stream: Stream, bitrate: int, changes: float) -> Iterator[_Sent]:
    wire = frame_bits(stream.data, extended=stream.extended) * bit_time(bitrate)
    if stream.period is not None:
        again = Message(name=stream.kind, wire=wire, period=_nanoseconds(stream.period))
        yield _Sent(stream, again, again=True, urgency=stream.urgency)
    apart = ON_DEMAND if stream.period is None else 1 / changes
    change = Message(
        name=stream.kind,
        wire=wire,
        period=_nanoseconds(apart),
        # A change that follows another frame closely waits until the gap has passed.
        jitter=_nanoseconds(stream.gap),
    )
    yield _Sent(stream, change, again=False, urgency=stream.urgency)


def _nanoseconds(seconds: float) -> int:
    return round(seconds * _SECOND)


def _waits(sent: Sequence[_Sent], bit: int) -> list[int | None]:
    """Return how long each waits at the worst, in the order of ``sent``, most urgent first.

    What is queued waits as if all else of the queue, and whatever beats the
    least urgent of it, went first: in a bus that never rests meanwhile, being
    served last is the latest that it can be served. To the others it comes as
    late as it may have to wait for the front of the queue, which is a jitter.
    Of one identifier, each waits as if all others went first.
    """
    queue = [each for each in sent if each.stream.queued]
    plain: list[Message | None] = [each.message for each in sent]
    in_queue = {
        own.message: _wait(own, queue[-1].urgency, sent, plain, bit)
        for own in {each.message: each for each in queue}.values()
    }
    competing = [
        _at_the_front(each.message, in_queue[each.message]) if each.stream.queued else each.message
        for each in sent
    ]
    known: dict[tuple[object, Message], int | None] = {}
    waits = []
    for own in sent:
        key = (own.urgency, own.message)
        if own.stream.queued:
            waits.append(in_queue[own.message])
            continue
        if key not in known:
            known[key] = _wait(own, own.urgency, sent, competing, bit)
        waits.append(known[key])
    return waits


def _wait(
    own: _Sent,
    level: tuple[int, bool],
    sent: Sequence[_Sent],
    competing: Sequence[Message | None],
    bit: int,
) -> int | None:
    """Return how long one waits while all down to a level of urgency goes first."""
    above: list[Message] = []
    below: list[Message] = []
    for each, message in zip(sent, competing, strict=True):
        if each.urgency > level:
            below.append(each.message)
        elif each is not own:
            if message is None:
                return None
            above.append(message)
    return exact_response([*above, own.message, *below], len(above), bit)


def _at_the_front(message: Message, wait: int | None) -> Message | None:
    """Return a message as it competes for the bus, out of a queue in which it waits so long."""
    return None if wait is None else evolve(message, jitter=wait - message.wire)


def _class_report(kind: str, sent: Sequence[tuple[_Sent, int | None]]) -> ClassReport:
    waits = [wait for _, wait in sent if wait is not None]
    return ClassReport(
        kind=kind,
        streams=sum(not each.again for each, _ in sent),
        load=float(load(each.message for each, _ in sent)),
        longest=max(waits) / _SECOND if len(waits) == len(sent) else None,
        fits=all(wait is not None and wait <= each.message.period for each, wait in sent),
    )
