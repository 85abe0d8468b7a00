"""Equations of guarded routes: locked before the signal clears, freed when no train can use them.

Law of this file: lock, permission, release latch, in that order, and nothing
else. A lock is given only while no route in the way is locked. Permission
goes when the train enters, when a person holds the signal, or when a turnout
is called. *Occupied, then clear* does not free a route, for a flickering
detector would: the release latch is set once permission has gone and either
the approach is detected clear or the approach time has run; only then, and
with every block of the route clear, is the lock given up.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import define, frozen

from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal
from signalling.table.row import Row
from signalling.table.turnouts import Turnouts

__all__ = ["Guard", "Guards", "make_guard"]


@frozen
class Guard:
    """The memory of one guarded route."""

    row: Row
    lock: Latch
    permission: Latch
    release: Latch


def make_guard(graph: Graph, row: Row) -> Guard:
    """Make the memory of a guarded route; ``Guards`` gives it its equations."""
    name = row.name
    return Guard(
        row,
        graph.latch(
            f"route {name} locked",
            holds=f"route {name} is locked",
            fails=f"route {name} is not locked",
        ),
        graph.latch(
            f"route {name} permitted",
            holds=f"route {name} is permitted",
            fails=f"route {name} is not permitted",
        ),
        graph.latch(
            f"route {name} being released",
            holds=f"route {name} is being released",
            fails=f"route {name} is not being released",
        ),
    )


@define
class Guards:
    """Gives all guarded routes their equations."""

    graph: Graph
    detection: Detection
    turnouts: Turnouts
    guards: dict[str, Guard]
    """By route."""

    def finish(self, ready: Mapping[str, Literal], undisturbed: Mapping[str, Literal]) -> None:
        """Give all guarded routes their equations.

        ``ready`` says by route whether track and turnouts are as its row needs
        them and nobody holds its signal; ``undisturbed`` whether nobody holds
        its signal and nobody wants to move its turnouts.
        """
        graph, guards = self.graph, self.guards
        asking = {name: self._asks(guard, ready[name]) for name, guard in guards.items()}
        turns: dict[tuple[str, str], Latch] = {}
        grants: dict[str, Literal] = {}
        order = {name: place for place, name in enumerate(guards)}
        for name, guard in guards.items():
            yields = []
            for other in guard.row.first_come:
                pair = (name, other) if order[name] < order[other] else (other, name)
                if pair not in turns:
                    turns[pair] = graph.latch(f"route {pair[0]} went last before {pair[1]}")
                # Of two that ask in one step the one goes that did not go last; at first, the
                # earlier in the table.
                last = turns[pair].literal
                other_first = last if pair[0] == name else last ^ 1
                yields.append(graph.all_of(asking[other], other_first) ^ 1)
            grants[name] = graph.equation(
                f"route {name} granted",
                graph.all_of(asking[name], *yields),
                f"route {name} is granted now",
                f"route {name} is not granted now",
            )
        for (one, two), latch in turns.items():
            graph.set_next(
                latch,
                graph.any_of(grants[one], graph.all_of(latch.literal, grants[two] ^ 1)),
            )
        for name, guard in guards.items():
            self._finish(guard, grants[name], undisturbed[name])

    def _asks(self, guard: Guard, ready: Literal) -> Literal:
        """Return whether a route could be locked now and there is a reason to.

        With others in its way, only a train that is there and that the turnouts
        lead to the signal is a reason; else the signal works automatically, and
        its turnouts are locked for as long as it may be off.
        """
        graph, row = self.graph, guard.row
        reason = TRUE
        if row.first_come:
            reason = graph.any_of(
                *(
                    graph.all_of(
                        self.detection.present(block),
                        *(self.turnouts.detected(turnout, lie) for turnout, lie in lies),
                    )
                    for block, paths in row.approach_lies.items()
                    for lies in paths
                )
            )
        return graph.all_of(
            ready,
            reason,
            guard.lock.literal ^ 1,
            guard.permission.literal ^ 1,
            *(
                self.guards[other].lock.literal ^ 1
                for other in (*row.first_come, *row.apart, *row.siblings)
                if other in self.guards
            ),
        )

    def _nothing_comes(self, row: Row) -> Literal:
        """Return whether each block before a signal is clear or surely leads elsewhere."""
        graph = self.graph
        comes = [
            graph.all_of(
                self.detection.occupied(block),
                *(self.turnouts.detected(turnout, lie.other) ^ 1 for turnout, lie in lies),
            )
            for block, paths in row.approach_lies.items()
            for lies in paths
        ]
        return graph.any_of(*comes) ^ 1

    def _finish(self, guard: Guard, grant: Literal, undisturbed: Literal) -> None:
        graph, detection, row = self.graph, self.detection, guard.row
        lock, permission = guard.lock.literal, guard.permission.literal
        approach_clear = graph.all_of(*(detection.occupied(block) ^ 1 for block in row.approach))
        clear = graph.all_of(*(detection.occupied(way.block) ^ 1 for way in row.route.kept_clear))
        drops = [detection.occupied(row.route.entry.ahead), undisturbed ^ 1]
        if row.first_come:
            drops.append(self._nothing_comes(row))
        stopped = graph.timer(
            f"approach time of {row.name}",
            nanoseconds(row.approach_time),
            graph.all_of(lock, permission ^ 1),
            holds=f"a train approaching signal {row.signal} has had time to stop",
            fails=f"a train approaching signal {row.signal} may not have stopped yet",
        )
        may_go = graph.all_of(permission ^ 1, graph.any_of(approach_clear, stopped))
        release = graph.any_of(guard.release.literal, may_go)
        graph.set_next(
            guard.lock,
            graph.any_of(grant, graph.all_of(lock, graph.all_of(guard.release.literal, clear) ^ 1)),
        )
        graph.set_next(
            guard.permission,
            graph.any_of(grant, graph.all_of(permission, graph.any_of(*drops) ^ 1)),
        )
        graph.set_next(guard.release, graph.all_of(lock, release))
