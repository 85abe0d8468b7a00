"""What is known of a node: which board answers to its name, and what may be believed of it.

Law of this file: messages and times in, verdicts out; no connection, no clock,
no device. A board is believed while what it says repeats a number of ours that
is fresh enough, in the order in which it said it, and while no other board
answers to the same name. Two boards cannot be told apart by anybody who reads
their reports, so that neither is believed; and so that a first one is not
either, until another would have been heard too.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from attrs import define, frozen

from transports.mqtt.own.codec import Heard

if TYPE_CHECKING:
    from collections import Counter

    from transports.mqtt.own.codec import Gone, NodeReport, NodeStatus
    from transports.mqtt.own.numbers import Numbers

__all__ = ["NodeInfo", "NodeWatch"]

logger = logging.getLogger(__name__)


@frozen(kw_only=True)
class NodeInfo:
    """A node as it stands."""

    name: str
    known: bool
    """Whether it is believed now."""
    boards: tuple[NodeStatus, ...] = ()
    """What the boards that answer to its name last said of themselves; two are a fault."""


@define(eq=False)
class _Board:
    """A session of a board that was heard lately."""

    status: NodeStatus
    since: float
    """When it first proved that it is there."""
    last: int
    """The number of its newest message."""
    heard_at: float
    """When it last proved that it is there."""
    proof: int
    """The number of ours by which it proved it."""
    replaced: bool = False
    """Whether the same board has begun a new session since."""


_Name = tuple[str, str]
"""A session and a serial: boards whose random numbers begin alike have one session."""


class NodeWatch:
    """Watches who answers to a node's name, on one connection of ours.

    ``numbers`` are those that we give to what we tell the node, and ``within``
    is how many seconds one of them proves something. A board that is new here
    must be alone for ``trial`` seconds. ``rejected`` counts what was turned away.
    """

    def __init__(
        self,
        link: str,
        name: str,
        numbers: Numbers,
        *,
        within: float,
        trial: float,
        rejected: Counter[str],
    ) -> None:
        self.name = name
        self.acknowledged: Heard | None = None
        """What the node is to be told that we have heard."""
        self.doubled = False
        """Whether several boards answer to the name."""
        self._link = link
        self._numbers = numbers
        self._within = within
        self._trial = trial
        self._rejected = rejected
        self._boards: dict[_Name, _Board] = {}
        self._ended: dict[str, float] = {}
        """Sessions that have ended lately, and when that was heard."""
        self._trusted = ""
        """The serial of the board that was believed last."""
        self._believed: _Name | None = None
        self._good_until = 0.0

    @property
    def info(self) -> NodeInfo:
        """The node as it stands."""
        boards = {board.status.serial: board.status for board in self._boards.values()}
        return NodeInfo(name=self.name, known=self.believed, boards=tuple(boards.values()))

    @property
    def believed(self) -> bool:
        """Whether what the node last said holds good."""
        return self._believed is not None

    @property
    def reached(self) -> bool:
        """Whether orders get through to the node: it is believed, and says that they do."""
        if self._believed is None:
            return False
        return not self._boards[self._believed].status.orders_lost

    @property
    def deadline(self) -> float | None:
        """When the node is no longer believed unless something newer is heard, or ``None``."""
        return None if self._believed is None else self._good_until

    def check(self, now: float) -> None:
        """Believe the node no longer where it is overdue."""
        if self._believed is not None and self._good_until <= now:
            self._believed = None

    def take(self, report: NodeReport, now: float) -> bool:
        """Take what a node says; return whether it is to be believed. ``check`` comes first.

        Where the node is not ``believed`` afterwards, nothing of what it said holds any longer.
        """
        if report.session in self._ended:
            self._rejected["another-session"] += 1
            return False
        name = (report.session, report.status.serial)
        board = self._boards.get(name)
        if board is not None and not self._in_order(board, report.seq):
            return False
        heard, given = report.heard, self._numbers.given(report.heard)
        if (
            self._believed in (None, name)
            and not self.doubled
            and report.status.serial == self._trusted
        ):
            self.acknowledged = Heard(session=report.session, seq=report.seq)
        if heard is None or given is None or given + self._within <= now:
            self._count_stale(report, name)
            if self._believed == name:
                # It has said something newer, and this cannot be believed.
                self._believed = None
            return False
        if self._is_ambiguous(report, heard.seq):
            self._rejected["late"] += 1
            self._believed = None
            return False
        if board is None:
            board = _Board(report.status, now, report.seq, now, heard.seq)
            self._boards[name] = board
        board.status, board.heard_at, board.proof = report.status, now, heard.seq
        if self._is_doubled(name, now):
            self._rejected["same-name"] += 1
            return False
        if report.status.serial != self._trusted:
            if board.since + self._trial > now:
                return False
            self._trusted = report.status.serial
        self._believed = name
        self._good_until = given + self._within
        self.acknowledged = Heard(session=report.session, seq=report.seq)
        return True

    def take_gone(self, gone: Gone, now: float) -> None:
        """Take the last will of a session: nothing that is said in it counts any more."""
        # What was said in it may still be under way, and proves something for ``within``.
        self._ended = {
            session: at for session, at in self._ended.items() if at + self._within > now
        }
        self._ended[gone.session] = now
        self._boards = {
            name: board for name, board in self._boards.items() if name[0] != gone.session
        }
        if self._believed is not None and self._believed[0] == gone.session:
            self._believed = None

    def distrust(self) -> None:
        """Believe nothing of what was said until now."""
        self._believed = None

    def _in_order(self, board: _Board, seq: int) -> bool:
        """Take a number of a board; return whether it is newer than all before it."""
        step = seq - board.last
        if step <= 0:
            self._rejected["late" if step else "repeated"] += 1
            return False
        if step > 1:
            self._rejected["lost"] += step - 1
        board.last = seq
        return True

    def _is_ambiguous(self, report: NodeReport, proof: int) -> bool:
        """Return whether it cannot be told if the board said this before or after another session.

        What a board hears in a new session is newer than all that it heard before.
        """
        return any(
            serial == report.status.serial and board.proof >= proof
            for (session, serial), board in self._boards.items()
            if session != report.session
        )

    def _count_stale(self, report: NodeReport, name: _Name) -> None:
        """Count what does not prove that it is new; a board that has heard nobody yet may not."""
        if report.heard is not None and report.heard.session == self._numbers.session:
            self._rejected["stale"] += 1
        elif report.heard is not None or self._believed not in (None, name):
            self._rejected["another-session"] += 1

    def _is_doubled(self, name: _Name, now: float) -> bool:
        """Return whether somebody else answers to the name than who has just been heard."""
        # A number proves something for ``within``: so long may a session's messages be repeated,
        # and so long must its last number be remembered, at the least.
        self._boards = {
            each: board
            for each, board in self._boards.items()
            if board.heard_at + 2 * self._within > now
        }
        board = self._boards[name]
        others = [
            other for other in self._boards.values() if other is not board and not other.replaced
        ]
        if board.replaced:
            board.replaced = False  # It has not ended: two boards have one serial.
        elif name != self._believed and not self.doubled:
            # A board that has connected again has a new session, and its old one has ended.
            for other in others:
                other.replaced = other.status.serial == board.status.serial
            others = [other for other in others if not other.replaced]
        was_doubled, self.doubled = self.doubled, bool(others)
        if self.doubled and not was_doubled:
            self._believed, self._trusted = None, ""
            self.acknowledged = None
            serials = sorted(each.status.serial for each in (board, *others))
            logger.warning(
                "%s: the boards with the serials %s all say that they are node %s; none of them "
                "is believed, and their signals are held at danger. Give each a name of its own",
                self._link,
                " and ".join(serials),
                self.name,
            )
        elif was_doubled and not self.doubled:
            logger.warning(
                "%s: only the board with the serial %s says that it is node %s now",
                self._link,
                board.status.serial,
                self.name,
            )
        return self.doubled
