"""Equations of turnouts: how they lie, when they may move, and who waits for that.

Law of this file: a lie holds only while its feedback proves it and, where we
move the turnout, agrees with what was ordered. A turnout that we move, or
give leave to move, is locked while a train is on it or a route over it is
locked; while somebody asks to move it, no route over it is given. Feedback
that agrees with an order proves nothing while it may be from before a motor
that was just sent the other way began to move.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.model import Layout
from signalling.layout.notation import Lie
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import TRUE, Graph, Latch, Literal

__all__ = ["Turnouts"]

LOCK_SETTLE = 1.0
"""Seconds that a lock must have been given back before signals trust the turnout again."""

MOTOR_SETTLE = 1.0
"""Seconds after the last order to the other lie before feedback of this lie counts again: a motor
that was sent there and back at once may have begun to move before its feedback drops."""


@define
class Turnouts:
    """Makes the equations of turnouts in one graph."""

    graph: Graph
    layout: Layout
    detection: Detection
    commands: dict[str, dict[Lie, Latch]] = field(factory=dict)
    """What was ordered, by turnout that we move; neither until something is."""
    free: dict[str, Literal] = field(factory=dict)
    """The lock output, by turnout that has one."""
    _at_rest: dict[str, Literal] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Make the memory of orders, which everything else here refers to."""
        for name, turnout in self.layout.turnouts.items():
            if turnout.moved_by == "us":
                self.commands[name] = {
                    lie: self.graph.latch(
                        f"turnout {name} ordered {lie}",
                        holds=f"turnout {name} is ordered {lie}",
                        fails=f"turnout {name} is not ordered {lie}",
                    )
                    for lie in Lie
                }

    def detected(self, name: str, lie: Lie) -> Literal:
        """Return whether a turnout is proved to lie so."""
        reported = {
            value: self.graph.input(
                f"turnout {name}={value}",
                f"turnout {name} reports {value}",
                f"turnout {name} does not report {value}",
            )
            for value in Lie
        }
        key = f"turnout {name} detected {lie}"
        known = self.graph.equations.get(key)
        if known is not None:
            return known.literal
        stays = self._leaving(name, lie) ^ 1 if name in self.commands else TRUE
        return self.graph.equation(
            key,
            self.graph.all_of(reported[lie], reported[lie.other] ^ 1, stays),
            f"turnout {name} is detected {lie}",
            f"turnout {name} is not detected {lie}",
        )

    def _leaving(self, name: str, lie: Lie) -> Literal:
        """Return whether a turnout that we move is ordered away from a lie, or just was."""
        graph = self.graph
        away = self.commands[name][lie.other].literal
        settled = graph.timer(
            f"turnout {name} not sent {lie.other}",
            nanoseconds(MOTOR_SETTLE),
            away ^ 1,
            holds=f"turnout {name} was not ordered {lie.other} of late",
            fails=f"turnout {name} may still be on its way to {lie.other} and back",
        )
        leaving = graph.latch(
            f"turnout {name} leaving {lie}",
            holds=f"turnout {name} was just ordered away from {lie}",
            fails=f"turnout {name} was not ordered away from {lie} of late",
        )
        graph.set_next(leaving, graph.any_of(away, graph.all_of(leaving.literal, settled ^ 1)))
        return graph.any_of(away, leaving.literal)

    def wanted(self, name: str, lie: Lie) -> Literal:
        """Return whether somebody has asked us to move a turnout so."""
        return self.graph.input(
            f"move {name}={lie}",
            f"turnout {name} is asked for {lie}",
            f"turnout {name} is not asked for {lie}",
        )

    def asked(self, name: str) -> Literal:
        """Return whether somebody has asked through a request for leave to move a turnout."""
        return self.graph.input(
            f"ask {name}",
            f"the lock of turnout {name} is asked for",
            f"the lock of turnout {name} is not asked for",
        )

    def _lever(self, name: str, value: str) -> Literal:
        return self.graph.input(
            f"lock {name}={value}",
            f"the lever of turnout {name} reports {value}",
            f"the lever of turnout {name} does not report {value}",
        )

    def at_rest(self, name: str) -> Literal:
        """Return whether nobody wants to move a turnout, so that routes over it may be given.

        True for one that others move without our leave: nothing can be known of it.
        """
        known = self._at_rest.get(name)
        if known is not None:
            return known
        turnout = self.layout.turnouts[name]
        graph = self.graph
        if name in self.commands:
            called = graph.any_of(
                *(
                    graph.all_of(self.wanted(name, lie), self.commands[name][lie].literal ^ 1)
                    for lie in Lie
                )
            )
            rest = called ^ 1
        elif turnout.lock:
            idle = self._lever(name, "idle") if turnout.lever else TRUE
            rest = graph.timer(
                f"lock of {name} given back",
                nanoseconds(LOCK_SETTLE),
                graph.all_of(self.asked(name) ^ 1, idle),
                holds=f"the lock of turnout {name} has been back long enough",
                fails=f"the lock of turnout {name} has not been back long enough",
            )
        else:
            rest = TRUE
        if rest != TRUE:
            graph.equation(
                f"turnout {name} at rest",
                rest,
                f"nobody wants to move turnout {name}",
                f"turnout {name} may be about to be moved",
            )
        self._at_rest[name] = rest
        return rest

    def finish(self, name: str, locks: list[Literal]) -> None:
        """Say when a turnout may move, given the locks of the routes over it."""
        graph = self.graph
        turnout = self.layout.turnouts[name]
        if name not in self.commands and not turnout.lock:
            return
        locked = graph.equation(
            f"turnout {name} locked",
            graph.any_of(self.detection.occupied(turnout.block), *locks),
            f"turnout {name} is locked",
            f"turnout {name} is free to move",
        )
        if name in self.commands:
            commands = self.commands[name]
            moves = {lie: graph.all_of(self.wanted(name, lie), locked ^ 1) for lie in Lie}
            for lie, latch in commands.items():
                # Asked for both ways at once, it stays as it is.
                moves_so = graph.all_of(moves[lie], moves[lie.other] ^ 1)
                moves_away = graph.all_of(moves[lie.other], moves[lie] ^ 1)
                graph.set_next(
                    latch, graph.any_of(moves_so, graph.all_of(latch.literal, moves_away ^ 1))
                )
        else:
            asked = self.asked(name)
            if turnout.lever:
                asked = graph.any_of(asked, self._lever(name, "asked"))
            self.free[name] = graph.equation(
                f"turnout {name} released",
                graph.all_of(asked, locked ^ 1),
                f"others may move turnout {name}",
                f"others may not move turnout {name}",
            )
