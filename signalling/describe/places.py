"""Where each named train may be, and where an unnamed one.

Law of this file: what is known at a moment, and what can be read off it. Nothing
is decided here: no name steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from signalling.describe.ground import Ground
from signalling.describe.presence import Seen
from signalling.describe.train import Doubt, Likely, NamedTrain
from signalling.layout.notation import Joint, Lie

__all__ = ["Places"]


class Places:
    """Every named train, and what may be an unnamed one.

    ``state`` is what is seen of each block, kept by others; ``lying`` says how
    a turnout is detected to lie, and ``at_danger`` whether a signal at a joint
    was at danger before what is seen now.
    """

    def __init__(
        self,
        ground: Ground,
        state: Mapping[str, Seen],
        lying: Callable[[str], Lie | None],
        at_danger: Callable[[Joint], bool],
    ) -> None:
        self.trains: dict[str, NamedTrain] = {}
        self._ground = ground
        self._state = state
        self._lying = lying
        self._at_danger = at_danger
        self._in: dict[str, dict[str, NamedTrain]] = {block: {} for block in state}
        """By block, the trains that may be in it."""
        self._unseen: dict[str, dict[str, NamedTrain]] = {block: {} for block in state}
        """By block, the trains that may stand in it unseen."""
        self._stranger: dict[str, Likely] = dict.fromkeys(state, Likely.NOT)
        """By block, how an unnamed train can have come there."""
        self._solid: dict[str, bool] = dict.fromkeys(state, False)
        """Whether something was seen in a block, and it has not been clear since."""
        self._dark: dict[str, None] = dict.fromkeys(state)
        """Blocks of which nothing is known, and in which nothing was seen before."""

    # -- what is taken to be so ---------------------------------------------------------

    def _may(self, train: NamedTrain, block: str, likely: Likely, rear: str | None = None) -> bool:
        """Take it that a train may be in a block, having come from ``rear`` where that is known.

        Returns whether that is new.
        """
        known = train.may.get(block, Likely.NOT)
        came = train.came.get(block, frozenset()) if known else frozenset()
        if came is not None:
            came = None if rear is None else came | {rear}
        new = known < likely or not known or came != train.came[block]
        train.may[block] = max(known, likely)
        train.came[block] = came
        self._in[block][train.name] = train
        return new

    def _may_not(self, train: NamedTrain, block: str) -> None:
        del train.may[block], train.came[block]
        del self._in[block][train.name]

    def _set_unseen(self, train: NamedTrain, block: str | None) -> None:
        if train.unseen is not None:
            del self._unseen[train.unseen][train.name]
        train.unseen = block
        if block is not None:
            self._unseen[block][train.name] = train

    # -- what follows ---------------------------------------------------------------------

    def _likely(self, joint: Joint) -> Likely:
        """Return how a train comes over a joint."""
        if joint not in self._ground.runs:
            return Likely.AGAINST
        return Likely.PAST_DANGER if self._at_danger(joint) else Likely.IN_ORDER

    def _has_one(self, block: str) -> bool:
        """Return whether what is seen in a block can be one train only, or none that has a name."""
        seen = self._state[block] is Seen.OCCUPIED
        return seen and len(self._in[block]) == 1 and not self._stranger[block]

    def _is_likeliest(self, train: NamedTrain, block: str) -> bool:
        """Return whether a train came into a block as trains run, and any other less likely."""
        likely = train.may[block]
        if self._state[block] is not Seen.OCCUPIED or likely is Likely.AGAINST:
            return False
        return train.doubt in (None, Doubt.AMBIGUOUS) and likely > self._rival(train, block)

    def _rival(self, train: NamedTrain, block: str) -> Likely:
        """Return how likely any other is to be what is seen in a block."""
        likely = [self._stranger[block]]
        for other in self._in[block].values():
            if other is train or (other.doubt is not None and other.doubt.lasting):
                continue
            likely.append(Likely.IN_ORDER if other.berth == block else other.may[block])
        return max(likely)

    def _hangs_together(self, train: NamedTrain, block: str) -> set[str]:
        """Return the blocks that a train may be in and that hang together with one of them."""
        whole, waiting = {block}, [block]
        while waiting:
            for other in self._ground.neighbours[waiting.pop()]:
                if other in train.may and other not in whole:
                    whole.add(other)
                    waiting.append(other)
        return whole

    def _unnamed_around(self, block: str) -> list[str]:
        """Return the blocks with unnamed trains that hang together with a block."""
        if not self._stranger[block]:
            return []
        found, waiting = {block: None}, [block]
        while waiting:
            for other in self._ground.neighbours[waiting.pop()]:
                if self._stranger[other] and self._solid[other] and other not in found:
                    found[other] = None
                    waiting.append(other)
        return [other for other in found if other != block]
