"""What becomes of a request that was taken, read off the equations.

Law of this file: no rule of signalling and no memory of its own: which equation
says that a thing asked for is so, which that it is still asked for, and which
that it has to wait. Nothing here can make any of them hold.
"""

from __future__ import annotations

from attrs import define, field, frozen

from signalling.core.interlocking import Interlocking
from signalling.core.words import AskLock, MoveTurnout, Request
from signalling.layout.asking import Outcome, Stage

__all__ = ["Course", "Goal", "goal_of"]

_CAUSES = 4
"""Causes that a reason names."""
_UNDER_WAY = (Stage.TAKEN, Stage.WAITING)
_REASONS = {
    Stage.CANCELLED: "It was taken back by another request.",
    Stage.FAILED: "It was given up before it was done.",
}


@frozen(kw_only=True)
class Goal:
    """The equations by which a request is followed; each is named, and may not be there."""

    reached: tuple[str, ...]
    """The first of these that there is holds once what was asked for is so."""
    standing: tuple[str, ...]
    """While one of these holds, it is still asked for."""
    waits: str
    """While this does not hold, it must wait."""
    turned: bool = False
    """Whether it is the other way round with ``waits``."""


def goal_of(request: Request) -> Goal | None:
    """Return how a request is followed; ``None`` where it is done as soon as it is taken."""
    match request:
        case MoveTurnout(turnout, lie):
            return Goal(
                reached=(f"turnout {turnout} detected {lie}", f"turnout {turnout}={lie}"),
                standing=(f"move {turnout}={lie}",),
                waits=f"turnout {turnout} locked",
                turned=True,
            )
        case AskLock(turnout):
            return Goal(
                reached=(f"turnout {turnout} released",),
                standing=(f"ask {turnout}",),
                waits=f"turnout {turnout} released",
            )
        case _:
            return None


@define(eq=False)
class Course:
    """One request on its way, from when it was taken. ``look`` at it after each step."""

    interlocking: Interlocking
    request: Request
    outcome: Outcome = field(init=False, default=Outcome(Stage.TAKEN))
    """What has become of it so far."""
    _goal: Goal | None = field(init=False, default=None)

    def __attrs_post_init__(self) -> None:
        self._goal = goal_of(self.request)
        if self._goal is not None and self._holds(*self._goal.reached) is None:
            self._goal = None  # nothing tells whether it is reached
        self.outcome = Outcome(Stage.TAKEN, final=self._goal is None)
        self.look()

    def look(self, *, asked: bool = False) -> bool:
        """See how it stands now; return whether that is new.

        ``asked`` is whether the step was one of a request, so that whatever
        was given up in it was taken back by somebody.
        """
        goal = self._goal
        if goal is None or self.outcome.final:
            return False
        stage = self._stage(goal, asked=asked)
        if stage is self.outcome.stage:
            return False
        reason = self._why(goal.waits) if stage is Stage.WAITING else _REASONS.get(stage, "")
        self.outcome = Outcome(stage, reason, final=stage not in _UNDER_WAY)
        return True

    def _stage(self, goal: Goal, *, asked: bool) -> Stage:
        if not any(self._holds(name) for name in goal.standing):
            return Stage.CANCELLED if asked else Stage.FAILED
        if self._holds(*goal.reached):
            return Stage.SET
        return Stage.WAITING if self._holds(goal.waits) is goal.turned else Stage.TAKEN

    def _holds(self, *names: str) -> bool | None:
        """Return the value of the first of these that there is; ``None`` where there is none."""
        for name in names:
            value = self.interlocking.value(name)
            if value is not None:
                return value
        return None

    def _why(self, equation: str) -> str:
        """Return in one sentence why an equation is as it is."""
        causes = self.interlocking.explain(equation).causes()
        text = "; ".join(causes[:_CAUSES])
        more = len(causes) - _CAUSES
        text = f"{text}; and {more} more" if more > 0 else text
        return f"{text[0].upper()}{text[1:]}."
