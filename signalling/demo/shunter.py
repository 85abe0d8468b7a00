"""The shunter at Merrow Bay's siding: a person at the far end of the wires.

Law of this file: hands and eyes. It works a lever and a hand-thrown turnout of
the simulated railway, under the lock that the logic gives, and looks at the
platform with its own eyes before it asks.
"""

from __future__ import annotations

from enum import Enum, auto
from random import Random

from attrs import define, field

from signalling.layout.notation import Lie
from signalling.layout.words import Device
from signalling.simulate import World

__all__ = ["Shunter"]

TURNOUT = "t7"
PLATFORM = "p3"
LEVER = Device("lock", TURNOUT)
SECOND = 1_000_000_000
PAUSE = (60 * SECOND, 150 * SECOND)
"""The shortest and the longest time from one use of the siding to the next."""
AT_WORK = 6 * SECOND


class _Doing(Enum):
    NOTHING = auto()
    WAITING = auto()
    """For the lock."""
    SHUNTING = auto()
    CLOSING = auto()
    """Putting the turnout back to normal."""


@define
class Shunter:
    """Works the siding now and then."""

    world: World
    seed: int
    _random: Random = field(init=False)
    _doing: _Doing = _Doing.NOTHING
    _until: int = field(init=False)

    def __attrs_post_init__(self) -> None:
        """Begin with the seed, and draw the first pause."""
        self._random = Random(f"shunter {self.seed}")  # noqa: S311 - chance, and no secret
        self._until = self.world.now + self._random.randint(*PAUSE)

    def act(self) -> str | None:
        """Do what there is to do now; return what was done, as a sentence."""
        world = self.world
        if self._doing is _Doing.NOTHING:
            if world.now >= self._until and not world.inside[PLATFORM]:
                world.say(LEVER, "asked")
                self._doing = _Doing.WAITING
                return f"The shunter pulls the lever that asks for turnout {TURNOUT}."
        elif self._doing is _Doing.WAITING:
            if world.locks.get(TURNOUT) == "free":
                world.throw(TURNOUT, Lie.REVERSE)
                self._until = world.now + AT_WORK
                self._doing = _Doing.SHUNTING
                return f"Turnout {TURNOUT} is released; the shunter throws it by hand."
        elif self._doing is _Doing.SHUNTING:
            if world.now >= self._until:
                world.throw(TURNOUT, Lie.NORMAL)
                self._doing = _Doing.CLOSING
        elif world.lying[TURNOUT] is Lie.NORMAL:
            world.say(LEVER, "idle")
            self._until = world.now + self._random.randint(*PAUSE)
            self._doing = _Doing.NOTHING
            return f"The shunter gives turnout {TURNOUT} back."
        return None
