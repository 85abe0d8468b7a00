"""Equations of turnouts: how they lie, when they may move, and who waits for that.

Law of this file: a lie holds only while its feedback proves it and, where we
move the turnout, agrees with what was ordered. A turnout that we move, or
give leave to move, is locked while a train is on it or a route over it is
locked; while somebody asks to move it, no route over it is given. A controlled
route that is locked calls its turnouts: each moves when no train is on it and
its supply can move one more. Feedback
that agrees with an order proves nothing while it may be from before a motor
that was just sent the other way began to move. A turnout that a person has
taken out of use lies no way at all, and is not moved by us or with our leave.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import define, field

from signalling.layout.model import Layout
from signalling.layout.notation import Lie
from signalling.layout.out_of_use import Thing
from signalling.table.detection import Detection, nanoseconds
from signalling.table.graph import FALSE, TRUE, Graph, Latch, Literal
from signalling.table.out_of_use import out_of_use
from signalling.table.supplies import Motor, may_start

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
    wishes: dict[str, dict[Lie, Latch]] = field(factory=dict)
    """What somebody asked for and has not got yet, by turnout that we move."""
    moving: dict[str, Latch] = field(factory=dict)
    """Whether a motor may be running, by turnout that we move."""
    failed: dict[str, Literal] = field(factory=dict)
    """Whether a motor did not do as it was ordered, by turnout that we move."""
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
                self.wishes[name] = {
                    lie: self.graph.latch(
                        f"turnout {name} wished {lie}",
                        holds=f"turnout {name} waits to be moved {lie}",
                        fails=f"turnout {name} does not wait to be moved {lie}",
                    )
                    for lie in Lie
                }
                self.moving[name] = self.graph.latch(
                    f"turnout {name} moving",
                    holds=f"turnout {name} may be moving",
                    fails=f"turnout {name} is not moving",
                )

    def detected(self, name: str, lie: Lie) -> Literal:
        """Return whether a turnout is proved to lie so."""
        reported = {value: self._reported(name, value) for value in Lie}
        key = f"turnout {name} detected {lie}"
        known = self.graph.equations.get(key)
        if known is not None:
            return known.literal
        stays = self._leaving(name, lie) ^ 1 if name in self.commands else TRUE
        return self.graph.equation(
            key,
            self.graph.all_of(
                reported[lie], reported[lie.other] ^ 1, stays, self._out_of_use(name) ^ 1
            ),
            f"turnout {name} is detected {lie}",
            f"turnout {name} is not detected {lie}",
        )

    def _out_of_use(self, name: str) -> Literal:
        return out_of_use(self.graph, Thing.TURNOUT, name)

    def _reported(self, name: str, value: str) -> Literal:
        return self.graph.input(
            f"turnout {name}={value}",
            f"turnout {name} reports {value}",
            f"turnout {name} does not report {value}",
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
        """Return whether somebody has asked us to move a turnout so, and it has not moved yet."""
        return self.graph.any_of(self._asked_for(name, lie), self.wishes[name][lie].literal)

    def _asked_for(self, name: str, lie: Lie) -> Literal:
        return self.graph.input(
            f"move {name}={lie}",
            f"turnout {name} is asked for {lie}",
            f"turnout {name} is not asked for {lie}",
        )

    def obtainable(self, name: str, lie: Lie) -> Literal:
        """Return whether a turnout lies so, or can be moved so now; locks apart."""
        lies_so = self.detected(name, lie)
        if name not in self.commands:
            return lies_so
        key = f"turnout {name} obtainable {lie}"
        known = self.graph.equations.get(key)
        if known is not None:
            return known.literal
        clear = self.detection.occupied(self.layout.turnouts[name].block) ^ 1
        return self.graph.equation(
            key,
            self.graph.all_of(
                self.graph.any_of(
                    self.graph.all_of(lies_so, self.commands[name][lie].literal), clear
                ),
                self._out_of_use(name) ^ 1,
            ),
            f"turnout {name} lies {lie} or can be moved so",
            f"turnout {name} cannot be moved {lie}",
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

    def finish(
        self,
        locks: Mapping[str, list[Literal]],
        calls: Mapping[str, Mapping[Lie, list[Literal]]],
    ) -> None:
        """Say when turnouts may move.

        ``locks`` are the locks of all routes over each turnout or beside it,
        ``calls`` those of controlled routes, by the lie that they need.
        """
        motors: dict[str, list[Motor]] = {}
        for name, turnout in self.layout.turnouts.items():
            locked = self._locked(name, locks.get(name, []))
            if name in self.commands:
                motor = self._motor(name, locked, calls.get(name, {}))
                motors.setdefault(turnout.supply or f" {name}", []).append(motor)
            elif turnout.lock:
                self._release(name, locked)
        for supply, fed in motors.items():
            described = self.layout.supplies.get(supply)
            limit = len(fed) if described is None else described.at_once
            for motor, start in zip(fed, may_start(self.graph, fed, limit), strict=True):
                self._move(motor, start)

    def _locked(self, name: str, locks: list[Literal]) -> Literal:
        turnout = self.layout.turnouts[name]
        if name not in self.commands and not turnout.lock:
            return FALSE
        out = self._out_of_use(name)
        self.graph.equation(
            f"turnout {name} in use",
            out ^ 1,
            f"turnout {name} is in use",
            f"turnout {name} is out of use",
        )
        return self.graph.equation(
            f"turnout {name} locked",
            self.graph.any_of(self.detection.occupied(turnout.block), out, *locks),
            f"turnout {name} is locked",
            f"turnout {name} is free to move",
        )

    def _motor(self, name: str, locked: Literal, calls: Mapping[Lie, list[Literal]]) -> Motor:
        """Return what a motor is to do: called by a route, or wished for while it is not locked."""
        graph, commands = self.graph, self.commands[name]
        clear = self.detection.occupied(self.layout.turnouts[name].block) ^ 1
        in_use = self._out_of_use(name) ^ 1
        due = {}
        for lie in Lie:
            called = graph.any_of(*calls.get(lie, ()))
            wished = graph.all_of(self.wanted(name, lie), locked ^ 1)
            due[lie] = graph.all_of(
                graph.any_of(graph.all_of(called, clear), wished),
                commands[lie].literal ^ 1,
                in_use,
            )
            graph.set_next(
                self.wishes[name][lie],
                graph.all_of(
                    self.wanted(name, lie),
                    self._asked_for(name, lie.other) ^ 1,
                    commands[lie].literal ^ 1,
                    # It must not move by itself at the moment when it is given back.
                    in_use,
                ),
            )
        # Asked for both ways at once, it stays as it is.
        wants = {lie: graph.all_of(due[lie], due[lie.other] ^ 1) for lie in Lie}
        return Motor(name, wants, self.moving[name])

    def _move(self, motor: Motor, start: Literal) -> None:
        """Give the memory of orders to one motor its equations."""
        graph, name = self.graph, motor.turnout
        commands = self.commands[name]
        starts = {lie: graph.all_of(motor.wants[lie], start) for lie in Lie}
        for lie, latch in commands.items():
            graph.set_next(
                latch,
                graph.any_of(starts[lie], graph.all_of(latch.literal, starts[lie.other] ^ 1)),
            )
        moving = motor.moving.literal
        arrived = graph.any_of(
            *(graph.all_of(commands[lie].literal, self.detected(name, lie)) for lie in Lie)
        )
        given_up = graph.timer(
            f"throw time of {name}",
            nanoseconds(self.layout.turnouts[name].throw_time),
            # One that is sent back has its whole time again.
            graph.all_of(moving, graph.any_of(*starts.values()) ^ 1),
            holds=f"turnout {name} has had time to move",
            fails=f"turnout {name} has not had time to move",
        )
        graph.set_next(
            motor.moving,
            graph.any_of(
                *starts.values(), graph.all_of(moving, graph.any_of(arrived, given_up) ^ 1)
            ),
        )
        wrong = (
            graph.all_of(
                commands[lie].literal,
                graph.any_of(self._reported(name, lie.other), self._reported(name, "moving")),
            )
            for lie in Lie
        )
        self.failed[name] = graph.equation(
            f"turnout {name} failed",
            graph.all_of(graph.any_of(*wrong), moving ^ 1),
            f"turnout {name} does not lie as it was ordered",
            f"turnout {name} lies as it was ordered, or has not had time to",
        )

    def _release(self, name: str, locked: Literal) -> None:
        """Say when others may move a turnout."""
        graph = self.graph
        asked = self.asked(name)
        if self.layout.turnouts[name].lever:
            asked = graph.any_of(asked, self._lever(name, "asked"))
        self.free[name] = graph.equation(
            f"turnout {name} released",
            graph.all_of(asked, locked ^ 1),
            f"others may move turnout {name}",
            f"others may not move turnout {name}",
        )
