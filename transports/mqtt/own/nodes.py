"""What is known of a node: which board answers to its name, and what may be believed of it.

Law of this file: messages and times in, verdicts out; no connection, no clock,
no device. A board is believed while what it says repeats a number of ours that
is fresh enough, in the order in which it said it, and while no other board
answers to the same name. Two boards cannot be told apart by anybody who reads
their reports, so that neither is believed; and so that a first one is not
either, until another would have been heard too.

A board is who has drawn one random number since its power came: serials are
copied with the programs that they stand in. When one comes after another, the
first may have gone, or been switched on again. It shows that it has not when it
names a number of ours that is as new as the first that the other named: that
number was given when the other was there already.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from attrs import define, frozen

from transports.mqtt.own.codec import Heard

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterable

    from transports.mqtt.own.codec import Gone, NodeReport, NodeStatus
    from transports.mqtt.own.numbers import Numbers

__all__ = ["APART", "NodeInfo", "NodeWatch"]

logger = logging.getLogger(__name__)

APART = 5.0
"""Seconds for which of two boards one must not have been heard before the other may be believed.

Longer than a board waits before it connects again: a broker that lets only one of two be connected
shows them by turns."""


@frozen(kw_only=True)
class NodeInfo:
    """A node as it stands."""

    name: str
    known: bool
    """Whether it is believed now."""
    boards: tuple[NodeStatus, ...] = ()
    """What the boards that answer to its name last said of themselves; two are a fault."""


_BoardName = tuple[str, str]
"""The serial of a board, and the random number that it drew when its power came."""
_SessionName = tuple[str, str, str]
"""A session and its board: boards whose random numbers begin alike have one session."""


@define(eq=False)
class _Board:
    """A board that was heard lately."""

    status: NodeStatus
    since: float
    """From when on it was alone, as far as was heard."""
    heard_at: float
    """When it last proved that it is there."""
    first: int
    """The first number of ours by which it proved it."""
    gone: bool = False
    """Whether its session has ended."""


@define(eq=False)
class _Session:
    """A session of a board that was heard lately."""

    newest: NodeReport
    heard_at: float
    """When its board last proved in it that it is there."""
    proof: int
    """The number of ours by which it proved it."""
    replaced: bool = False
    """Whether the same board has begun a new session since."""


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
        self._boards: dict[_BoardName, _Board] = {}
        """Boards in the order in which they came."""
        self._sessions: dict[_SessionName, _Session] = {}
        self._ended: dict[str, float] = {}
        """Sessions that have ended lately, and when that was heard."""
        self._doubled_until = 0.0
        self._trusted: _BoardName | None = None
        """The board that was believed last, if no other has come since."""
        self._believed: _SessionName | None = None
        self._good_until = 0.0

    @property
    def info(self) -> NodeInfo:
        """The node as it stands."""
        boards = [board.status for board in self._boards.values() if not board.gone]
        if not self.doubled:
            boards = boards[-1:]
        return NodeInfo(name=self.name, known=self.believed, boards=tuple(boards))

    @property
    def believed(self) -> bool:
        """Whether what the node last said holds good."""
        return self._believed is not None

    @property
    def reached(self) -> bool:
        """Whether orders get through to the node: it is believed, and says that they do."""
        if self._believed is None:
            return False
        return not self._sessions[self._believed].newest.status.orders_lost

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
        key = (report.status.serial, report.status.start)
        name = (report.session, *key)
        heard, given = report.heard, self._numbers.given(report.heard)
        new = heard is not None and given is not None and given + self._within > now
        session = self._sessions.get(name)
        if session is not None and not self._in_order(session, report, now, new=new):
            return False
        if self._believed in (None, name) and not self.doubled and key == self._trusted:
            self.acknowledged = Heard(session=report.session, seq=report.seq)
        if heard is None or given is None or not new:
            self._count_stale(report, name)
            if self._believed == name:
                # It has said something newer, and this cannot be believed.
                self._believed = None
            return False
        self._forget(now)
        if self._is_ambiguous(name, heard.seq):
            self._rejected["late"] += 1
            self._believed = None
            return False
        board = self._take_board(key, report.status, heard.seq, now)
        self._take_session(name, report, heard.seq, now)
        if now < self._doubled_until:
            self._tell_doubled()
            self._rejected["same-name"] += 1
            return False
        if self.doubled:
            self._tell_alone(key, now)
        if key != self._trusted:
            if board.since + self._trial > now or self._others(key, now):
                return False
            self._trusted = key
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
        if self._believed is not None and self._believed[0] == gone.session:
            self._believed = None
        ended = [name for name in self._sessions if name[0] == gone.session]
        for name in ended:
            del self._sessions[name]
        for key, board in self._boards.items():
            left = any(name[1:] == key for name in self._sessions)
            board.gone |= not left

    def distrust(self) -> None:
        """Believe nothing of what was said until now."""
        self._believed = None

    # -- numbers

    def _in_order(self, session: _Session, report: NodeReport, now: float, *, new: bool) -> bool:
        """Take a number of a session; return whether it is newer than all before it."""
        step = report.seq - session.newest.seq
        if step <= 0:
            self._rejected["late" if step else "repeated"] += 1
            # Of one who says both, what is newer has heard what is newer, and a number is given
            # to one message. Two whose random numbers are the same are found by that.
            newer = new and report.heard is not None and report.heard.seq > session.proof
            if newer if step else report != session.newest:
                self._doubled_until = now + APART
                self._tell_doubled()
            return False
        if step > 1:
            self._rejected["lost"] += step - 1
        session.newest = report
        return True

    def _is_ambiguous(self, name: _SessionName, proof: int) -> bool:
        """Return whether it cannot be told if this was said before or after what another said.

        What a board hears in a new session is newer than all that it heard before.
        """
        key = name[1:]
        return any(
            session.proof >= proof
            for other, session in self._sessions.items()
            if other != name and other[1:] == key
        ) or any(board.first > proof for board in self._later(key))

    def _count_stale(self, report: NodeReport, name: _SessionName) -> None:
        """Count what does not prove that it is new; a board that has heard nobody yet may not."""
        if report.heard is not None and report.heard.session == self._numbers.session:
            self._rejected["stale"] += 1
        elif report.heard is not None or self._believed not in (None, name):
            self._rejected["another-session"] += 1

    # -- boards

    def _forget(self, now: float) -> None:
        """Forget whom nothing contradicts any more."""
        self._boards = {
            key: board for key, board in self._boards.items() if board.heard_at + APART > now
        }
        # A number proves something for ``within``: so long may a session's messages be repeated,
        # and so long must its last number be remembered, at the least.
        self._sessions = {
            name: session
            for name, session in self._sessions.items()
            if session.heard_at + 2 * self._within > now
        }

    def _later(self, key: _BoardName) -> list[_Board]:
        """Return the boards that came after one; all, where it has not come yet."""
        keys = list(self._boards)
        after = keys.index(key) + 1 if key in keys else 0
        return [self._boards[each] for each in keys[after:]]

    def _others(self, key: _BoardName, now: float) -> list[_Board]:
        """Return the other boards that must be taken to be there."""
        return [
            board
            for other, board in self._boards.items()
            if other != key and not board.gone and board.heard_at + 2 * self._within > now
        ]

    def _take_board(self, key: _BoardName, status: NodeStatus, proof: int, now: float) -> _Board:
        """Take it that a board is there, and look who else is."""
        board = self._boards.get(key)
        if board is not None:
            # The others came when it was there, and it has not gone since.
            rivals = self._later(key)
        else:
            rivals = [
                other for other in self._others(key, now) if other.status.serial != status.serial
            ]
            board = self._boards[key] = _Board(status, now, now, proof)
            if key != self._trusted:
                self._trusted = self._believed = self.acknowledged = None
        board.status, board.heard_at, board.gone = status, now, False
        if self.doubled:
            rivals = [other for other in self._boards.values() if other is not board]
        self._take_rivals(rivals)
        return board

    def _take_session(self, name: _SessionName, report: NodeReport, proof: int, now: float) -> None:
        session = self._sessions.get(name)
        others = [
            session
            for other, session in self._sessions.items()
            if other != name and other[1:] == name[1:]
        ]
        if session is None:
            # A board that has connected again has a new session, and its old one has ended.
            session = self._sessions[name] = _Session(report, now, proof)
        elif session.replaced:
            # It has not ended: two boards have one random number.
            self._take_rivals(others)
        session.heard_at, session.proof, session.replaced = now, proof, False
        for other in others:
            other.replaced = True

    def _take_rivals(self, rivals: Iterable[_Board | _Session]) -> None:
        """Believe nobody until of all but one nothing was heard for a while."""
        for rival in rivals:
            self._doubled_until = max(self._doubled_until, rival.heard_at + APART)

    def _tell_doubled(self) -> None:
        if self.doubled:
            return
        self.doubled = True
        self._trusted = self._believed = self.acknowledged = None
        serials = sorted({board.status.serial for board in self._boards.values()})
        logger.warning(
            "%s: two boards or more, with the %s %s, say that they are node %s; none of them is "
            "believed, and their signals are held at danger. Give each a name of its own",
            self._link,
            "serials" if len(serials) > 1 else "same serial",
            " and ".join(serials),
            self.name,
        )

    def _tell_alone(self, key: _BoardName, now: float) -> None:
        self.doubled = False
        board = self._boards[key]
        board.since = now
        self._boards = {key: board}
        logger.warning(
            "%s: only the board with the serial %s says that it is node %s now",
            self._link,
            board.status.serial,
            self.name,
        )
