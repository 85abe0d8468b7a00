"""Listening to a link without a word: what a transport tells of all that arrives.

Law of this file: data, and the one method that a transport may have besides
those of ``transport``; no wire. Who listens runs beside who works the layout,
so that a listener never says anything on the link, not even that it is there.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any, Protocol, runtime_checkable

from attrs import Factory, field, frozen

from signalling.layout.words import Device
from transports.transport import Transport

__all__ = ["Arrival", "CanListen", "Hear", "Meaning"]


@frozen(kw_only=True)
class Meaning:
    """What something that arrived says of one bound device."""

    device: Device
    order: bool = False
    """Whether it tells the device something; else the device says it."""
    value: str | None
    """The word; ``None`` where there is none to be read."""
    reason: str = ""
    """Why it does not count; empty where it does."""


@frozen(kw_only=True)
class Arrival:
    """Something that arrived on a link, as it arrived and as it is understood."""

    place: str
    """Where it arrived, in the link's own terms: a topic, an identifier."""
    part: str = ""
    """Which part of what is said there, where several things are said in turn."""
    raw: bytes
    length: int = field(default=Factory(lambda self: len(self.raw), takes_self=True))
    """Bytes that arrived; who listens may keep the first of them only."""
    text: bool
    """Whether ``raw`` is meant to be text."""
    kept: bool = False
    """Whether it may have been said long ago, and was kept for whoever comes later."""
    message: str = ""
    """What kind of message it is; empty where that is not known."""
    values: Mapping[str, Any] = field(factory=dict, eq=False)
    """What it says, by the names of its kind of message."""
    meanings: tuple[Meaning, ...] = ()
    """What it says of the devices that are bound to it; empty where none is."""
    unbound: tuple[str, ...] = ()
    """Names in ``values`` to which a device could be bound, and none is."""
    known: bool = False
    """Whether the layout knows of it, though it is about no device."""
    reason: str = ""
    """Why it is turned away as a whole; empty where it is not."""
    content: Hashable = field(default=Factory(lambda self: self.raw, takes_self=True))
    """What of it is new when something new is said: a number that only counts on is not."""

    @property
    def bound(self) -> bool:
        """Whether the layout makes something of it."""
        return bool(self.meanings) or (self.known and not self.unbound)


Hear = Callable[[Arrival], None]
"""Where a listener tells what arrives: synchronous, quick, never raises."""


@runtime_checkable
class CanListen(Protocol):
    """A transport that can listen without a word."""

    def listener(self, hear: Hear, more: Sequence[str] = ()) -> Transport:
        """Return a transport over the same link which tells ``hear`` everything that arrives.

        It sends nothing, whatever it is asked to, and its ``counters`` are its
        own. Reports that count also go into its sink, as always, before
        ``hear`` is told what they came with. ``more`` is what else to listen
        to besides what is bound, in the link's own terms, where a link can choose;
        when empty, it is everything.

        Raises ``ConfigurationError`` where ``more`` cannot be used.
        """
