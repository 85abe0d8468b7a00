"""What the layout says of one bus: which device is which port or signal.

Law of this file: the sorting of bindings into our own schema and foreign files,
and what must hold between the two. What each means is read where it belongs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.errors import ConfigurationError
from transports.can.dbc import DbcFiles
from transports.can.foreign import ForeignReport, Publisher, foreign_reports, publishers
from transports.can.foreign_orders import ForeignGroup, foreign_groups
from transports.can.outgoing import own_groups
from transports.can.own import OwnOrder, OwnReport, own_orders, own_reports
from transports.can.schema import load_schema

if TYPE_CHECKING:
    from collections.abc import Mapping

    from signalling.layout.words import BoundDevice
    from transports.can.dbc import ForeignMessage
    from transports.can.options import Options
    from transports.transport import TransportSettings

__all__ = ["Bindings"]


class Bindings:
    """What the layout says of this bus, read and checked."""

    def __init__(self, settings: TransportSettings, options: Options) -> None:
        name = settings.name
        self.files = files = DbcFiles(name, settings.folder, options.dbc)
        reporting = [bound for bound in settings.devices if bound.reports]
        ordered = [bound for bound in settings.devices if bound.orders]
        own_ways = [_own(name, bound, "report", bound.report) for bound in reporting]
        own_order_ways = [_own(name, bound, "order", bound.order) for bound in ordered]
        self.publishers: Mapping[str, Publisher] = publishers(name, options.publishers, files)
        self.own_reports: tuple[OwnReport, ...] = own_reports(
            name, [bound for bound, own in zip(reporting, own_ways, strict=True) if own]
        )
        self.foreign_reports: tuple[ForeignReport, ...] = foreign_reports(
            name,
            [bound for bound, own in zip(reporting, own_ways, strict=True) if not own],
            self.publishers,
            files,
        )
        self.own_orders: tuple[OwnOrder, ...] = own_orders(
            name, [bound for bound, own in zip(ordered, own_order_ways, strict=True) if own]
        )
        self.own_groups = own_groups(self.own_orders)
        self.foreign_groups: tuple[ForeignGroup, ...] = foreign_groups(
            name,
            [bound for bound, own in zip(ordered, own_order_ways, strict=True) if not own],
            files,
        )
        self.nodes = sorted({place.node for place in (*self.own_reports, *self.own_orders)})
        if self.nodes:
            self._check_apart(name)

    @property
    def filters(self) -> dict[str, list[dict[str, int | bool]]]:
        """What python-can is to let through; all, where there are nodes of our own schema.

        Nodes that nobody named, and a number that two have, are to be seen.
        """
        if self.nodes:
            return {}
        return {
            "can_filters": [
                {
                    "can_id": message.identifier,
                    "can_mask": message.mask,
                    "extended": message.extended,
                }
                for message in self._heard
            ]
        }

    @property
    def _heard(self) -> list[ForeignMessage]:
        reports = (report.message for report in self.foreign_reports)
        return [*reports, *(publisher.message for publisher in self.publishers.values())]

    def _check_apart(self, transport: str) -> None:
        """Refuse foreign messages whose identifiers are those of our own frames."""
        for message in (*self._heard, *(group.message for group in self.foreign_groups)):
            if not message.extended and message.message.frame_id >> 7 in load_schema().shapes:
                raise ConfigurationError(
                    f"transport {transport}, message {message.message.name}",
                    f"Its identifier, {message.message.frame_id:03X} hex, is one that nodes of our "
                    "own schema use on this bus.",
                    "Give the device an identifier of 600 hex or more, but not 680 to 6FF, or one "
                    "of 29 bits, or put it on a bus of its own.",
                )


def _own(transport: str, bound: BoundDevice, way: str, table: Mapping[str, object]) -> bool:
    """Return whether a binding is to a node of our own schema; else it is to a DBC file."""
    if ("node" in table) == ("dbc" in table):
        raise ConfigurationError(
            f"transport {transport}, {bound.device}, {way}",
            "It has both node and dbc." if "node" in table else "It has neither node nor dbc.",
            f"Write {way} = {{ node = 3, port = 5 }} for a node of our own schema, or {way} = "
            '{ dbc = "mine.dbc", message = "...", signal = "..." } for any other device.',
        )
    return "node" in table
