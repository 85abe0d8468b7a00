"""The signaller of Merrow Bay: asks for turnouts and holds trains in the platforms.

Law of this file: it sees what the controller shows and nothing else, and it can
only ask; whether anything moves or clears is for the equations. It is what a
user's own automation would be. Chance is seeded, time is an argument.

It never asks for a turnout while a signal over it is off for a train that is
close: the signal would go to danger in the driver's face.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from random import Random

from attrs import define, field, frozen

from signalling.core.interlocking import Snapshot
from signalling.core.words import (
    ConfirmBlock,
    FreeSignal,
    HoldSignal,
    MoveTurnout,
    Request,
    RestoreBlock,
)
from signalling.layout.notation import Lie
from signalling.practice.schema import DANGER

__all__ = ["FACING", "MERGES", "PLATFORMS", "Signaller"]

SECOND = 1_000_000_000


@frozen(kw_only=True)
class Facing:
    """A turnout that trains meet from its point: the next train's way is drawn by lot."""

    turnout: str
    signal: str
    """The signal that reads over it."""
    approach: tuple[str, ...]
    """Blocks that lead up to the signal."""
    beyond: str
    """The block beyond the signal; a train in it has passed."""
    reverse: float
    """How often a train is sent over the reverse side, from 0 to 1."""


@frozen(kw_only=True)
class Side:
    """One of the two ways to a trailing turnout."""

    signal: str
    berth: str
    """The block in which a train waits for the signal."""
    needs: str | None = None
    """A turnout that must have been asked to lie reverse for trains to come this way."""


@frozen(kw_only=True)
class Merge:
    """A turnout where two ways come together: who waits alone goes, of two each in turn."""

    turnout: str
    sides: Mapping[Lie, Side]
    beyond: str
    """The block beyond the signals; a train in it has passed."""


@frozen(kw_only=True)
class Platform:
    """A place where some trains stop for a time, held by the signal at its end."""

    signal: str
    berth: str
    calls: float
    """How often a train stops here, from 0 to 1."""


FACING = (
    Facing(turnout="t1", signal="D2", approach=("d2", "xd", "xu"), beyond="k1", reverse=0.5),
    Facing(turnout="t3", signal="D6", approach=("d4",), beyond="j1", reverse=0.4),
    Facing(turnout="t5", signal="U4", approach=("u3", "k5"), beyond="xu", reverse=0.45),
)
MERGES = (
    Merge(
        turnout="t2",
        sides={
            Lie.NORMAL: Side(signal="D3", berth="p1"),
            Lie.REVERSE: Side(signal="D4", berth="p2"),
        },
        beyond="k2",
    ),
    Merge(
        turnout="t4",
        sides={
            Lie.NORMAL: Side(signal="U1", berth="u1"),
            Lie.REVERSE: Side(signal="C2", berth="c2"),
        },
        beyond="j2",
    ),
    Merge(
        turnout="t6",
        sides={
            Lie.NORMAL: Side(signal="D1", berth="d1"),
            Lie.REVERSE: Side(signal="U4", berth="u3", needs="t5"),
        },
        beyond="xd",
    ),
)
PLATFORMS = (
    Platform(signal="D3", berth="p1", calls=0.5),
    Platform(signal="D4", berth="p2", calls=0.7),
    Platform(signal="U3", berth="p3", calls=0.6),
)
BEAMS_ONLY = ("b1",)
"""Blocks that nothing tells to be empty at the start but a person who looked."""

SETTLED = 3 * SECOND
"""Time after the start by which every detector has been read."""

PATIENCE = 45 * SECOND
"""Time that a train waits for the way that was drawn for it; then it is sent the other way, so
that trains which wait for one another round a ring do not wait for ever."""

CALL = (12 * SECOND, 20 * SECOND)
"""The shortest and the longest time from a train's coming into a platform to its leave to go."""


