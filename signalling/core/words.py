"""What people and programs may ask of the logic, and what it may answer.

Law of this file: requests can only ask. None of them makes a signal show a
proceed aspect; each sets an input of the equations, which decide.
"""

from __future__ import annotations

from attrs import field, frozen

from signalling.layout.notation import Lie
from signalling.layout.out_of_use import Thing

__all__ = [
    "Acknowledge",
    "Alarm",
    "AnyRequest",
    "AskLock",
    "CancelRoute",
    "ConfirmBlock",
    "FreeAll",
    "FreeSignal",
    "GiveBack",
    "HoldAll",
    "HoldSignal",
    "MoveTurnout",
    "NameRequest",
    "NameTrain",
    "OutOfReach",
    "Refusal",
    "Request",
    "RestoreBlock",
    "ReturnLock",
    "SetRoute",
    "StepTrain",
    "TakeOut",
    "UnnameBlock",
    "UnnameTrain",
    "WithinReach",
    "WorkRoute",
]


@frozen
class HoldSignal:
    """Put a signal to danger and hold it there."""

    signal: str


@frozen
class FreeSignal:
    """Take back ``HoldSignal``."""

    signal: str


@frozen
class HoldAll:
    """Put every signal to danger and hold it there."""


@frozen
class FreeAll:
    """Take back ``HoldAll``; signals held one by one stay held."""


@frozen
class RestoreBlock:
    """Declare that a block in which a train vanished has been seen to be empty.

    Nothing changes until it is confirmed; a declaration that is not lapses.
    """

    block: str


@frozen
class ConfirmBlock:
    """Confirm that a block that was declared empty is, so that it is restored."""

    block: str


@frozen
class Acknowledge:
    """Declare that a signal's alarms have been seen to."""

    signal: str


@frozen
class MoveTurnout:
    """Ask for a turnout that we move to lie so. It moves once nothing depends on it."""

    turnout: str
    lie: Lie = field(converter=Lie)


@frozen
class AskLock:
    """Ask for leave to move a turnout. It is given once nothing depends on it."""

    turnout: str


@frozen
class ReturnLock:
    """Give back the leave to move a turnout."""

    turnout: str


@frozen
class SetRoute:
    """Ask for a controlled route, by its name in the control table.

    It is set now or refused; with ``wait``, it is set once it can be, in turn
    with others that wait.
    """

    route: str
    wait: bool = False


@frozen
class WorkRoute:
    """Let a controlled route work automatically: it is set again behind each train."""

    route: str


@frozen
class CancelRoute:
    """Take back whatever was asked for a controlled route, and put its signal to danger.

    The route is given up when no train can be about to use it.
    """

    route: str


@frozen
class TakeOut:
    """Take a block, turnout, route or signal out of use, until the same person gives it back.

    No route is given over it, signals that lead to it are at danger, and a
    turnout is not moved.
    """

    kind: Thing = field(converter=Thing)
    name: str
    person: str
    """Who does so, in one word."""
    reason: str
    since: str = field(default="", eq=False)
    """When it was taken out of use, as ISO 8601 has it, for the record; given by who keeps it."""


@frozen
class GiveBack:
    """Give back what a person has taken out of use; others may have done so, too."""

    kind: Thing = field(converter=Thing)
    name: str
    person: str


@frozen
class OutOfReach:
    """Say that a signal's orders do not arrive, so that it must count as being at danger."""

    signal: str


@frozen
class WithinReach:
    """Take back ``OutOfReach``."""

    signal: str


Request = (
    HoldSignal
    | FreeSignal
    | HoldAll
    | FreeAll
    | RestoreBlock
    | ConfirmBlock
    | Acknowledge
    | MoveTurnout
    | AskLock
    | ReturnLock
    | SetRoute
    | WorkRoute
    | CancelRoute
    | TakeOut
    | GiveBack
    | OutOfReach
    | WithinReach
)


@frozen
class NameTrain:
    """Say that the train in a block has this name, in place of any other there.

    ``also`` says that it is a further train. Where the name stands there
    already, it is doubtful no longer.
    """

    block: str
    train: str
    also: bool = False


@frozen
class StepTrain:
    """Say that the train of this name, wherever it stood, stands in this block."""

    train: str
    block: str


@frozen
class UnnameBlock:
    """Take away every name that stands in a block."""

    block: str


@frozen
class UnnameTrain:
    """Take away one of the names that stand in a block."""

    block: str
    train: str


NameRequest = NameTrain | StepTrain | UnnameBlock | UnnameTrain
"""What may be said of names: it goes to the describer, and never to the interlocking."""

AnyRequest = Request | NameRequest
"""Whatever people and programs may ask of a running controller."""


@frozen
class Refusal:
    """A request that was not taken, and why, as a sentence."""

    reason: str


@frozen
class Alarm:
    """A state that a person should know of, for as long as it lasts."""

    kind: str
    """``train-lost``, ``passed-at-danger``, ``lamps-failed``, ``turnout-failed``, ``stop-failed``
    or ``stop-stuck``; of names, ``name-doubtful`` or ``misread``."""
    thing: str
    sentence: str
