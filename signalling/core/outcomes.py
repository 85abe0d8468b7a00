"""What becomes of a request that was taken, read off the equations.

Law of this file: no rule of signalling and no memory of its own: which equation
says that a thing asked for is so, which that it is still asked for, and which
that it has to wait. Nothing here can make any of them hold.
"""

from __future__ import annotations

from attrs import define, field, frozen

from signalling.core.interlocking import Interlocking
from signalling.core.words import AnyRequest, AskLock, MoveTurnout, SetRoute, WorkRoute
from signalling.layout.asking import Outcome, Stage

__all__ = ["Course", "Goal", "goal_of"]

_CAUSES = 4
"""Causes that a reason names."""
_UNDER_WAY = (Stage.TAKEN, Stage.WAITING)
_ENDS = {
    Stage.CANCELLED: "It was taken back by another request.",
    Stage.FAILED: "It was given up before it was done.",
}
"""Why a request has come to an end, where no equation says more."""


@frozen(kw_only=True)
class Goal:
    """The equations by which a request is followed; each is named, and may not be there."""

    reached: tuple[str, ...]
    """The first of these that there is holds once what was asked for is so."""
    standing: tuple[str, ...]
    """While one of these holds, it is still asked for."""
    under_way: str
    """While this holds, it does not wait."""
    hindered: tuple[tuple[str, bool], ...]
    """The first of these that has this value says why it waits."""
    failed: str = ""
    """Once this holds, it has come to nothing."""


def goal_of(request: AnyRequest) -> Goal | None:
    """Return how a request is followed; ``None`` where it is done as soon as it is taken."""
    match request:
        case SetRoute(route) | WorkRoute(route):
            return Goal(
                reached=(f"route {route} off",),
                standing=(
                    f"route {route} permitted",
                    f"route {route} called",
                    f"route {route} automatic",
                ),
                under_way=f"route {route} permitted",
                hindered=((f"route {route} possible", False), (f"route {route} granted", False)),
            )
        case MoveTurnout(turnout, lie):
            return Goal(
                reached=(f"turnout {turnout} detected {lie}", f"turnout {turnout}={lie}"),
                standing=(f"turnout {turnout} ordered {lie}", f"turnout {turnout} wished {lie}"),
                under_way=f"turnout {turnout} ordered {lie}",
                hindered=((f"turnout {turnout} locked", True),),
                failed=f"turnout {turnout} failed",
            )
        case AskLock(turnout):
            return Goal(
                reached=(f"turnout {turnout} released",),
                standing=(f"ask {turnout}",),
                under_way=f"turnout {turnout} released",
                hindered=((f"turnout {turnout} locked", True),),
            )
        case _:
            return None


@define(eq=False)
class Course:
    """One request on its way, from when it was taken. ``look`` at it after each step."""

    interlocking: Interlocking
    request: AnyRequest
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
        reason = self._why(goal) if stage is Stage.WAITING else self._end(goal, stage)
        self.outcome = Outcome(stage, reason, final=stage not in _UNDER_WAY)
        return True

    def _stage(self, goal: Goal, *, asked: bool) -> Stage:
        if not any(self._holds(name) for name in goal.standing):
            return Stage.CANCELLED if asked else Stage.FAILED
        if self._holds(*goal.reached):
            return Stage.SET
        if goal.failed and self._holds(goal.failed):
            return Stage.FAILED
        return Stage.TAKEN if self._holds(goal.under_way) else Stage.WAITING

    def _holds(self, *names: str) -> bool | None:
        """Return the value of the first of these that there is; ``None`` where there is none."""
        for name in names:
            value = self.interlocking.value(name)
            if value is not None:
                return value
        return None

    def _why(self, goal: Goal) -> str:
        """Return in one sentence why it waits."""
        for name, value in goal.hindered:
            if self._holds(name) is value:
                return self._sentence(name)
        return ""

    def _end(self, goal: Goal, stage: Stage) -> str:
        """Return in one sentence why it has come to an end."""
        if stage is Stage.FAILED and goal.failed and self._holds(goal.failed):
            return self._sentence(goal.failed)
        return _ENDS.get(stage, "")

    def _sentence(self, equation: str) -> str:
        because = self.interlocking.explain(equation).because
        text = "; ".join(reason.sentence for reason in because[:_CAUSES])
        more = len(because) - _CAUSES
        text = f"{text}; and {more} more" if more > 0 else text
        return f"{text[:1].upper()}{text[1:]}."