@define
class Signaller:
    """Works the layout: call it with how everything stands, now and then."""

    seed: int
    _random: Random = field(init=False)
    _asked: dict[str, Lie] = field(factory=dict)
    """How each turnout was last asked to lie."""
    _next: dict[str, Lie] = field(factory=dict)
    """How facing turnouts are to lie for the next train."""
    _served: set[str] = field(factory=set)
    """Merges over which a train has gone since they were last changed."""
    _leave_at: dict[str, int] = field(factory=dict)
    """When the train in a platform gets leave to go, by signal."""
    _held: set[str] = field(factory=set)
    _waiting_since: dict[str, int] = field(factory=dict)
    """When the train at a facing turnout's signal began to wait, by signal."""
    _occupied: Mapping[str, bool] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Begin with the seed."""
        self._random = Random(f"signaller {self.seed}")  # noqa: S311 - chance, and no secret

    def __call__(self, snapshot: Snapshot, now: int) -> list[Request]:
        """Return what it asks for now."""
        if now < SETTLED:
            return []
        if not self._occupied:
            self._occupied = snapshot.occupied
            return [
                *(ask(block) for block in BEAMS_ONLY for ask in (RestoreBlock, ConfirmBlock)),
                *(
                    MoveTurnout(each.turnout, self._ask(each.turnout, Lie.NORMAL))
                    for each in (*FACING, *MERGES)
                ),
            ]
        requests = [
            *self._work_facing(snapshot, now),
            *self._work_merges(snapshot),
            *self._work_platforms(snapshot, now),
        ]
        self._occupied = snapshot.occupied
        return requests

    def _ask(self, turnout: str, lie: Lie) -> Lie:
        self._asked[turnout] = lie
        return lie

    def _came(self, snapshot: Snapshot, block: str) -> bool:
        return snapshot.occupied[block] and not self._occupied[block]

    def _work_facing(self, snapshot: Snapshot, now: int) -> Iterator[Request]:
        for each in FACING:
            if self._came(snapshot, each.beyond):
                over = self._random.random() < each.reverse
                self._next[each.turnout] = Lie.REVERSE if over else Lie.NORMAL
            elif self._waited(snapshot, each, now):
                self._next[each.turnout] = self._asked[each.turnout].other
            wanted = self._next.get(each.turnout, Lie.NORMAL)
            if wanted is not self._asked[each.turnout] and (
                snapshot.aspects[each.signal] == DANGER
                or not any(snapshot.occupied[block] for block in each.approach)
            ):
                yield MoveTurnout(each.turnout, self._ask(each.turnout, wanted))

    def _waited(self, snapshot: Snapshot, each: Facing, now: int) -> bool:
        """Return whether a train has waited for its way for too long; begin anew if so."""
        at_danger = snapshot.aspects[each.signal] == DANGER
        if not (at_danger and snapshot.occupied[each.approach[0]]):
            self._waiting_since.pop(each.signal, None)
            return False
        if now - self._waiting_since.setdefault(each.signal, now) < PATIENCE:
            return False
        self._waiting_since[each.signal] = now
        return True

    def _work_merges(self, snapshot: Snapshot) -> Iterator[Request]:
        for each in MERGES:
            if self._came(snapshot, each.beyond):
                self._served.add(each.turnout)
            lie = self._asked[each.turnout]
            here, there = each.sides[lie], each.sides[lie.other]
            if not self._waits(snapshot, there):
                continue
            at_danger = snapshot.aspects[here.signal] == DANGER
            if not self._waits(snapshot, here) or (each.turnout in self._served and at_danger):
                self._served.discard(each.turnout)
                yield MoveTurnout(each.turnout, self._ask(each.turnout, lie.other))

    def _waits(self, snapshot: Snapshot, side: Side) -> bool:
        needed = side.needs is None or self._asked[side.needs] is Lie.REVERSE
        return needed and snapshot.occupied[side.berth]

    def _work_platforms(self, snapshot: Snapshot, now: int) -> Iterator[Request]:
        for each in PLATFORMS:
            signal, berth = each.signal, each.berth
            if snapshot.occupied[berth]:
                if signal in self._held:
                    leave = self._leave_at.setdefault(signal, now + self._random.randint(*CALL))
                    if now >= leave:
                        self._held.discard(signal)
                        del self._leave_at[signal]
                        yield FreeSignal(signal)
            elif self._occupied[berth] and self._random.random() < each.calls:
                # The last train has gone: the next one is to stop.
                self._held.add(signal)
                yield HoldSignal(signal)
