"""Reports of foreign devices, by the user's own DBC files.

Law of this file: frames and the time in, reports out; no bus. A foreign frame
has no check sum or counter that we know of, so that each report must say how
long it holds: by the binding's ``fresh``, or by a publisher, which is a message
that its sender repeats. A frame that cannot be read for certain makes unknown
what it speaks of.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import frozen
from cantools.database import DecodeError

from signalling.errors import ConfigurationError, RejectedInputError
from signalling.layout.words import Device, Report
from transports.can.dbc import ForeignMessage, in_range, raw_of
from transports.can.outgoing import CanFrame
from transports.freshness import Freshness
from transports.tables import checked_keys, text

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable, Iterable

    from cantools.database.can import Message, Signal

    from signalling.layout.words import BoundDevice
    from transports.can.dbc import DbcFiles

__all__ = ["ForeignIncoming", "ForeignReport", "Publisher", "foreign_reports", "publishers"]

_KEYS = ("dbc", "message", "signal", "values", "publisher")
_PUBLISHER_KEYS = ("dbc", "message", "within", "poll")


@frozen(kw_only=True)
class Publisher:
    """``[transports.NAME.publishers.NAME]``: a message by which its sender shows that it lives."""

    name: str
    message: ForeignMessage
    within: float
    """Seconds within which it, or a report of its devices, must be heard again and again."""
    poll: CanFrame | None
    """What is sent to make it say the state of its devices."""


@frozen(kw_only=True)
class ForeignReport:
    """Where a device's report is found."""

    device: Device
    message: ForeignMessage
    signal: Signal
    words: Mapping[float, str]
    """The word for each raw value of the signal."""
    publisher: str | None
    texts: bool = False
    """Whether any other whole number is a word too."""

    def word(self, raw: Mapping[str, Any]) -> str | None:
        """Return what a decoded message says; ``None`` where it does not speak of the device.

        Raises ``RejectedInputError``.
        """
        value = raw.get(self.signal.name)
        if value is None:
            return None
        if not in_range(self.signal, value):
            raise RejectedInputError("out-of-range", self.signal.name)
        word = self.words.get(value)
        if word is None and self.texts and value == int(value):
            return str(int(value))
        if word is None:
            raise RejectedInputError("unknown-value", f"{self.signal.name} {value}")
        return word


def publishers(
    transport: str, tables: Mapping[str, Mapping[str, Any]], files: DbcFiles
) -> dict[str, Publisher]:
    """Return the publishers that a transport's table describes. Raises ``ConfigurationError``."""
    found = {}
    for name, table in tables.items():
        thing = f"transport {transport}, publisher {name}"
        checked_keys(thing, table, _PUBLISHER_KEYS)
        within = table.get("within")
        number = isinstance(within, int | float) and not isinstance(within, bool)
        if within is None or not number or not 0 < within < float("inf"):
            raise ConfigurationError(
                thing,
                f"within is {within!r}." if "within" in table else "It has no within.",
                "Write the seconds within which it must be heard again, more than 0.",
            )
        found[name] = Publisher(
            name=name,
            message=files.message(thing, table),
            within=within,
            poll=_poll(thing, table, files) if "poll" in table else None,
        )
    return found


def _poll(thing: str, table: Mapping[str, Any], files: DbcFiles) -> CanFrame:
    poll, thing = table["poll"], f"{thing}, poll"
    if not isinstance(poll, Mapping):
        raise ConfigurationError(
            thing, f"It is {poll!r}.", 'Write a table, such as { message = "Query", signals = {} }.'
        )
    checked_keys(thing, poll, ("dbc", "message", "signals"))
    message = files.message(thing, {"dbc": table.get("dbc"), **poll})
    signals = poll.get("signals", {})
    if not isinstance(signals, Mapping):
        raise ConfigurationError(thing, f"signals is {signals!r}.", "Write a table of values.")
    raw = {
        name: raw_of(thing, message.signal(thing, name), value) for name, value in signals.items()
    }
    return CanFrame(
        message.message.frame_id, encoded(thing, message, raw), extended=message.extended
    )


def encoded(thing: str, message: ForeignMessage, raw: Mapping[str, float]) -> bytes:
    """Return the data of a message. Raises ``ConfigurationError`` where cantools refuses."""
    try:
        return message.message.encode(dict(raw), scaling=False)
    except Exception as error:
        # cantools raises its own errors, bare KeyErrors and those of the packing beneath it.
        raise ConfigurationError(
            thing,
            f"The message {message.message.name} cannot be made: {str(error).rstrip('.')}.",
            "Give every signal of the message a value.",
        ) from error


def foreign_reports(
    transport: str,
    devices: Iterable[BoundDevice],
    known: Mapping[str, Publisher],
    files: DbcFiles,
) -> tuple[ForeignReport, ...]:
    """Return where the devices report. Raises ``ConfigurationError``."""
    found = []
    for bound in devices:
        thing = f"transport {transport}, {bound.device}, report"
        checked_keys(thing, bound.report, _KEYS)
        message = files.message(thing, bound.report)
        signal = message.signal(thing, text(thing, bound.report, "signal"))
        publisher = bound.report.get("publisher")
        if publisher is not None and publisher not in known:
            raise ConfigurationError(
                thing,
                f"There is no publisher {publisher!r}.",
                f"The transport's publishers are: {', '.join(known) or 'none'}.",
            )
        if publisher is None and bound.fresh is None:
            raise ConfigurationError(
                thing,
                "Nothing says how long a report holds, so that one from before its device was "
                "cut off would hold for ever.",
                "Give the binding fresh = 2, for a device that repeats its report within 2 s, or "
                "name a publisher, for one that reports changes only.",
            )
        words = _words(thing, bound, signal)
        found.append(
            ForeignReport(
                device=bound.device,
                message=message,
                signal=signal,
                words=words,
                publisher=publisher,
                texts=bound.texts,
            )
        )
    return tuple(found)


