"""From frames to reports: what may be believed of what arrives on one opening of a bus.

Law of this file: no bus and no timer; frames and the time in, reports out. A
report counts when its frame is whole, its stream is in step and exactly one
board answers to its node's number. What ceases to count is unknown at once;
what is not heard again falls overdue.
"""

from __future__ import annotations

import logging
import math
from typing import TYPE_CHECKING

from attrs import Factory, define, frozen

from signalling.errors import RejectedInputError
from signalling.layout.words import Report
from transports.can.frames import decode
from transports.can.nodes import IDENTITY_TIMEOUT, NodeWatch
from transports.can.protect import Tracker, Verdict
from transports.can.schema import load_schema
from transports.freshness import Freshness

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable, Iterable

    from transports.can.foreign import ForeignIncoming
    from transports.can.frames import Frame
    from transports.can.own import OwnReport

__all__ = ["Incoming"]

logger = logging.getLogger(__name__)

_STATUS = "NodeStatus"
_AGAIN = 0.1
"""Seconds in which what has not changed is said once at the most."""


@define(eq=False)
class _Stream:
    """What one node says about one group of ports, or on one page of its status."""

    watch: NodeWatch
    tracker: Tracker
    reports: tuple[OwnReport, ...] = ()
    said: list[str | None] = Factory(list)
    """What each device was last said to be."""
    is_status: bool = False
    said_at: float = -math.inf
    """When what has not changed was last said."""


class _AnyNode:
    """Stands for all nodes together, where the link itself is watched."""


@frozen(eq=False)
class _LifeOf:
    """Stands for whatever one node says."""

    watch: NodeWatch


