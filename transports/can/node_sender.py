"""What a node says, and when: its reports and its status.

Law of this file: state in, frames out, one at a time, each made when it goes; a
frame that the bus does not take yet is not queued but made anew. Times are
whole milliseconds. The same rules stand in C in ``shared/node-c/sender.c``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from attrs import define, field

from transports.can.frames import encode
from transports.can.protect import Sequence
from transports.can.schema import Schema, Shape

__all__ = ["Report", "Sender"]

_ROTATION: Final = (1, 0, 2, 0, 1, 0, 3, 0)
"""The pages of the status, as they follow on the first frames, which are of page 0."""
_IDENTITY: Final = 0
_FLAGS: Final = 1
"""The page that is said at once when something on it has changed."""


@define(eq=False)
class _Stream:
    """Frames of one class and one group or page."""

    shape: Shape
    group: int
    sequence: Sequence
    since: int
    """When it was begun."""
    begun: bool = False
    last: int | None = None
    """When its last frame went."""
    left: int = 0
    """Frames that are still to go one after another, so that a receiver is in step."""

    @property
    def next(self) -> int:
        """The earliest time of its next frame."""
        return self.since if self.last is None else self.last + milliseconds(self.shape.gap)

    def begin(self, frames: int, now: int) -> None:
        self.begun, self.left, self.since = True, frames, now

    def sent(self, now: int) -> None:
        self.sequence.advance()
        self.last = now
        self.left = max(0, self.left - 1)


@define(eq=False)
class Report(_Stream):
    """One group of ports that a node reports."""

    values: Mapping[str, int] = field(factory=dict)
    """What is to be said now; set by the node."""
    said: Mapping[str, int] | None = None

    @property
    def due(self) -> int | None:
        """When it is to be said again."""
        if not self.begun:
            return None
        if self.last is None or self.left or self.values != self.said:
            return self.next
        return self.last + _period(self.shape)


def _period(shape: Shape) -> int:
    return milliseconds(shape.period or 0.0)


def milliseconds(seconds: float) -> int:
    """Return whole milliseconds."""
    return round(seconds * 1000)


class Sender:
    """Everything that a node says.

    ``reports`` are its groups of ports, most urgent first, as shapes and groups;
    ``page`` gives the values of a page of the status; ``told`` is called with the
    page, its counter and the time when one has gone. ``start`` is the counter of
    each stream's first frame.
    """

    def __init__(
        self,
        schema: Schema,
        number: int,
        reports: tuple[tuple[Shape, int], ...],
        page: Callable[[int], Mapping[str, int]],
        told: Callable[[int, int, int], None],
        *,
        start: int,
        now: int,
    ) -> None:
        self._number = number
        self._page = page
        self._told = told
        self._frames_to_sync = schema.frames_to_sync
        self._silence = milliseconds(schema.report_timeout)
        status = schema.named["NodeStatus"]
        self._period = _period(status)
        self.reports = tuple(Report(shape, group, Sequence(start), now) for shape, group in reports)
        self._pages = tuple(
            _Stream(status, page, Sequence(start), now) for page in range(status.group.most + 1)
        )
        self._turn = 0
        self._turn_at = now
        self._flags_said: Mapping[str, int] | None = None
        self._going: tuple[_Stream, Mapping[str, int]] | None = None
        self._in_turn = False
        self.restart(now)

    def restart(self, now: int) -> None:
        """Begin anew, as after power-on: with who this is, and only then with the reports."""
        self._pages[_IDENTITY].begin(self._frames_to_sync, now)
        for report in self.reports:
            report.begun = False

    @property
    def next_deadline(self) -> int:
        """When the next frame is to go."""
        times = [due for report in self.reports if (due := report.due) is not None]
        return min([*times, self._next_page()[0]])

    def frame(self, now: int) -> tuple[int, bytes] | None:
        """Return the frame that is to go now, or ``None``. Then ``sent`` or nothing follows."""
        self._going = None
        for stream in (self._pages[_IDENTITY], *self.reports):
            # Whoever listens has given up a stream that was silent for so long.
            if stream.last is not None and now - stream.last > self._silence:
                stream.left = self._frames_to_sync
        for report in self.reports:
            due = report.due
            if due is not None and due <= now:
                return self._made(report, report.values)
        at, page, self._in_turn = self._next_page()
        if at <= now:
            return self._made(self._pages[page], self._page(page))
        return None

    def sent(self, now: int) -> None:
        """Take it that the frame that was asked for has gone."""
        if self._going is None:
            return
        (stream, values), self._going = self._going, None
        counter = stream.sequence.counter
        stream.sent(now)
        if isinstance(stream, Report):
            stream.said = values
            return
        self._told(stream.group, counter, now)
        if stream.group == _FLAGS:
            self._flags_said = values
        if self._in_turn:
            self._turn = (self._turn + 1) % len(_ROTATION)
            self._turn_at = now + self._period
        elif stream.group == _IDENTITY and not stream.left:
            self._turn_at = now + self._period
            for report in self.reports:
                if not report.begun:
                    report.begin(self._frames_to_sync, now)

    def _made(self, stream: _Stream, values: Mapping[str, int]) -> tuple[int, bytes]:
        self._going = (stream, values)
        return encode(
            stream.shape.name,
            self._number,
            group=stream.group,
            counter=stream.sequence.counter,
            values=values,
        )

    def _next_page(self) -> tuple[int, int, bool]:
        """Return when the next page of the status goes, which, and whether it is its turn."""
        identity, flags = self._pages[_IDENTITY], self._pages[_FLAGS]
        if identity.left:
            return identity.next, _IDENTITY, False
        page = _ROTATION[self._turn]
        at = max(self._turn_at, self._pages[page].next)
        if self._flags_said not in (None, self._page(_FLAGS)) and flags.next <= at:
            return flags.next, _FLAGS, False
        return at, page, True