def _words(thing: str, bound: BoundDevice, signal: Signal) -> dict[float, str]:
    found: dict[float, str] = {}
    values = values_of(thing, bound.reports, bound.report, texts=bound.texts)
    for word, written in values.items():
        for value in written if isinstance(written, list) else [written]:
            raw = raw_of(thing, signal, value)
            if found.setdefault(raw, word) != word:
                raise ConfigurationError(
                    thing,
                    f"{value!r} stands for both {found[raw]!r} and {word!r}.",
                    "Give each word values of its own.",
                )
    return found


def values_of(
    thing: str, words: tuple[str, ...], table: Mapping[str, Any], *, texts: bool = False
) -> Mapping[str, Any]:
    """Return what the other side writes for each word; the word itself where nothing is given.

    With ``texts`` there may be further words, and no word need be written.
    """
    values = table.get("values", {} if texts else {word: word for word in words})
    if not isinstance(values, Mapping):
        raise ConfigurationError(
            thing, f"values is {values!r}.", "Write a table, such as { occupied = 1, clear = 0 }."
        )
    strange = [] if texts else [word for word in values if word not in words]
    if strange:
        raise ConfigurationError(
            thing,
            f"values has {', '.join(strange)}, which is no word of this device.",
            f"Its words are: {', '.join(words)}.",
        )
    return values


class ForeignIncoming:
    """What foreign devices say on one opening of a bus. At first no publisher is alive.

    ``say`` takes reports, ``rejected`` counts what was turned away, and ``poll``
    is called with a publisher that came alive.
    """

    def __init__(
        self,
        reports: Iterable[ForeignReport],
        known: Mapping[str, Publisher],
        *,
        say: Callable[[Report], None],
        rejected: Counter[str],
        poll: Callable[[Publisher], None],
    ) -> None:
        self._say = say
        self._rejected = rejected
        self._poll = poll
        self._publishers = known
        self._alive: set[str] = set()
        self._devices: dict[str, list[Device]] = {name: [] for name in known}
        self._freshness = Freshness({each.name: each.within for each in known.values()})
        self._routes: dict[tuple[int, bool], dict[int, _Route]] = {}
        for report in reports:
            self._route(report.message).reports.append(report)
            if report.publisher is not None:
                self._devices[report.publisher].append(report.device)
        for publisher in known.values():
            self._route(publisher.message).publishers.append(publisher.name)

    def _route(self, message: ForeignMessage) -> _Route:
        by_identifier = self._routes.setdefault((message.mask, message.extended), {})
        return by_identifier.setdefault(message.identifier, _Route(message))

    @property
    def shortest(self) -> float:
        """The shortest time within which a publisher must be heard again."""
        return min((each.within for each in self._publishers.values()), default=math.inf)

    @property
    def next_deadline(self) -> float | None:
        """The earliest time at which a publisher must have been heard again, or ``None``."""
        return self._freshness.next_deadline

    def check(self, now: float) -> None:
        """Take it that publishers that are overdue have gone, and their devices with them."""
        for name in self._freshness.overdue(now):
            self._alive.discard(name)
            for device in self._devices[name]:
                self._say(Report(device, None))

    def take(self, identifier: int, data: bytes, now: float, *, extended: bool) -> bool:
        """Take a data frame; return whether it was one of a bound message."""
        for (mask, long), by_identifier in self._routes.items():
            route = by_identifier.get(identifier & mask) if long == extended else None
            if route is not None:
                self._take(route, data, now)
                return True
        return False

    def _take(self, route: _Route, data: bytes, now: float) -> None:
        try:
            raw = decoded(route.message, data)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            for report in route.reports:
                self._say(Report(report.device, None))
            return
        for name in route.publishers:
            self._sign_of_life(name, now)
        for report in route.reports:
            self._report(report, raw, now)

    def _report(self, report: ForeignReport, raw: Mapping[str, Any], now: float) -> None:
        try:
            word = report.word(raw)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            self._say(Report(report.device, None))
            return
        if word is not None:
            if report.publisher is not None:
                self._sign_of_life(report.publisher, now)
            self._say(Report(report.device, word))

    def _sign_of_life(self, name: str, now: float) -> None:
        self._freshness.heard(name, now)
        if name not in self._alive:
            self._alive.add(name)
            self._poll(self._publishers[name])


class _Route:
    """Everything that is bound to one message."""

    def __init__(self, message: ForeignMessage) -> None:
        self.reports: list[ForeignReport] = []
        self.publishers: list[str] = []
        self.message = message.message


def decoded(message: Message, data: bytes, *, shown: bool = False) -> Mapping[str, Any]:
    """Return the raw values in a frame; ``shown``, those in their units, or their names.

    Raises ``RejectedInputError``.
    """
    length = message.length
    if len(data) != length:
        raise RejectedInputError("truncated" if len(data) < length else "oversized")
    try:
        found = message.decode(data, decode_choices=shown, scaling=shown, allow_excess=False)
    except (DecodeError, KeyError, ValueError) as error:
        raise RejectedInputError("undecodable", str(error)) from None
    return found if isinstance(found, Mapping) else {}
