"""What a frame says, told to one who listens.

Law of this file: no bus and no timer; a frame and the time in, an arrival out.
Whether a report counts is asked of ``incoming``, which decides it for the layout
when it runs; here is only added what there was to be read, by our own DBC or the
user's, and why it does not count.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from signalling.errors import RejectedInputError
from transports.can.foreign import ForeignIncoming, decoded
from transports.can.frames import Frame, decode
from transports.can.incoming import Incoming
from transports.can.schema import ALL_NODES
from transports.listen import Arrival, Meaning

if TYPE_CHECKING:
    from collections.abc import Mapping

    from signalling.layout.words import Device, Report
    from transports.can.bindings import Bindings
    from transports.can.dbc import ForeignMessage
    from transports.can.foreign import ForeignReport
    from transports.can.outgoing import CanFrame
    from transports.can.own import OwnOrder, OwnReport
    from transports.can.schema import Field
    from transports.transport import LinkCounters, Sink

__all__ = ["FrameReader"]

_UNBOUND = ("unknown-class", "unknown-identifier", "unknown-node")
"""Reasons to pass over what is bound to nothing."""


class FrameReader:
    """One opening of a bus, read by somebody who only listens."""

    def __init__(self, name: str, bindings: Bindings, sink: Sink, counters: LinkCounters) -> None:
        self._bindings = bindings
        self._sink = sink
        self._rejected = counters.rejected
        self._known: dict[Device, str | None] = {}
        self._messages: dict[tuple[int, bool], dict[int, ForeignMessage]] = {}
        # Two files may describe one identifier: what is bound counts.
        bound = (
            *(report.message for report in bindings.foreign_reports),
            *(group.message for group in bindings.foreign_groups),
            *(publisher.message for publisher in bindings.publishers.values()),
        )
        for message in (*bound, *bindings.files.every_message()):
            by_identifier = self._messages.setdefault((message.mask, message.extended), {})
            by_identifier.setdefault(message.identifier, message)
        foreign = ForeignIncoming(
            bindings.foreign_reports,
            bindings.publishers,
            say=self._say,
            rejected=self._rejected,
            poll=lambda _: None,
        )
        self._incoming = Incoming(
            name,
            bindings.own_reports,
            bindings.nodes,
            foreign=foreign,
            say=self._say,
            rejected=self._rejected,
            silence=None,
            # Whoever runs the layout sends orders, and we send none.
            ours=lambda *_: True,
            trust=lambda *_: None,
            reach=lambda *_: None,
            answer=None,
        )

    @property
    def next_deadline(self) -> float | None:
        """When something must have been heard again."""
        return self._incoming.next_deadline

    def check(self, now: float) -> None:
        """Take it that what is overdue is not known any more."""
        self._incoming.check(now)

    def read(self, frame: CanFrame, now: float) -> Arrival:
        """Return what a frame says."""
        self._incoming.check(now)
        before = Counter(self._rejected)
        self._incoming.take(frame.identifier, frame.data, now, extended=frame.extended)
        rejected = self._rejected - before
        # Frames that are missing before this one say nothing about it.
        del rejected["lost"]
        # What is bound to nothing is not turned away: a listener is there for it.
        for unbound in _UNBOUND:
            del self._rejected[unbound], rejected[unbound]
        why = ", ".join(rejected)
        place = f"{frame.identifier:08X}" if frame.extended else f"{frame.identifier:03X}"
        for (mask, extended), by_identifier in self._messages.items():
            found = by_identifier.get(frame.identifier & mask)
            if found is not None and extended == frame.extended:
                return self._foreign(place, frame, found, why)
        if not frame.extended:
            try:
                return self._own(place, frame, decode(frame.identifier, frame.data), why)
            except RejectedInputError as error:
                # Without nodes of ours, it was never meant to be a frame of ours.
                if self._bindings.nodes and error.reason != "unknown-class":
                    return Arrival(place=place, raw=frame.data, text=False, reason=str(error))
        return Arrival(place=place, raw=frame.data, text=False)

    def _say(self, report: Report) -> None:
        self._known[report.device] = report.value
        self._sink(report)

    # -- frames of our own schema

    def _own(self, place: str, raw: CanFrame, frame: Frame, why: str) -> Arrival:
        shape, identifier, group = frame.shape, raw.identifier, frame.group

        def here(bound: OwnReport | OwnOrder) -> bool:
            return bound.shape.identifier(bound.node) == identifier and bound.group == group

        reports = [report for report in self._bindings.own_reports if here(report)]
        orders = [order for order in self._bindings.own_orders if here(order)]
        meanings = (
            *(self._reported(report, frame, why) for report in reports),
            *(_ordered(order, frame) for order in orders),
        )
        numbers = {name: number for name, number in frame.values().items() if number}
        taken = sum(report.field.mask << report.field.start for report in reports)
        for order in orders:
            taken |= order.mask
        return Arrival(
            place=place,
            part=f"page {group}" if shape.paged else f"group {group}" if group else "",
            raw=raw.data,
            text=False,
            message=shape.name,
            values={
                "node": frame.node,
                **{name: _named(shape.fields[name], number) for name, number in numbers.items()},
            },
            meanings=meanings,
            unbound=tuple(
                name
                for name in numbers
                if shape.ports and not taken >> shape.fields[name].start & 1
            ),
            known=frame.node in (ALL_NODES, *self._bindings.nodes),
            reason="" if meanings else why,
            content=frame.content,
        )

    def _reported(self, report: OwnReport, frame: Frame, why: str) -> Meaning:
        word = report.words.get(report.field.read(frame.bits))
        if word is None:
            reason = "not known"
        elif self._known.get(report.device) == word and not why:
            reason = ""
        elif why:
            reason = why
        elif not self._incoming.watches[frame.node].trusted:
            reason = f"node {frame.node} is not yet known to be one board"
        else:
            reason = "not yet in step"
        return Meaning(device=report.device, value=word, reason=reason)

    # -- frames of the user's own files

    def _foreign(self, place: str, frame: CanFrame, found: ForeignMessage, why: str) -> Arrival:
        message = found.message
        values: Mapping[str, Any] = {}
        raw: Mapping[str, Any] = {}
        reason = ""
        try:
            raw, values = decoded(message, frame.data), decoded(message, frame.data, shown=True)
        except RejectedInputError as error:
            reason = str(error)
        reports = [each for each in self._bindings.foreign_reports if each.message is found]
        groups = [each for each in self._bindings.foreign_groups if each.message is found]
        named = any(each.message is found for each in self._bindings.publishers.values())
        meanings = [
            Meaning(device=report.device, value=None, reason=reason)
            if reason
            else self._said(report, raw, why)
            for report in reports
            if reason or report.signal.name in raw
        ]
        meanings += [
            Meaning(device=device, order=True, value=word, reason="" if word else "unknown-value")
            for group in groups
            for device, word in group.told(raw)
        ]
        selectors = [each.name for each in message.signals if each.is_multiplexer]
        taken = {*selectors, *(report.signal.name for report in reports)}
        # A message that we send is ours as a whole; so is one by which a publisher is known.
        whole = bool(groups) or (named and not reports)
        return Arrival(
            place=place,
            part=", ".join(f"{name} {raw[name]}" for name in selectors if name in raw),
            raw=frame.data,
            text=False,
            message=message.name,
            values={
                name: value if isinstance(value, int | float) else str(value)
                for name, value in values.items()
            },
            meanings=tuple(meanings),
            unbound=() if whole else tuple(name for name in values if name not in taken),
            known=named,
            reason="" if meanings else reason,
        )

    def _said(self, report: ForeignReport, raw: Mapping[str, Any], why: str) -> Meaning:
        word: str | None = None
        reason = ""
        try:
            word = report.word(raw)
        except RejectedInputError as error:
            reason = str(error)
        if word is not None and self._known.get(report.device) != word:
            reason = why or "not known"
        return Meaning(device=report.device, value=word, reason=reason)


def _ordered(order: OwnOrder, frame: Frame) -> Meaning:
    bits = frame.bits & order.mask
    word = next((word for word, each in order.bits.items() if each == bits), None)
    reason = "" if word is not None else "unknown-value"
    return Meaning(device=order.device, order=True, value=word, reason=reason)


def _named(field: Field, number: int) -> int | str:
    return next((name for name, each in field.numbers.items() if each == number), number)
