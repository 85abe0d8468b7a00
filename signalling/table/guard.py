"""Equations of guarded routes: locked before the signal clears, freed when no train can use them.

Law of this file: lock, permission, release latch, in that order, and nothing
else. A lock is given only while no route in the way is locked. Permission
goes when the train enters, when a person holds the signal or cancels the
route, when a turnout is called, or when no train comes any more that the
turnouts lead this way. A controlled route is locked on being asked for, before
its turnouts have moved; its lock calls them. Where its signal was never off
since, nothing waits for the approach when it is cancelled.
*Occupied, then clear* does not free a route, for a flickering detector would:
the release latch is set once permission has gone and either the approach is
detected clear or the approach time has run; only then are its blocks freed, in
order, each when it is clear, and the lock is given up with the last. An overlap
is freed, too, when a train has had time to stop before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import define, field, frozen

from signalling.layout.notation import Lie
from signalling.table.calls import Calls
from signalling.table.choices import Choice
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal
from signalling.table.overlaps import Held, Overlaps
from signalling.table.row import Move, Row
from signalling.table.single_lines import SingleLines
from signalling.table.turnouts import Turnouts

__all__ = ["Guard", "Guards", "make_guard"]


@frozen
class Guard:
    """The memory of one guarded route."""

    row: Row
    lock: Latch
    permission: Latch
    release: Latch
    shown: Latch
    """Whether its signal was off by it since it was locked."""
    freed: tuple[Latch, ...]
    """Whether each block has been freed, in the order of ``row.route.kept_clear``."""

    def holds(self, graph: Graph, block: str) -> Literal:
        """Return whether the route is locked and a block of it not freed yet."""
        name = f"route {self.row.name} holds {block}"
        known = graph.equations.get(name)
        if known is not None:
            return known.literal
        places = zip(self.row.route.kept_clear, self.freed, strict=True)
        freed = graph.all_of(*(latch.literal for way, latch in places if way.block == block))
        return graph.equation(
            name,
            graph.all_of(self.lock.literal, freed ^ 1),
            f"block {block} is held for route {self.row.name}",
            f"block {block} is not held for route {self.row.name}",
        )


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
        graph.latch(
            f"route {name} was off",
            holds=f"signal {row.signal} was off by route {name}",
            fails=f"signal {row.signal} was not off by route {name} since it was locked",
        ),
        tuple(
            graph.latch(
                f"route {name} freed {place} {way.block}",
                holds=f"block {way.block} is freed behind the train of route {name}",
                fails=f"block {way.block} is not freed yet behind the train of route {name}",
            )
            for place, way in enumerate(row.route.kept_clear, 1)
        ),
    )


@define
class Guards:
    """Gives all guarded routes their equations."""

    graph: Graph
    detection: Detection
    turnouts: Turnouts
    calls: Calls
    overlaps: Overlaps
    single_lines: SingleLines
    guards: dict[str, Guard]
    """By route."""
    over: dict[tuple[str, Lie], list[tuple[Guard | Held, str]]] = field(factory=dict)
    """Who needs each turnout so, and the block for which it is held."""
    beside: dict[tuple[str, Lie], list[tuple[Guard | Held, str]]] = field(factory=dict)
    """Of those, the ones that do not run over it."""
    _could: dict[str, Literal] = field(factory=dict)
    """By route, whether it could be set but for the locks of others."""

    def __attrs_post_init__(self) -> None:
        """Sort the routes by the turnouts that they need."""
        holders: tuple[Guard | Held, ...] = (*self.guards.values(), *self.overlaps.held.values())
        for guard in holders:
            own = {turnout for turnout, _ in guard.row.route.all_lies}
            for turnout, lie, block in self._needs(guard.row):
                self.over.setdefault((turnout, lie), []).append((guard, block))
                if turnout not in own:
                    self.beside.setdefault((turnout, lie), []).append((guard, block))

    def _needs(self, row: Row) -> Iterable[tuple[str, Lie, str]]:
        """Yield the turnouts of a route and beside it, how each must lie, and for which block."""
        for turnout, lie in row.route.all_lies:
            yield turnout, lie, self.turnouts.layout.turnouts[turnout].block
        for flank in row.flank:
            yield flank.turnout, flank.lie, flank.block

    def finish(
        self,
        ready: Mapping[str, Literal],
        undisturbed: Mapping[str, Literal],
        off: Mapping[str, Literal],
    ) -> None:
        """Give all guarded routes their equations.

        ``ready`` says by route whether track and turnouts are as it needs them
        to be locked, and nobody holds its signal; ``undisturbed`` whether
        nobody holds its signal and nobody wants to move its turnouts; ``off``
        whether its signal is off by it.
        """
        graph, guards = self.graph, self.guards
        self._could = {
            name: graph.all_of(
                ready[name], *(self.single_lines.may_enter(*each) for each in guard.row.enters)
            )
            for name, guard in guards.items()
        }
        able = {
            choice.route.name: self._overlap_possible(choice)
            for guard in guards.values()
            for choice in guard.row.choices
        }
        asking = {
            name: self._asks(guard, self._could[name], able) for name, guard in guards.items()
        }
        leaves = self.calls.yields(asking)
        turns: dict[tuple[str, str], Latch] = {}
        grants: dict[str, Literal] = {}
        order = {name: place for place, name in enumerate(guards)}
        for name, guard in guards.items():
            yields = [leaves[name] ^ 1] if name in leaves else []
            for other in guard.row.first_come:
                if name in leaves and other in leaves:
                    continue  # asks say whose turn it is
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
            self._finish(guard, grants[name], undisturbed[name], off[name])
        locks = {
            name: (guards[name].lock.literal, guards[name].permission.literal) for name in leaves
        }
        self.calls.finish(self._could, grants, locks)
        self._swing(ready, able, grants)

    def _swing(
        self,
        ready: Mapping[str, Literal],
        able: Mapping[str, Literal],
        grants: Mapping[str, Literal],
    ) -> None:
        """Give overlaps that routes choose from their equations."""
        graph = self.graph
        wants = {
            name: graph.all_of(self.calls.asked(name), ready[name]) for name in self.calls.calls
        }
        for guard in self.guards.values():
            if guard.row.choices:
                self.overlaps.finish(
                    guard.row,
                    possible=able,
                    grants=grants,
                    wants=wants,
                    lock=guard.lock.literal,
                    calm=graph.any_of(
                        guard.permission.literal ^ 1, self._approach_clear(guard.row)
                    ),
                    stopped=self.stopped(guard),
                )

    def _overlap_possible(self, choice: Choice) -> Literal:
        """Return whether a route could have an overlap now."""
        row = self.overlaps.held[choice.route.name].row
        kept_out = [
            self.guards[foe].holds(self.graph, block)
            for foe in choice.foes
            if foe in self.guards
            for block in self._shared(row, self.guards[foe].row)
        ]
        for turnout, lie in row.lies:
            kept_out += [
                held
                for held in self._held(turnout, lie.other, row)
                # Its own route's other overlap gives way to it.
                if held not in self._own_overlaps(choice.of)
            ]
        return self.overlaps.possible(choice, kept_out)

    def _own_overlaps(self, route: str) -> set[Literal]:
        row = self.guards[route].row
        return {self.overlaps.held[each.route.name].latch.literal for each in row.choices}

    def _asks(self, guard: Guard, ready: Literal, able: Mapping[str, Literal]) -> Literal:
        """Return whether a route could be locked now and there is a reason to.

        For a controlled route, the reason is that somebody asks. With others in
        its way, only a train that is there and that the turnouts lead to the
        signal is a reason; else the signal works automatically, and its turnouts
        are locked for as long as it may be off.
        """
        graph, row = self.graph, guard.row
        reason = TRUE
        if row.controlled:
            reason = self.calls.asked(row.name)
        elif row.first_come:
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
        possible = graph.all_of(
            ready,
            guard.lock.literal ^ 1,
            guard.permission.literal ^ 1,
            TRUE if row.controlled else self._called_against(row) ^ 1,
            *(
                self.guards[other].holds(graph, block) ^ 1
                for other in (*row.first_come, *row.apart, *row.siblings)
                if other in self.guards
                for block in self._shared(row, self.guards[other].row)
            ),
            *(self._overlap_holds(name, row) ^ 1 for name in row.overlaps_against),
            graph.any_of(*(able[choice.route.name] for choice in row.choices))
            if row.choices
            else TRUE,
            *(
                held ^ 1
                for turnout, lie in row.lies
                for held in self._held(turnout, lie.other, row)
            ),
        )
        if row.controlled:
            graph.equation(
                f"route {row.name} possible",
                possible,
                f"route {row.name} could be set now",
                f"route {row.name} could not be set now",
            )
        return graph.all_of(possible, reason)

    def _overlap_holds(self, name: str, row: Row) -> Literal:
        """Return whether another route's overlap is held that keeps a route out."""
        held = self.overlaps.held[name]
        return held.holds(self.graph, self._shared(held.row, row)[0])

    def _called_against(self, row: Row) -> Literal:
        """Return whether a controlled route waits that an automatic one keeps out.

        One that could not be set anyway keeps nobody waiting.
        """
        others = dict.fromkeys((*row.first_come, *row.apart, *row.flank_foes, *row.overlap_foes))
        waiting = (
            self.graph.all_of(self.calls.calls[name].called.literal, self._could[name])
            for name in others
            if name in self.calls.calls
        )
        return self.graph.any_of(*waiting)

    def _held(self, turnout: str, lie: Lie, row: Row) -> Iterable[Literal]:
        """Yield the holds of a turnout at a lie beside a route, or by such a route as ``row``."""
        # One in the track of both is told with the blocks that they share.
        beside = all(turnout != each for each, _ in row.route.all_lies)
        for guard, block in (self.over if beside else self.beside).get((turnout, lie), ()):
            yield guard.holds(self.graph, block)

    def _shared(self, one: Row, two: Row) -> tuple[str, ...]:
        """Return the blocks that two routes, with their overlaps, have in common."""
        others = two.route.blocks_kept_clear
        blocks = (way.block for way in one.route.kept_clear if way.block in others)
        return tuple(dict.fromkeys(blocks))

    def locks(self) -> Mapping[str, list[Literal]]:
        """Return by turnout the holds of all routes over it or beside it."""
        found: dict[str, list[Literal]] = {}
        for (turnout, _), holders in self.over.items():
            found.setdefault(turnout, []).extend(
                guard.holds(self.graph, held) for guard, held in holders
            )
        return found

    def turnout_calls(self) -> Mapping[str, Mapping[Lie, list[Literal]]]:
        """Return by turnout and lie the holds of controlled routes that need it so."""
        found: dict[str, dict[Lie, list[Literal]]] = {}
        for (turnout, lie), holders in self.over.items():
            found.setdefault(turnout, {})[lie] = [
                guard.holds(self.graph, held) for guard, held in holders if guard.row.controlled
            ]
        return found

    def stopped(self, guard: Guard) -> Literal:
        """Return whether a train that has arrived at a route's end has had time to stop there.

        It has arrived when all blocks but the last are freed behind it.
        """
        before = len(guard.row.route.ways) - 1
        arrived = self.graph.all_of(
            guard.lock.literal,
            guard.release.literal,
            *(freed.literal for freed in guard.freed[:before]),
        )
        return self.graph.timer(
            f"arrival time of {guard.row.name}",
            nanoseconds(guard.row.approach_time),
            arrived,
            holds=f"the train of route {guard.row.name} has had time to stop at its end",
            fails=f"no train of route {guard.row.name} has stopped at its end",
        )

    def _approach_clear(self, row: Row) -> Literal:
        """Return whether no train can be approaching a signal."""
        return self.graph.all_of(*(self.detection.occupied(block) ^ 1 for block in row.approach))

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

    def _entered(self, row: Row) -> Literal:
        """Return whether a train has entered a route, or may have.

        Where the first block may be occupied before, the train has when it has
        left the block before the signal; so shunting goes on until then.
        """
        if row.clear:
            return self.detection.occupied(row.route.entry.ahead)
        graph, rear, name = self.graph, row.route.entry.rear, row.name
        came = graph.latch(
            f"a train came to route {name}",
            holds=f"a train came to the signal of route {name}",
            fails=f"no train came to the signal of route {name} since it was locked",
        )
        graph.set_next(
            came,
            graph.all_of(
                self.guards[name].lock.literal,
                graph.any_of(came.literal, self.detection.remains(rear)),
            ),
        )
        return graph.all_of(came.literal, self.detection.seen(rear) ^ 1)

    def _finish(self, guard: Guard, grant: Literal, undisturbed: Literal, off: Literal) -> None:
        graph, row = self.graph, guard.row
        lock, permission = guard.lock.literal, guard.permission.literal
        approach_clear = self._approach_clear(row)
        drops = [self._entered(row), undisturbed ^ 1]
        if row.controlled:
            drops.append(self.calls.cancelled(row.name))
        else:
            # Not in the face of a driver: a train that comes goes first.
            drops.append(graph.all_of(self._called_against(row), approach_clear))
        if row.first_come and not row.controlled:
            drops.append(self._nothing_comes(row))
            drops += [
                self.turnouts.detected(turnout, lie.other) for turnout, lie in row.route.all_lies
            ]
        stopped = graph.timer(
            f"approach time of {row.name}",
            nanoseconds(row.approach_time),
            graph.all_of(lock, permission ^ 1),
            holds=f"a train approaching signal {row.signal} has had time to stop",
            fails=f"a train approaching signal {row.signal} may not have stopped yet",
        )
        shown = guard.shown.literal
        may_go = graph.all_of(permission ^ 1, graph.any_of(approach_clear, stopped, shown ^ 1))
        release = graph.any_of(guard.release.literal, may_go)
        graph.set_next(
            guard.lock,
            graph.any_of(grant, graph.all_of(lock, self._free_blocks(guard) ^ 1)),
        )
        graph.set_next(
            guard.permission,
            graph.any_of(grant, graph.all_of(permission, graph.any_of(*drops) ^ 1)),
        )
        graph.set_next(guard.release, graph.all_of(lock, release))
        graph.set_next(guard.shown, graph.any_of(off, graph.all_of(lock, shown)))

    def _free_blocks(self, guard: Guard) -> Literal:
        """Give the blocks of a route their equations; return whether all are freed."""
        graph = self.graph
        before = guard.release.literal
        last = len(guard.row.route.ways) - 1
        for place, (way, freed) in enumerate(
            zip(guard.row.route.kept_clear, guard.freed, strict=True)
        ):
            if place == last + 1:
                before = graph.any_of(before, self.stopped(guard))
            # What was occupied before a subsidiary move is not clear after it.
            follows = guard.row.move is not Move.MAIN and place == last
            clear = TRUE if follows else self.detection.occupied(way.block) ^ 1
            graph.set_next(
                freed,
                graph.all_of(
                    guard.lock.literal, graph.any_of(freed.literal, graph.all_of(before, clear))
                ),
            )
            before = freed.literal
        return graph.all_of(*(freed.literal for freed in guard.freed))
