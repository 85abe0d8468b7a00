"""One node as the controller has it: what it says, and what it is told.

Law of this file: the devices of one node on one opening of a link; messages,
orders and times in, reports and messages out. Each message has the state of
everything, so that the newest makes all others of no account.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.layout.words import Report
from transports.mqtt.own.codec import NodeOrder
from transports.mqtt.own.nodes import NodeWatch
from transports.mqtt.own.numbers import Numbers
from transports.slots import restrictive_order

if TYPE_CHECKING:
    from collections import Counter

    from signalling.layout.words import Device, Order
    from transports.mqtt.own.bindings import NodeBinding, OrderState
    from transports.mqtt.own.codec import NodeReport
    from transports.transport import Sink

__all__ = ["Node"]


class Node:
    """A node.

    ``within`` is how many seconds what is said by it and to it holds good, and
    ``trial`` how long a board that is new must be alone of its name.
    """

    def __init__(
        self,
        link: str,
        binding: NodeBinding,
        session: str,
        *,
        within: float,
        trial: float,
        say: Sink,
        rejected: Counter[str],
    ) -> None:
        self.name = binding.name
        self.due = True
        """Whether it must be told its orders on the next turn."""
        self.changed = False
        """Whether it has not been told its newest orders."""
        self._vouched = True
        """Whether somebody stood behind what it was told last."""
        self._numbers = Numbers(session, within)
        self.watch = NodeWatch(
            link, self.name, self._numbers, within=within, trial=trial, rejected=rejected
        )
        self._binding = binding
        self._ttl = round(within * 1000)
        self._say = say
        self._said: dict[Device, str] = {}
        self._restrictive = self._at_rest()
        self._orders = self._at_rest()

    # -- what it says

    def take(self, report: NodeReport, now: float) -> None:
        """Take what it says, and say what of it is to be believed."""
        before = self.watch.believed
        if self.watch.take(report, now):
            # It may be told at once what it is to obey.
            self.due |= not before
            for (kind, name), device in self._binding.reports.items():
                value = report.reports.get(kind, {}).get(name)
                if value is not None:
                    self._said[device] = value
                    self._say(Report(device, value))
                elif self._said.pop(device, None) is not None:
                    self._say(Report(device, None))
            return
        self.forget_unless_believed()
        if not self.watch.believed:
            # It waits to hear that it was heard.
            self.due = True

    def defective(self) -> None:
        """Take it that it says what cannot be read."""
        self.watch.distrust()
        self.forget_unless_believed()

    def forget_unless_believed(self) -> None:
        """Say that its devices are not known, unless it is believed."""
        if self.watch.believed:
            return
        said, self._said = self._said, {}
        for device in said:
            self._say(Report(device, None))

    # -- what it is told

    def put(self, order: Order) -> None:
        """Take a new order for one of its devices."""
        place = self._binding.orders[order.device]
        before = self._orders.get(place.section, {}).get(place.name)
        place.put(self._orders, order.value)
        if self._orders[place.section][place.name] != before or not self._vouched:
            self.changed = True

    def order(self, now: float, *, vouched: bool) -> NodeOrder:
        """Return what it is told now; danger, where nobody stands behind its orders."""
        self.due = self.changed = False
        self._vouched = vouched
        return NodeOrder(
            node=self.name,
            session=self._numbers.session,
            seq=self._numbers.next(now),
            heard=self.watch.acknowledged,
            ttl=self._ttl,
            orders=self._orders if vouched else self._restrictive,
        )

    def _at_rest(self) -> OrderState:
        """Return the most restrictive order of each device that has one."""
        state: OrderState = {}
        for device, place in self._binding.orders.items():
            order = restrictive_order(device, place.words)
            if order is not None:
                place.put(state, order.value)
        return state
