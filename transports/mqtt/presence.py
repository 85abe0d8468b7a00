"""Which publishers are alive, and what may be believed because of it.

Law of this file: evidence and its consequences; no connection, no clock. A
message that the broker had retained proves only that somebody said it once.
So a retained report is held back until its publisher is known to be alive on
this connection, and a publisher that goes takes its devices with it. A will
may come seconds late or never; ``within`` is what can be relied upon.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import frozen

from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Report
from transports.freshness import Freshness
from transports.mqtt.payload import ReportFormat
from transports.mqtt.session import Publication
from transports.mqtt.topics import checked_topic
from transports.tables import checked_keys, text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["OFFLINE", "ONLINE", "Presence", "Publisher"]

ONLINE, OFFLINE = "online", "offline"

_KEYS = ("topic", "online", "offline", "pointer", "within", "retained", "poll")


@frozen(kw_only=True)
class Publisher:
    """``[transports.NAME.publishers.NAME]``: somebody else who publishes for some devices."""

    name: str
    topic: str | None
    """Where it says that it is there or has gone, and where its will goes."""
    format: ReportFormat
    """How it says so."""
    within: float | None
    """Seconds within which it must show a sign of life again and again."""
    retained: bool
    """Whether even a retained "online" counts as alive.

    A risk: a publisher that died without the broker publishing its will then
    counts as alive, with all that it last said.
    """
    poll: Publication | None
    """What is published to make it say the state of its devices."""

    @classmethod
    def make(cls, transport: str, name: str, table: Mapping[str, Any]) -> Publisher:
        """Return the publisher that a table describes. Raises ``ConfigurationError``."""
        thing = f"transport {transport}, publisher {name}"
        checked_keys(thing, table, _KEYS)
        topic = checked_topic(thing, table["topic"]) if "topic" in table else None
        within = table.get("within")
        number = isinstance(within, int | float) and not isinstance(within, bool)
        if within is not None and not (number and 0 < within < float("inf")):
            raise ConfigurationError(thing, f"within is {within!r}.", "Write seconds, more than 0.")
        if topic is None and within is None:
            raise ConfigurationError(
                thing,
                "Nothing would tell that it has gone.",
                "Give the topic of its presence, or the seconds within which it must be heard.",
            )
        retained = table.get("retained", False)
        if not isinstance(retained, bool):
            raise ConfigurationError(thing, f"retained is {retained!r}.", "Write true or false.")
        values = {word: table[word] for word in (ONLINE, OFFLINE) if word in table}
        form: dict[str, Any] = {"values": {ONLINE: ONLINE, OFFLINE: OFFLINE} | values}
        if "pointer" in table:
            form["pointer"] = table["pointer"]
        return cls(
            name=name,
            topic=topic,
            format=ReportFormat.make(thing, (ONLINE, OFFLINE), form),
            within=within,
            retained=retained,
            poll=_poll(thing, table["poll"]) if "poll" in table else None,
        )


def _poll(thing: str, table: Any) -> Publication:
    if not isinstance(table, Mapping):
        raise ConfigurationError(
            thing, f"poll is {table!r}.", 'Write a table, such as { topic = "...", payload = "" }.'
        )
    checked_keys(f"{thing}, poll", table, ("topic", "payload"))
    payload = table.get("payload", "")
    if payload != "":
        payload = text(f"{thing}, poll", table, "payload")
    topic = checked_topic(f"{thing}, poll", table.get("topic"))
    return Publication(topic=topic, payload=payload.encode())


class Presence:
    """The publishers of one connection. At first none is known to be alive.

    ``devices`` gives the devices of each publisher by its name, ``say`` takes
    reports that count, and ``poll`` is called with a publisher that came alive
    and is to be asked for the state of its devices.
    """

    def __init__(
        self,
        publishers: Iterable[Publisher],
        devices: Mapping[str, tuple[Device, ...]],
        say: Callable[[Report], None],
        poll: Callable[[Publisher], None],
    ) -> None:
        self._publishers = {publisher.name: publisher for publisher in publishers}
        self._devices = devices
        self._say = say
        self._poll = poll
        self._alive: set[str] = set()
        self._held: dict[str, dict[Device, str]] = {name: {} for name in self._publishers}
        self._freshness = Freshness(
            {
                publisher.name: publisher.within
                for publisher in self._publishers.values()
                if publisher.within is not None
            }
        )

    def said_online(self, name: str, now: float, *, retained: bool) -> None:
        """Take a publisher's own word that it is there."""
        publisher = self._publishers[name]
        if retained and not publisher.retained:
            return
        came_alive = name not in self._alive
        self.sign_of_life(name, now)
        if came_alive and publisher.poll is not None:
            self._poll(publisher)

    def sign_of_life(self, name: str, now: float) -> None:
        """Take a live message of a publisher, or of one of its devices."""
        self._freshness.heard(name, now)
        if name not in self._alive:
            self._alive.add(name)
            held, self._held[name] = self._held[name], {}
            for device, value in held.items():
                self._say(Report(device, value))

    def gone(self, name: str) -> None:
        """Take it that a publisher has gone: all of its devices are unknown at once."""
        self._alive.discard(name)
        self._freshness.forget(name)
        self._held[name].clear()
        for device in self._devices.get(name, ()):
            self._say(Report(device, None))

    def hold(self, name: str, report: Report) -> None:
        """Take a retained report: it counts while its publisher is alive, and waits until then."""
        if name in self._alive:
            self._say(report)
        elif report.value is not None:
            self._held[name][report.device] = report.value

    def drop(self, name: str, device: Device) -> None:
        """Forget a retained report that was held back."""
        self._held[name].pop(device, None)

    @property
    def next_deadline(self) -> float | None:
        """The earliest time at which a publisher must have been heard again, or ``None``."""
        return self._freshness.next_deadline

    def check(self, now: float) -> None:
        """Take it that publishers that are overdue have gone."""
        for name in self._freshness.overdue(now):
            self.gone(name)
