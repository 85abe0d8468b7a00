"""The CAN transport: a bus, what arrives on it, and what is said on it.

Law of this file: in which order things are said when a bus opens, runs and
closes. What a frame means is for ``incoming``, ``foreign`` and ``outgoing``, the
wire is ``bus``'s, and policy the supervisor's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.errors import LinkError
from transports.can.bindings import Bindings
from transports.can.link import Link
from transports.can.listening import CanListener
from transports.can.opening import Openings
from transports.can.options import Options
from transports.can.outgoing import Outgoing
from transports.can.schema import LAST_NODE
from transports.can.traffic import Traffic, bus_traffic
from transports.transport import LinkCounters, nobody_asks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from signalling.layout.words import Order
    from transports.can.nodes import NodeInfo
    from transports.can.outgoing import CanFrame
    from transports.can.worker import Worker
    from transports.link import Timing
    from transports.listen import Hear
    from transports.transport import Reach, Sink, TransportSettings

__all__ = ["CanTransport"]


class CanTransport:
    """A transport over a CAN bus, by any interface that python-can has.

    Raises ``ConfigurationError`` where its table or a binding cannot be used.
    """

    def __init__(self, settings: TransportSettings) -> None:
        self.name = settings.name
        self.counters = LinkCounters()
        self.tap: Callable[[CanFrame], None] | None = None
        """Called with each data frame that arrives, before anything is made of it."""
        self._options = options = Options.read(settings)
        self._bindings = Bindings(settings, options)
        self._fresh = {bound.device: bound.fresh for bound in settings.devices}
        self._outgoing = Outgoing(self._bindings.own_groups, self._bindings.foreign_groups)
        self._openings = Openings()
        self._worker: Worker | None = None
        self._link: Link | None = None
        self._unreached: set[int] = set()
        """Nodes to which orders do not get through now."""
        self._reach: Reach = nobody_asks

    @property
    def timing(self) -> Timing:
        """The figures by which the link is to be kept."""
        return self._options.timing

    @property
    def traffic(self) -> tuple[Traffic, ...]:
        """The frames that go over the bus, for who reckons its load."""
        return bus_traffic(self._bindings, self._fresh, self._options.timing.refresh)

    @property
    def nodes(self) -> Mapping[int, NodeInfo]:
        """What is known of each node of our own schema, by its number, while a link is open."""
        if self._link is None:
            return {}
        watches = self._link.incoming.watches
        return {number: watch.info for number, watch in watches.items()}

    def listener(self, hear: Hear, more: Sequence[str] = ()) -> CanListener:  # noqa: ARG002 - as in the protocol
        """Return what listens on the bus without a word; it hears every frame anyway."""
        return CanListener(self.name, self._options, self._bindings, hear)

    def identify(self, node: int, serial: int = 0) -> None:
        """Let a node blink; of several boards with one number the one that has this serial.

        Raises ``ValueError`` for a number that there cannot be, ``LinkError``
        where the link is not open.
        """
        if self._link is None or self._link.bus.lost:
            raise LinkError("the bus is not open")
        if not 1 <= node <= LAST_NODE:
            raise ValueError(f"a node's number is from 1 to {LAST_NODE}, not {node}")
        self._outgoing.identify(node, serial)
        self._link.bus.pump()

    def watch_reach(self, reach: Reach) -> None:
        """Say from now on to which devices at nodes of our own schema orders do not get through.

        Of foreign devices nothing is known.
        """
        self._reach = reach

    async def open(self, sink: Sink) -> None:
        """Open the bus, put everything to danger, and wait for a node to be heard."""
        await self.close()
        self._unreached = set(self._bindings.nodes)
        self._say_reach()
        link = Link(
            self.name,
            self._options,
            self._bindings,
            outgoing=self._outgoing,
            sink=sink,
            counters=self.counters,
            tap=self.tap,
            after=self._worker,
            reach=self._set_reach,
        )
        self._worker = link.bus.worker
        await self._openings.open(link)
        self._link = link

    def _set_reach(self, node: int, reached: bool) -> None:  # noqa: FBT001
        (self._unreached.discard if reached else self._unreached.add)(node)
        self._say_reach()

    def _say_reach(self) -> None:
        orders = self._bindings.own_orders
        self._reach(frozenset(each.device for each in orders if each.node in self._unreached))

    async def wait_lost(self) -> None:
        """Raise ``LinkError``, which says why, when the bus has gone or fallen silent."""
        if self._link is not None:
            raise LinkError(await self._link.bus.wait_lost())

    async def send(self, orders: Iterable[Order]) -> None:
        """Take orders; they go out as the bus takes them, the newest in any case."""
        self.send_now(orders)

    def send_now(self, orders: Iterable[Order]) -> None:
        """Do as ``send`` does, which never waits."""
        link = self._link
        if link is None or link.bus.lost:
            raise LinkError("the bus is not open")
        orders = tuple(orders)
        self._outgoing.put(orders)
        self.counters.sent += len(orders)
        link.bus.pump()
        if link.bus.lost:
            raise LinkError("the bus has gone")

    async def close(self) -> None:
        """Let everything go to danger, as far as the bus takes frames, and close it."""
        link, self._link = self._link, None
        within = self._options.timing.farewell / 2
        if link is not None:
            await link.close(within)
        elif self._worker is not None:
            # An opening that failed, or was given up, may still hold the adapter.
            await self._worker.end(within)
