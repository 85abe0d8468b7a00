"""What is known of the nodes: which board answers to a number, and how it fares.

Law of this file: what ``NodeStatus`` says, and what follows; no clock, no bus.
Two boards with one number are found by their serials. Neither can be believed
then, since nobody can tell whose report is whose.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from attrs import evolve, frozen

if TYPE_CHECKING:
    from transports.can.frames import Frame

__all__ = ["IDENTITY_SETTLED", "IDENTITY_TIMEOUT", "NodeInfo", "NodeWatch"]

logger = logging.getLogger(__name__)

IDENTITY_TIMEOUT = 2.0
"""Seconds for which a board that said its serial counts as being there."""
IDENTITY_SETTLED = 0.4
"""Seconds for which it must have been the only one under its number: each says so every 0.5 s."""


@frozen(kw_only=True)
class NodeInfo:
    """A node as it was last heard to describe itself; ``None`` is what it has not said."""

    number: int
    serials: tuple[int, ...] = ()
    """The serials heard under its number lately; more than one is a fault."""
    firmware: tuple[int, int, int] | None = None
    orders_lost: bool | None = None
    """Whether some of its outputs went to their most restrictive state by themselves."""
    unanswered: bool | None = None
    """Whether our answers do not reach it in time, so that nobody knows how old its word is."""
    supply_low: bool | None = None
    output_fault: bool | None = None
    supply_millivolts: int | None = None
    transmit_errors: int | None = None
    receive_errors: int | None = None
    frames_rejected: int | None = None
    frames_lost: int | None = None


class NodeWatch:
    """Watches the boards that answer to one number."""

    def __init__(self, link: str, number: int) -> None:
        self.info = NodeInfo(number=number)
        self._link = link
        self._heard: dict[int, float] = {}
        self._alone_since = 0.0
        self.trusted = False
        """Whether exactly one board answers to the number, and has done so for long enough."""

    @property
    def reached(self) -> bool:
        """Whether orders get through to it: it is believed, and says that it has not lost them."""
        return self.believed and self.info.orders_lost is False

    @property
    def believed(self) -> bool:
        """Whether what it says counts: it is known, and says that our answers reach it in time."""
        return self.trusted and self.info.unanswered is False

    @property
    def doubled(self) -> bool:
        """Whether several boards answer to the number."""
        return len(self._heard) > 1

    def take(self, frame: Frame, now: float) -> None:
        """Take a page of status, heard at ``now``, in seconds."""
        match frame.group:
            case 0:
                self._identify(frame["Serial"], now)
            case 1:
                self.info = evolve(
                    self.info,
                    firmware=(
                        frame["FirmwareMajor"],
                        frame["FirmwareMinor"],
                        frame["FirmwarePatch"],
                    ),
                    orders_lost=bool(frame["OrdersLost"]),
                    supply_low=bool(frame["SupplyLow"]),
                    output_fault=bool(frame["OutputFault"]),
                    unanswered=bool(frame["Unanswered"]),
                )
            case 2:
                self.info = evolve(
                    self.info,
                    supply_millivolts=frame["SupplyMillivolts"] or None,
                    transmit_errors=frame["TransmitErrors"],
                    receive_errors=frame["ReceiveErrors"],
                )
            case _:
                self.info = evolve(
                    self.info,
                    frames_rejected=frame["FramesRejected"],
                    frames_lost=frame["FramesLost"],
                )

    def forget(self) -> None:
        """Take it that no board answers to the number any more."""
        self._heard.clear()
        self.trusted = False
        self.info = evolve(self.info, serials=(), orders_lost=None, unanswered=None)

    def _identify(self, serial: int, now: float) -> None:
        was_doubled, known = self.doubled, serial in self._heard
        self._heard[serial] = now
        self._heard = {each: at for each, at in self._heard.items() if at + IDENTITY_TIMEOUT > now}
        if not known:
            self._alone_since = now
            # It was another board that said how its outputs are.
            self.info = evolve(self.info, orders_lost=None, unanswered=None)
        elif was_doubled and not self.doubled:
            self._alone_since = now - IDENTITY_TIMEOUT
        settled = now - self._alone_since >= IDENTITY_SETTLED
        self.trusted = settled and not self.doubled
        self.info = evolve(self.info, serials=tuple(sorted(self._heard)))
        if self.doubled and not was_doubled:
            logger.warning(
                "%s: the boards %s all have the node number %d; none of them is believed, and "
                "their signals are held at danger. Give each a number of its own",
                self._link,
                " and ".join(f"{each:08X}" for each in self.info.serials),
                self.info.number,
            )
        elif was_doubled and not self.doubled:
            logger.warning(
                "%s: only the board %08X has the node number %d now",
                self._link,
                serial,
                self.info.number,
            )
