"""One named train as the describer has it.

Law of this file: what is known of one train, and why that may be doubtful; data only.
"""

from __future__ import annotations

from enum import Enum, IntEnum

from attrs import define, field

__all__ = ["Doubt", "Likely", "NamedTrain"]


class Doubt(Enum):
    """Why a name is doubtful."""

    VANISHED = "vanished"
    """Its train was seen nowhere for a while, or can have joined another without being seen to.
    That stays until somebody, or a reader, says where it is."""
    AMBIGUOUS = "ambiguous"
    """More than one train can be what was seen."""
    UNSEEN = "unseen"
    """Somebody said that it is where nothing is seen."""
    CONTRADICTED = "contradicted"
    """A reader read another name where it stood alone, or read it far from where it stood."""

    @property
    def lasting(self) -> bool:
        """Whether being seen again does not end it."""
        return self in (Doubt.VANISHED, Doubt.CONTRADICTED)


class Likely(IntEnum):
    """How a train can have come into a block, the least likely first."""

    NOT = 0
    """It cannot."""
    AGAINST = 1
    """Against the direction in which trains run; or it is seen anew, after a contact failed."""
    PAST_DANGER = 2
    """Past a signal at danger."""
    IN_ORDER = 3
    """As trains run, past a signal that was off, or no signal."""


@define(eq=False)
class NamedTrain:
    """A train that has a name."""

    name: str
    berth: str
    """The block where its name stands."""
    may: dict[str, Likely] = field(factory=dict)
    """Blocks, not clear, that it may be in, those entered last standing last; and how it can have
    come there."""
    came: dict[str, frozenset[str] | None] = field(factory=dict)
    """From where it can have come into each of them; ``None`` where that is not known."""
    doubt: Doubt | None = None
    unseen: str | None = None
    """A block in which it may stand although nothing is seen there."""
