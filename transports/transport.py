"""The protocol that every transport keeps, and the words it is told in.

Law of this file: a transport stays dumb. It opens, closes, decodes reports
into a sink and encodes orders; it fits on a screen. Reconnecting, back-off,
freshness, refresh, latest-wins slots and stale-on-loss are written once, in
``supervise``, and are the same for all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol, runtime_checkable

from attrs import Factory, define, frozen

from signalling.layout.words import BoundDevice, Device, Order, Report

__all__ = [
    "BoundDevice",
    "LinkCounters",
    "Reach",
    "Sink",
    "Transport",
    "TransportSettings",
    "nobody_asks",
]

Sink = Callable[[Report], None]
"""Where a transport delivers: synchronous, quick, never raises.

A report with the value ``None`` says that the device is no longer known, such
as when its publisher has gone. Whatever a transport delivers must have been
said on this opening of the link: nothing from before it counts.
"""

Reach = Callable[[frozenset[Device]], None]
"""Where a transport says to which devices orders do not get through now, although the link is up.

Synchronous, quick, never raises. It is said as a whole whenever it changes: all such devices, or
none. Such a device is at its most restrictive by itself, whatever it was ordered.
"""


def nobody_asks(_: frozenset[Device]) -> None:
    """Be the ``Reach`` of a transport that nobody has given one."""


@frozen(kw_only=True)
class TransportSettings:
    """What a transport is made from: one bag of values per connection."""

    name: str
    """The transport's name in the layout file."""
    options: Mapping[str, Any]
    """The transport's table in the layout file, without ``kind``."""
    devices: tuple[BoundDevice, ...]
    """Everything bound to it."""
    folder: str = "."
    """Folder of the layout file, against which paths in the options are taken."""


@define
class LinkCounters:
    """What has gone over a link since it was made."""

    received: int = 0
    """Valid reports."""
    sent: int = 0
    """Orders handed to the wire."""
    opened: int = 0
    """Times the link came up."""
    lost: int = 0
    """Times the link went."""
    rejected: Counter[str] = Factory(Counter)
    """Messages dropped, by reason."""


@runtime_checkable
class Transport(Protocol):
    """One link to hardware. Made with ``TransportSettings``.

    Making one raises ``ConfigurationError`` where trying again cannot help;
    it does no I/O. One whose medium asks for other figures than the usual ones
    may say so by an attribute ``timing``, a ``transports.link.Timing``. One that
    never waits in ``send`` may have a ``send_now`` besides: the same, but not a
    coroutine, so that an order need not wait for its turn on the loop. One that
    hears from the hardware whether orders arrive may have a ``watch_reach``,
    which is called once, before the first opening, with a ``Reach``.
    """

    name: str
    counters: LinkCounters

    async def open(self, sink: Sink) -> None:
        """Bring the link up and start delivering to ``sink``.

        Returns when the link is up. Raises ``LinkError`` when the other end is
        absent; may then be called again. Cancelled, it leaves nothing behind.
        """

    async def wait_lost(self) -> None:
        """Return when the link that ``open`` brought up has gone.

        May raise ``LinkError`` instead, to say why.
        """

    async def send(self, orders: Iterable[Order]) -> None:
        """Hand orders to the wire, in this order.

        Raises ``LinkError`` when that cannot be done; some may then have gone
        out. Cancelled, the same holds.
        """

    async def close(self) -> None:
        """Take the link down in an orderly way. May be called at any time, and twice."""
