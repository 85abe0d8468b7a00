"""Names follow trains: the stepping itself.

Law of this file: what is seen of blocks in, names from berth to berth out. No
report, no request, no text. It never guesses: a name steps when its train is
the only one that can be what was seen, and otherwise waits for what will tell.

Each train has the blocks that it *may* be in. When a block is entered, that is
each train next to it that could run there as turnouts lie; when a block goes
clear, none is in it any more. So

- a block that one train alone can have entered is that train's: its name steps;
- where several can have, names stay until blocks go clear and one is left over;
- a train of which nothing is seen any more keeps its name where it stood last,
  marked doubtful.

What may be an unnamed train counts as one. (Own work. Real describers step on
one track circuit and the signal before it; those have no flickering contacts.)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from signalling.describe.ground import Ground
from signalling.describe.places import Places
from signalling.describe.presence import Seen
from signalling.describe.train import Doubt, Likely, NamedTrain
from signalling.describe.words import Cause
from signalling.layout.notation import Joint, Lie

__all__ = ["Follower"]

Tell = Callable[[NamedTrain, str | None, str | None, Cause], None]
"""Told of each step: the train, the berths in rear and ahead, and why."""


class Follower(Places):
    """Every named train, stepped with what is seen. ``tell`` is called with each step."""

    def __init__(
        self,
        ground: Ground,
        state: Mapping[str, Seen],
        lying: Callable[[str], Lie | None],
        at_danger: Callable[[Joint], bool],
        tell: Tell,
    ) -> None:
        super().__init__(ground, state, lying, at_danger)
        self._tell = tell

    # -- what is seen -------------------------------------------------------------------

    def see(self, before: Mapping[str, Seen]) -> None:
        """Take it that something else is seen of these blocks; ``before`` is what was."""
        entered, cleared, darkened = [], [], []
        for block in before:
            match self._state[block]:
                case Seen.CLEAR:
                    cleared.append(block)
                case Seen.OCCUPIED if not self._solid[block]:
                    entered.append(block)
                case Seen.UNKNOWN if not self._solid[block]:
                    darkened.append(block)
                case _:
                    pass
        for block in darkened:
            self._dark[block] = None
        if entered:
            self._enter(entered)
        if self._dark:
            self._spread(dict.fromkeys((*darkened, *entered)))
        if cleared:
            self._clear(cleared)

    def _enter(self, entered: list[str]) -> None:
        for block in entered:
            self._dark.pop(block, None)
            for train in self._unseen[block].values():
                self._may(train, block, Likely.IN_ORDER)
            if block in self._ground.entries:
                self._stranger[block] = Likely.IN_ORDER
        order = self._come(entered)
        for block in order:
            if not self._in[block] and not self._stranger[block]:
                # Nobody can have come here: set down by hand, or missed on the way.
                self._stranger[block] = Likely.IN_ORDER
            self._solid[block] = True
        touched: dict[str, NamedTrain] = {}
        for block in order:
            touched.update(self._in[block])
        self._settle(touched)

    def _come(self, entered: list[str]) -> list[str]:
        """Find who can have come into blocks that were entered together; return them in order.

        A train may have run through several, so that what may be in one may be
        in the next, too.
        """
        waiting = dict.fromkeys(entered)
        order: list[str] = []
        changed = True
        while changed:
            changed = False
            for block in waiting:
                for other in self._ground.neighbours[block]:
                    changed |= self._from(other, block)
                if block not in order and (self._in[block] or self._stranger[block]):
                    order.append(block)
        return [*order, *(block for block in entered if block not in order)]

    def _from(self, rear: str, ahead: str) -> bool:
        """Let whatever may be in one block come into the next; return whether that is new."""
        trains = {**self._in[rear], **self._unseen[rear]}
        stranger = self._stranger[rear]
        if not trains and not stranger:
            return False
        joint = Joint(rear, ahead)
        if not self._ground.passable(joint, self._lying):
            return False
        likely = self._likely(joint)
        changed = False
        for train in trains.values():
            came = train.came.get(rear)
            if came is None or self._ground.leads(came, joint, self._lying):
                changed |= self._may(train, ahead, likely, rear)
        if stranger and likely > self._stranger[ahead]:
            self._stranger[ahead] = likely
            changed = True
        return changed

    def _spread(self, changed: Iterable[str]) -> None:
        """Let trains come unseen into blocks of which nothing is known, next to where they are."""
        near = dict.fromkeys(changed)
        for block in changed:
            near.update(dict.fromkeys(self._ground.neighbours[block]))
        for block in near:
            if block not in self._dark:
                continue
            if block in self._ground.entries:
                self._stranger[block] = Likely.IN_ORDER
            for other in self._ground.neighbours[block]:
                if self._solid[other]:
                    self._from(other, block)

    def _clear(self, cleared: list[str]) -> None:
        touched: dict[str, NamedTrain] = {}
        for block in cleared:
            self._solid[block] = False
            self._stranger[block] = Likely.NOT
            self._dark.pop(block, None)
            trains, self._in[block] = self._in[block], {}
            for train in trains.values():
                del train.may[block], train.came[block]
            touched.update(trains)
        self._settle(touched)

    # -- what follows for each train ----------------------------------------------------------

    def _settle(self, touched: Mapping[str, NamedTrain]) -> None:
        """Work out where trains are, and what follows from that for others."""
        waiting = dict(touched)
        while waiting:
            name, train = next(iter(waiting.items()))
            del waiting[name]
            if self.trains.get(name) is train:
                for other in self._place(train):
                    waiting[other.name] = other

    def _place(self, train: NamedTrain) -> Iterable[NamedTrain]:
        """Work out where one train is; return the trains for which something follows from it."""
        sure = [block for block in train.may if self._has_one(block)]
        if train.berth in train.may:
            return self._place_surely(train, sure) if sure else ()
        if any(train.may[block] > Likely.AGAINST for block in sure):
            return self._place_surely(train, sure)
        its_own = [block for block in train.may if self._is_likeliest(train, block)]
        if its_own:
            return self._left_over(train, its_own)
        if sure:
            return self._place_surely(train, sure)
        if train.unseen is not None and train.doubt is not Doubt.AMBIGUOUS:
            return ()  # it may stand unseen where it was
        return self._lose(train)

    def _place_surely(self, train: NamedTrain, sure: list[str]) -> Iterable[NamedTrain]:
        # It stretches from there as far as blocks that it may be in hang together.
        whole = self._hangs_together(train, train.berth if train.berth in sure else sure[-1])
        affected: dict[str, NamedTrain] = {}
        for block in [block for block in train.may if block not in whole]:
            self._may_not(train, block)
            affected.update(self._in[block])
            if block in sure:
                self._stranger[block] = Likely.IN_ORDER  # what was left behind there has no name
        left = train.berth not in train.may or train.unseen is not None
        if train.doubt is not None and not train.doubt.lasting:
            self._doubt(train, None)
        elif train.unseen is not None:
            self._set_unseen(train, None)
        self._step_on(train, [block for block in sure if block in whole], left=left)
        return affected.values()

    def _step_on(self, train: NamedTrain, sure: list[str], *, left: bool) -> None:
        """Let a name step to where the head of its train is seen to be.

        ``left`` is whether its berth has been clear since the train was in it for certain.
        """
        if left:
            self._move(train, sure[-1])
            return
        blocks = list(train.may)
        newer = blocks[blocks.index(train.berth) + 1 :]
        ahead = [block for block in newer if block in sure and train.may[block] > Likely.AGAINST]
        if ahead:
            self._move(train, ahead[-1])

    def _left_over(self, train: NamedTrain, its_own: list[str]) -> Iterable[NamedTrain]:
        """Place a train that is where it was no longer in what is left of where it may be.

        It is there, unless it stands unseen where it was and another is there
        instead. That need not be thought of one that is less likely to have come
        there: a contact would have had to fail, and another train, or one more
        contact, do what it should not, at one time.
        """
        block = its_own[0]  # where else it may be, it came to through there
        others = [other for other in self._in[block].values() if other is not train]
        for other in others:
            self._may_not(other, block)
        self._stranger[block] = Likely.NOT
        self._move(train, block)
        return [*others, *self._place_surely(train, [block])]

    def _lose(self, train: NamedTrain) -> Iterable[NamedTrain]:
        """Call a train doubtful that is where it was no longer, and may be elsewhere or nowhere."""
        rear = train.berth
        seen = [block for block in train.may if self._state[block] is Seen.OCCUPIED]
        ahead = [block for block in seen if train.may[block] > Likely.AGAINST]
        if not ahead and len(seen) == len(train.may):
            return self._vanish(train)
        if len(train.may) == 1 and ahead:
            self._move(train, ahead[0])
        self._doubt(train, Doubt.AMBIGUOUS, rear)
        return ()

    def _vanish(self, train: NamedTrain) -> Iterable[NamedTrain]:
        """Say that nothing is seen of a train any more, or that it has left the track."""
        for block in list(train.may):
            self._may_not(train, block)
        if self._ground.leads_off(train.berth, self._lying):
            self.forget(train, Cause.LEFT)
            return ()
        rear = train.berth
        joined = [
            other
            for other in self._ground.neighbours[rear]
            if self._solid[other]
            and self._likely(Joint(rear, other)) > Likely.AGAINST
            and self._ground.passable(Joint(rear, other), self._lying)
        ]
        if len(joined) == 1:
            # It can have run up to what stands there.
            self._may(train, joined[0], self._likely(Joint(rear, joined[0])))
            self._move(train, joined[0])
        self._doubt(train, Doubt.VANISHED, rear)
        return ()

    # -- what people and readers say -------------------------------------------------------------

    def put(self, name: str, block: str, cause: Cause, doubt: Doubt | None = None) -> NamedTrain:
        """Put a name that stands nowhere into a berth, beside those that stand there."""
        train = self.trains[name] = NamedTrain(name, block)
        self._tell(train, None, block, cause)
        self._place_by_hand(train, block, doubt)
        return train

    def carry(self, train: NamedTrain, block: str, cause: Cause, doubt: Doubt | None) -> None:
        """Take a name to another berth, wherever it stood."""
        rear = train.berth
        self._leave_behind(train)
        train.berth = block
        if rear != block:
            self._tell(train, rear, block, cause)
        self._place_by_hand(train, block, doubt)

    def confirm(self, train: NamedTrain, block: str, cause: Cause) -> None:
        """Take it that a train is in a block that it may be in."""
        if block != train.berth:
            self._move(train, block, cause)
        self._doubt(train, None)

    def forget(self, train: NamedTrain, cause: Cause) -> None:
        """Take a name away; what it stood for has none from now on."""
        del self.trains[train.name]
        self._tell(train, train.berth, None, cause)
        self._leave_behind(train)

    def doubt(self, train: NamedTrain, doubt: Doubt) -> None:
        """Call a name doubtful where it stands."""
        self._doubt(train, doubt, train.unseen)

    def rename(self, train: NamedTrain, name: str, cause: Cause) -> None:
        """Give a train another name, one that stands nowhere."""
        may = list(train.may)
        for block in may:
            del self._in[block][train.name]
        self._set_unseen(train, None)
        del self.trains[train.name]
        self._tell(train, train.berth, None, Cause.CLEARED)
        train.name = name
        self.trains[name] = train
        for block in may:
            self._in[block][name] = train
        train.doubt = None
        self._tell(train, None, train.berth, cause)

    def alone(self, block: str) -> bool:
        """Return whether what is seen in a block has a name, or nothing is seen there."""
        return not self._stranger[block]

    def _place_by_hand(self, train: NamedTrain, block: str, doubt: Doubt | None) -> None:
        if self._state[block] is Seen.CLEAR:
            self._doubt(train, doubt or Doubt.UNSEEN, block)
            return
        self._solid[block] = True
        self._dark.pop(block, None)
        # It may reach into whatever stands next to it and has no name.
        for other in self._unnamed_around(block):
            self._may(train, other, Likely.IN_ORDER)
        train.may.pop(block, None)
        self._may(train, block, Likely.IN_ORDER)
        self._stranger[block] = Likely.NOT
        affected = {}
        for other_train in list(self._in[block].values()):
            if other_train.berth != block:
                self._may_not(other_train, block)
                affected[other_train.name] = other_train
        self._doubt(train, doubt)
        self._settle(affected)

    def _leave_behind(self, train: NamedTrain) -> None:
        """Take a train out of every block; what is seen there is unnamed, if it was its own."""
        affected = {}
        for block in list(train.may):
            self._may_not(train, block)
            affected.update(self._in[block])
            if not self._in[block] and self._solid[block]:
                self._stranger[block] = Likely.IN_ORDER
        self._set_unseen(train, None)
        self._settle(affected)

    # -- parts -----------------------------------------------------------------------------------

    def _move(self, train: NamedTrain, block: str, cause: Cause = Cause.RAN) -> None:
        rear, train.berth = train.berth, block
        if rear != block:
            self._tell(train, rear, block, cause)

    def _doubt(self, train: NamedTrain, doubt: Doubt | None, unseen: str | None = None) -> None:
        known, train.doubt = train.doubt, doubt
        if known is not None and known.lasting and doubt is not None:
            train.doubt = known
        self._set_unseen(train, unseen)
        if (known is None) is not (train.doubt is None):
            cause = Cause.SURE if train.doubt is None else Cause.DOUBTFUL
            self._tell(train, train.berth, train.berth, cause)
