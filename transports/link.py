"""The words in which the state of a link is told.

Law of this file: data only. The supervisor fills these in; the controller, the
command and a page show them. Times are seconds of the event loop's clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from attrs import evolve, frozen

from signalling.errors import ConfigurationError
from signalling.layout.words import Device
from transports.transport import LinkCounters

__all__ = ["SUPERVISED_OPTIONS", "Heard", "LinkState", "LinkStatus", "Timing"]

_FIGURES = ("refresh", "lost_after")
SUPERVISED_OPTIONS = (*_FIGURES, "requests")
"""Options that every transport's table may have; they are kept here, not by the transport."""

_SHORTEST, _LONGEST = 0.1, 3600.0
"""Seconds that a figure may be."""


class LinkState(StrEnum):
    """How a link stands."""

    CLOSED = "closed"
    """Not started yet, or shut down."""
    OPENING = "opening"
    """Being brought up."""
    UP = "up"
    """Carrying reports and orders."""
    LOST = "lost"
    """The other end is absent or has gone; it will be tried again."""


@frozen(kw_only=True)
class Timing:
    """The figures by which a link is kept; all in seconds."""

    refresh: float = 1.0
    """Every order is sent again within this time."""
    lost_after: float = 1.5
    """A link that has died silently is noticed within this time."""
    open: float = 5.0
    """How long one attempt to open may take."""
    first_pause: float = 0.25
    """The pause after a first failure; it doubles with each further one."""
    longest_pause: float = 3.0
    """The longest pause between attempts."""
    steady: float = 10.0
    """A link that was up for so long starts again with the first pause."""
    farewell: float = 1.0
    """How long shutting down waits for the last orders to go out, and again for closing."""

    @property
    def send(self) -> float:
        """How long sending may take before the link counts as lost."""
        return self.lost_after * 0.6

    @property
    def silence(self) -> float:
        """The longest time without sending anything; with ``send`` it makes ``lost_after``."""
        return self.lost_after * 0.4

    @classmethod
    def from_options(cls, name: str, options: Mapping[str, Any]) -> Timing:
        """Return the timing that a transport's table asks for.

        Raises ``ConfigurationError`` where a figure cannot be used.
        """
        given = {key: options[key] for key in _FIGURES if key in options}
        for key, value in given.items():
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not (number and _SHORTEST <= value <= _LONGEST):
                raise ConfigurationError(
                    f"transport {name}",
                    f"{key} is {value!r}.",
                    f"Write seconds, from {_SHORTEST:g} to {_LONGEST:g}.",
                )
        return evolve(cls(), **given)


@frozen
class Heard:
    """What a device was last heard to say."""

    value: str | None
    """Its value as far as it still holds good; ``None`` while it is unknown."""
    at: float | None
    """The loop's time of its last report, or ``None`` where there was none."""


@frozen(kw_only=True)
class LinkStatus:
    """A link as it stands, for people and programs to look at."""

    name: str
    state: LinkState
    since: float
    """The loop's time of the last change of state."""
    error: str
    """The last thing that went wrong; empty where nothing has."""
    failures: int
    """Times in a row that it could not be opened or did not stay up."""
    waiting: int
    """Orders that must still go out."""
    counters: LinkCounters
    heard: Mapping[Device, Heard]
    unreached: frozenset[Device] = frozenset()
    """Devices to which orders do not get through although the link is up, as far as is known."""
