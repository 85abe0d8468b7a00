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

from attrs import frozen

from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal
from signalling.table.row import Row

__all__ = ["Guard", "finish_guards", "make_guard"]


@frozen
class Guard:
    """The memory of one guarded route."""

    row: Row
    lock: Latch
    permission: Latch
    release: Latch


def make_guard(graph: Graph, row: Row) -> Guard:
    """Make the memory of a guarded route; ``finish_guards`` gives it its equations."""
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


def finish_guards(
    graph: Graph,
    detection: Detection,
    guards: dict[str, Guard],
    ready: dict[str, Literal],
    at_rest: dict[str, Literal],
) -> None:
    """Give all guarded routes their equations.

    ``ready`` says by route whether track and turnouts are as its row needs
    them and nobody holds its signal; ``at_rest`` whether nobody holds its
    signal and nobody wants to move its turnouts.
    """
    asking = {
        name: _asking(graph, detection, guards, guard, ready[name])
        for name, guard in guards.items()
    }
    turns: dict[tuple[str, str], Latch] = {}
    grants: dict[str, Literal] = {}
    order = list(guards)
    for name, guard in guards.items():
        yields = []
        for other in guard.row.first_come:
            pair = (name, other) if order.index(name) < order.index(other) else (other, name)
            if pair not in turns:
                turns[pair] = graph.latch(f"route {pair[0]} went last before {pair[1]}")
            # Of two that ask in one step the one goes that did not go last; at first, the earlier.
            other_first = turns[pair].literal if pair[0] == name else turns[pair].literal ^ 1
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
        _finish(graph, detection, guard, grants[name], at_rest[name])


def _asking(
    graph: Graph, detection: Detection, guards: dict[str, Guard], guard: Guard, ready: Literal
) -> Literal:
    """Return whether a route could be locked now and there is a reason to."""
    # With others in its way, only a train that is there is a reason; else the signal works
    # automatically, and its turnouts are locked for as long as it may be off.
    reason = (
        graph.any_of(*(detection.present(block) for block in guard.row.approach))
        if guard.row.first_come
        else TRUE
    )
    return graph.all_of(
        ready,
        reason,
        guard.lock.literal ^ 1,
        guard.permission.literal ^ 1,
        *(
            guards[other].lock.literal ^ 1
            for other in (*guard.row.first_come, *guard.row.apart, *guard.row.siblings)
            if other in guards
        ),
    )


def _finish(
    graph: Graph, detection: Detection, guard: Guard, grant: Literal, at_rest: Literal
) -> None:
    row = guard.row
    lock, permission, release = guard.lock.literal, guard.permission.literal, guard.release.literal
    approach_clear = graph.all_of(*(detection.occupied(block) ^ 1 for block in row.approach))
    clear = graph.all_of(*(detection.occupied(way.block) ^ 1 for way in row.route.kept_clear))
    drops = [detection.occupied(row.route.entry.ahead), at_rest ^ 1]
    if row.first_come:
        drops.append(approach_clear)
    stopped = graph.timer(
        f"approach time of {row.name}",
        nanoseconds(row.approach_time),
        graph.all_of(lock, permission ^ 1),
        holds=f"a train approaching signal {row.signal} has had time to stop",
        fails=f"a train approaching signal {row.signal} may not have stopped yet",
    )
    graph.set_next(
        guard.lock,
        graph.any_of(grant, graph.all_of(lock, graph.all_of(release, clear) ^ 1)),
    )
    graph.set_next(
        guard.permission, graph.any_of(grant, graph.all_of(permission, graph.any_of(*drops) ^ 1))
    )
    graph.set_next(
        guard.release,
        graph.all_of(
            lock,
            graph.any_of(
                release,
                graph.all_of(permission ^ 1, graph.any_of(approach_clear, stopped)),
            ),
        ),
    )
