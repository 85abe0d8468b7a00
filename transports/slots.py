"""Orders waiting for a link: one slot for each device, and the latest order wins.

Law of this file: which orders go next, in which order; no clock, no sending.
An order is state, not an event: a newer one replaces one that has not gone
out, so that a slow link makes no order late and nothing ever queues up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.layout.words import KINDS, Device, Order

if TYPE_CHECKING:
    from collections.abc import Iterable

    from transports.transport import BoundDevice

__all__ = ["OrderSlots", "restrictive_order"]

_PLACE = {kind: place for place, kind in enumerate(KINDS)}
"""Kinds, from the lie of the track to what lets a train go: turnouts, signals, stops."""
_INFORMING = frozenset(kind.name for kind in KINDS.values() if kind.informs)
"""Kinds whose orders let all others go first."""


def restrictive_order(device: Device, words: Iterable[str] = ()) -> Order | None:
    """Return the order to give when in doubt, or ``None`` where leaving it alone is safest.

    ``words`` are those that the device takes, most restrictive first; of a
    device that none are known of, those of its kind count.
    """
    value = KINDS[device.kind].restrictive
    return None if value is None else Order(device, next(iter(words), value))


class OrderSlots:
    """The latest order of each device of one link, and which of them must still go out.

    At first each device has the most restrictive order that it can take.
    """

    def __init__(self, devices: Iterable[BoundDevice]) -> None:
        self._ranks = {
            bound.device: {value: rank for rank, value in enumerate(bound.orders)}
            for bound in devices
            if bound.orders
        }
        self._latest: dict[Device, Order] = {}
        self._gone_out: dict[Device, Order] = {}
        self._waiting: dict[Device, None] = {}
        self._turn: list[Device] = []
        self._sealed = False
        self.post(self.restrictive())

    def __len__(self) -> int:
        """Return the number of devices that take orders."""
        return len(self._ranks)

    @property
    def waiting(self) -> int:
        """How many orders must still go out."""
        return len(self._waiting)

    @property
    def latest(self) -> tuple[Order, ...]:
        """The latest order of each device that has one."""
        return tuple(self._latest.values())

    def restrictive(self) -> tuple[Order, ...]:
        """Return the most restrictive order of each device that has one, most urgent first."""
        orders = (restrictive_order(device, ranks) for device, ranks in self._ranks.items())
        return tuple(sorted((order for order in orders if order is not None), key=self._urgency))

    def post(self, orders: Iterable[Order]) -> None:
        """Take orders, of which those for other links' devices are passed over."""
        if self._sealed:
            return
        for order in orders:
            device = order.device
            if device not in self._ranks:
                continue
            known = self._latest.get(device)
            if known is None or known.value != order.value:
                self._latest[device] = order
                self._waiting[device] = None

    def seal(self) -> None:
        """Make every order the most restrictive one, and take no others from now on."""
        self.post(self.restrictive())
        self._sealed = True

    def take(self, limit: int) -> tuple[Order, ...]:
        """Return up to ``limit`` orders that must go out, most urgent first.

        They count as gone out; when sending fails, ``link_lost`` takes that back.
        """
        orders = [self._latest[device] for device in self._waiting]
        if len(orders) > 1:
            orders.sort(key=self._urgency)
        taken = tuple(orders[:limit])
        for order in taken:
            del self._waiting[order.device]
            self._gone_out[order.device] = order
        return taken

    def refresh(self, count: int) -> None:
        """Let the next ``count`` devices in turn have their orders sent again."""
        for _ in range(min(count, len(self._latest))):
            if not self._turn:
                self._turn = list(reversed(self._latest))
            self._waiting[self._turn.pop()] = None

    def link_lost(self) -> None:
        """Let everything go out again: nobody knows what the other end has heard."""
        self._gone_out.clear()
        self._waiting = dict.fromkeys(self._latest)

    def _urgency(self, order: Order) -> tuple[bool, int, int]:
        """Sort key: what restricts comes first, and of that what stops trains.

        Of what relaxes, that comes last: a stop is lifted when its signal is
        off, and a signal clears when its indicator is lit. What only informs
        people comes after everything.
        """
        if order.device.kind in _INFORMING:
            return True, len(_PLACE), 0
        ranks = self._ranks[order.device]
        # A value that the binding does not list is as lenient as can be.
        rank = ranks.get(order.value, len(ranks))
        gone_out = self._gone_out.get(order.device)
        relaxes = rank > (0 if gone_out is None else ranks.get(gone_out.value, len(ranks)))
        place = _PLACE[order.device.kind]
        return (relaxes, place if relaxes else -place, rank)