class Incoming:
    """What arrives on one opening of a bus.

    ``reports`` are the bindings to nodes of our own schema, ``nodes`` the
    numbers of all nodes that the layout names, ``foreign`` what takes frames of
    other devices. ``say`` takes the reports that count, ``rejected`` counts what
    was turned away. Without any sign of life of a node for ``silence`` seconds,
    where that is not ``None``, the link is ``silent``. ``ours`` says whether an
    order was sent by us. ``trust`` is called with a node's number when it is
    known to be one board and there, and when no longer; ``reach`` when orders
    get through to it, and when no longer. At first they do to none. ``answer``
    is called with a node's number, and the page and counter of each status of
    its that is to be answered; where it is ``None``, somebody else answers, and
    what no node says itself is not asked for.
    """

    def __init__(
        self,
        link: str,
        reports: Iterable[OwnReport],
        nodes: Iterable[int],
        *,
        foreign: ForeignIncoming,
        say: Callable[[Report], None],
        rejected: Counter[str],
        silence: float | None,
        ours: Callable[[int, bytes], bool],
        trust: Callable[[int, bool], None],
        reach: Callable[[int, bool], None],
        answer: Callable[[int, int, int], None] | None,
    ) -> None:
        self._link = link
        self._foreign = foreign
        self._say = say
        self._rejected = rejected
        self._ours = ours
        self._trust = trust
        self._reach = reach
        self._answer = answer
        self._schema = schema = load_schema()
        self.watches = {number: NodeWatch(link, number) for number in sorted(set(nodes))}
        self.heard = False
        """Whether a node has shown a sign of life."""
        self.silent = False
        """Whether none has for too long."""
        self._warned_of_another = False
        self._orders = {shape.number for shape in schema.shapes.values() if shape.by_controller}
        self._streams: dict[tuple[int, int], _Stream] = {}
        self._any_node = _AnyNode()
        self._lives = {watch: _LifeOf(watch) for watch in self.watches.values()}
        by_stream: dict[tuple[int, int], list[OwnReport]] = {}
        for report in reports:
            key = (report.shape.identifier(report.node), report.group)
            by_stream.setdefault(key, []).append(report)
        for number, watch in self.watches.items():
            status = schema.named[_STATUS]
            for page in range(status.group.most + 1):
                self._add(status.identifier(number), page, watch, (), is_status=True)
        for (identifier, group), bound in by_stream.items():
            self._add(identifier, group, self.watches[bound[0].node], bound)
        periods: dict[object, float] = {
            **{
                stream: schema.report_timeout for stream in self._streams.values() if stream.reports
            },
            **dict.fromkeys(self.watches.values(), IDENTITY_TIMEOUT),
            **dict.fromkeys(self._lives.values(), schema.report_timeout),
            **({} if silence is None else {self._any_node: silence}),
        }
        self._freshness = Freshness(periods)
        self._shortest = min((*periods.values(), foreign.shortest))
        self._due = -math.inf

    def _add(
        self,
        identifier: int,
        group: int,
        watch: NodeWatch,
        reports: Iterable[OwnReport],
        *,
        is_status: bool = False,
    ) -> None:
        schema, reports = self._schema, tuple(reports)
        tracker = Tracker(schema.largest_step, schema.frames_to_sync)
        said: list[str | None] = [None] * len(reports)
        self._streams[identifier, group] = _Stream(watch, tracker, reports, said, is_status)

    @property
    def next_deadline(self) -> float | None:
        """The earliest time at which something must have been heard again, or ``None``."""
        times = [
            deadline
            for deadline in (self._freshness.next_deadline, self._foreign.next_deadline)
            if deadline is not None
        ]
        return min(times, default=None)

    def check(self, now: float) -> None:
        """Take it that what is overdue is not known any more."""
        if now < self._due:
            return
        for thing in self._freshness.overdue(now):
            if isinstance(thing, _Stream):
                thing.tracker.reset()
                self._unknown(thing)
            elif isinstance(thing, NodeWatch):
                self._forget(thing)
            elif isinstance(thing, _LifeOf):
                self._forget(thing.watch)
            else:
                self.silent = True
        self._foreign.check(now)
        # Whatever is heard from here on falls due after the shortest time, or later.
        self._due = min(self.next_deadline or math.inf, now + self._shortest)

    def take(self, identifier: int, data: bytes, now: float, *, extended: bool = False) -> None:
        """Take a data frame; ``now`` is the loop's time."""
        self.check(now)
        if self._foreign.take(identifier, data, now, extended=extended):
            return
        if extended or not self.watches:
            self._rejected["unknown-identifier"] += 1
            return
        if identifier >> 7 in self._orders and self._ours(identifier, data):
            return  # Some buses return what was sent.
        try:
            frame = decode(identifier, data, self._schema)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            if error.reason == "out-of-range":
                self._defective(identifier)
            return
        if frame.shape.by_controller:
            self._take_order(identifier)
            return
        watch = self.watches.get(frame.node)
        if watch is None:
            self._rejected["unknown-node"] += 1
            return
        stream = self._streams.get((identifier, frame.group))
        if stream is not None:
            self._take_from(stream, frame, now)

    def _take_from(self, stream: _Stream, frame: Frame, now: float) -> None:
        tracker = stream.tracker
        was_synced, lost = tracker.synced, tracker.lost
        verdict = tracker.take(frame.counter, frame.content)
        if stream.is_status and verdict is not Verdict.REPEATED:
            self._take_status(stream.watch, frame, now)
        if verdict in (Verdict.GOOD, Verdict.SYNCING):
            self.heard = True
            self._freshness.heard(self._any_node, now)
            self._freshness.heard(self._lives[stream.watch], now)
        else:
            self._rejected[verdict] += 1
        if tracker.lost > lost:
            self._rejected["lost"] += tracker.lost - lost
        if verdict is Verdict.GOOD:
            self._freshness.heard(stream, now)
            if stream.reports and self._believes(stream.watch):
                self._deliver(stream, frame.bits, now)
        elif was_synced and not tracker.synced:
            self._unknown(stream)

    def _believes(self, watch: NodeWatch) -> bool:
        return watch.trusted if self._answer is None else watch.believed

    def _take_status(self, watch: NodeWatch, frame: Frame, now: float) -> None:
        trusted, doubled, reached = watch.trusted, watch.doubled, watch.reached
        believed = self._believes(watch)
        watch.take(frame, now)
        if self._answer is not None and not watch.doubled:
            self._answer(watch.info.number, frame.group, frame.counter)
        if frame.group == 0:
            self._freshness.heard(watch, now)
        if watch.doubled:
            self._rejected["same-number"] += 1
        if (believed and not self._believes(watch)) or (doubled and not watch.doubled):
            self._distrust(watch)
        self._tell(watch, trusted=trusted, reached=reached)

    def _tell(self, watch: NodeWatch, *, trusted: bool, reached: bool) -> None:
        """Say whether a node is known, and whether orders get through, where that has changed."""
        if trusted != watch.trusted:
            self._trust(watch.info.number, watch.trusted)
        if reached != watch.reached:
            self._reach(watch.info.number, watch.reached)

    def _forget(self, watch: NodeWatch) -> None:
        """Take it that a node is not there."""
        trusted, reached = watch.trusted, watch.reached
        watch.forget()
        self._distrust(watch)
        self._tell(watch, trusted=trusted, reached=reached)

    def _take_order(self, identifier: int) -> None:
        """Take an order of somebody else's."""
        self._rejected["another-controller"] += 1
        if not self._warned_of_another:
            self._warned_of_another = True
            logger.warning(
                "%s: another controller sends orders on this bus (%03X); nodes that hear two "
                "stay at danger. Stop one of them",
                self._link,
                identifier,
            )

    def _deliver(self, stream: _Stream, bits: int, now: float) -> None:
        again = now - stream.said_at >= _AGAIN
        if again:
            stream.said_at = now
        said = stream.said
        for at, report in enumerate(stream.reports):
            word = report.words.get(report.field.read(bits))
            if word != said[at]:
                said[at] = word
                self._say(Report(report.device, word))
            elif again and word is not None:
                self._say(Report(report.device, word))

    def _unknown(self, stream: _Stream) -> None:
        for at, report in enumerate(stream.reports):
            if stream.said[at] is not None:
                stream.said[at] = None
                self._say(Report(report.device, None))

    def _distrust(self, watch: NodeWatch) -> None:
        """Take nothing for known that the number says."""
        for stream in self._streams.values():
            if stream.watch is watch:
                stream.tracker.reset()
                self._unknown(stream)

    def _defective(self, identifier: int) -> None:
        """Take it that who sends values that there are not sends nothing that can be believed."""
        for (each, _), stream in self._streams.items():
            if each == identifier:
                stream.tracker.reset()
                self._unknown(stream)
