"""A signaller, trains and faults at any station, in any order.

Law of this file: what may happen, and what is asked after each happening and
at the end of the day. Run by hand for as long as wanted: ``python -m
tests.routes.machine EXAMPLES [STEPS]``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TypeVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from signalling.core.interlocking import Interlocking
from signalling.core.words import (
    Acknowledge,
    AskLock,
    CancelRoute,
    ConfirmBlock,
    FreeAll,
    FreeSignal,
    HoldAll,
    HoldSignal,
    MoveTurnout,
    Refusal,
    Request,
    RestoreBlock,
    ReturnLock,
    SetRoute,
    WorkRoute,
)
from signalling.layout.notation import Lie
from signalling.layout.track import Way
from signalling.layout.words import Device, Order
from signalling.table.row import Row
from tests.rig import SECOND, table_from
from tests.routes.judge import Judge
from tests.routes.stations import stations
from tests.routes.trains import Iron, Train

T = TypeVar("T")
NUMBERS = st.integers(0, 99)
SECONDS = st.sampled_from([0.0, 0.1, 1.0, 1.6, 4.9, 5.1, 19.9, 20.1])
LONG_ENOUGH = 30.0
"""Seconds after which every time of the layout has run."""


def one_of(things: Sequence[T], number: int) -> T | None:
    """Return a thing by a number, if there are any."""
    return things[number % len(things)] if things else None


class AnyStation(RuleBasedStateMachine):
    """One station from morning to night."""

    @initialize(text=stations())
    def morning(self, text: str) -> None:
        self.iron = Iron(table_from(text))
        self.interlocking = Interlocking(self.iron.table)
        self.judge = Judge(self.iron, self.interlocking)
        self.routes = [row.name for row in self.iron.table.rows if row.controlled]
        self.signals = list(self.iron.table.layout.signals)
        self.waiting: set[str] = set()
        """Routes that were asked for with waiting and have not been set or cancelled since."""
        self.report()
        self.pass_time(LONG_ENOUGH)

    # -- the wires ----------------------------------------------------------------------

    @property
    def nanoseconds(self) -> int:
        return round(self.iron.now * SECOND)

    def take(self, orders: Sequence[Order], before: tuple[object, ...]) -> None:
        """Let orders be obeyed, and judge them."""
        for order in orders:
            if order.device.kind == "turnout":
                self.judge.turnout_ordered(order, before)  # type: ignore[arg-type]
            self.iron.obey(order)
        self.waiting -= {
            name for name in self.waiting if self.interlocking.value(f"route {name} permitted")
        }
        self.iron.look()

    def report(self) -> None:
        """Report everything as it is, and what comes of that, until nothing new is said."""
        known: tuple[object, ...] = ()
        while known != (reports := self.iron.reports()):
            known = reports
            self.judge.note(reports)
            before = self.judge.claims()
            self.take(self.interlocking.observe(reports, self.nanoseconds), before)

    def pass_time(self, seconds: float) -> None:
        """Let time pass, stopping wherever something is due."""
        self.iron.look()
        until = self.iron.now + seconds
        while (due := self.interlocking.next_deadline) is not None and due <= until * SECOND:
            self.iron.now = max(self.iron.now, due / SECOND)
            self.take(self.interlocking.advance(due), self.judge.claims())
            self.report()
        self.iron.now = until
        self.take(self.interlocking.advance(self.nanoseconds), self.judge.claims())
        self.report()

    def ask(self, request: Request) -> bool:
        """Make a request; return whether it was taken."""
        self.iron.look()
        before = self.judge.claims()
        answer = self.interlocking.request(request, self.nanoseconds)
        if isinstance(answer, Refusal):
            return False
        self.take(answer, before)
        self.report()
        return True

    # -- the signaller ------------------------------------------------------------------

    @rule(number=NUMBERS, how=st.sampled_from(["now", "wait", "work"]))
    def set_route(self, number: int, how: str) -> None:
        route = one_of(self.routes, number)
        if route is None:
            return
        if how == "work":
            self.ask(WorkRoute(route))
            return
        set_before = self.interlocking.value(f"route {route} permitted")
        if how == "wait" and not set_before:
            self.waiting.add(route)
        self.ask(SetRoute(route, wait=how == "wait"))

    @rule(number=NUMBERS)
    def cancel_route(self, number: int) -> None:
        route = one_of(self.routes, number)
        if route is not None:
            self.waiting.discard(route)
            self.ask(CancelRoute(route))

    @rule(number=NUMBERS)
    def hold_signal(self, number: int) -> None:
        signal = one_of(self.signals, number)
        assert signal is not None
        self.judge.held.add(signal)
        self.ask(HoldSignal(signal))

    @rule()
    def free_signals(self) -> None:
        for signal in sorted(self.judge.held):
            self.judge.held.discard(signal)
            self.ask(FreeSignal(signal))

    @rule(number=NUMBERS, lie=st.sampled_from(Lie))
    def move_turnout(self, number: int, lie: Lie) -> None:
        turnout = one_of(list(self.iron.motors), number)
        if turnout is not None:
            self.ask(MoveTurnout(turnout, lie))

    @rule(number=NUMBERS, back=st.booleans())
    def lock_of_turnout(self, number: int, back: bool) -> None:  # noqa: FBT001 - drawn
        turnout = one_of(list(self.iron.motors), number)
        if turnout is not None:
            self.ask(ReturnLock(turnout) if back else AskLock(turnout))

    @rule()
    def mend(self) -> None:
        """Restore blocks in which nothing stands, and acknowledge what was passed."""
        for block in self.iron.table.layout.blocks:
            if self.interlocking.value(f"block {block} restorable") and not self.iron.inside(block):
                self.ask(RestoreBlock(block))
                self.ask(ConfirmBlock(block))
        for signal in self.signals:
            if self.interlocking.value(f"signal {signal} alarmed"):
                self.ask(Acknowledge(signal))

    # -- trains and motors ----------------------------------------------------------------

    def may_come(self, way: Way) -> bool:
        """Return whether nothing is under way to an end of the track."""
        for row in self.iron.table.rows:
            if way.block in row.route.blocks:
                locked = self.interlocking.value(f"route {row.name} locked")
                if locked or any(
                    self._runs_over(train, row) for train in self.iron.trains.values()
                ):
                    return False
        return True

    def _runs_over(self, train: Train, row: Row) -> bool:
        saw = train.saw is not None and train.saw[0] == row.signal
        return saw or (train.main and train.block in row.route.blocks)

    @rule(number=NUMBERS)
    def train_comes(self, number: int) -> None:
        way = one_of(self.iron.entrances(), number)
        if way is not None and self.may_come(way) and self.iron.come(way):
            self.report()

    def step(self, train: Train) -> bool:
        moved = self.iron.move(train)
        self.report()
        return moved

    @rule(number=NUMBERS, steps=st.integers(1, 4))
    def train_runs(self, number: int, steps: int) -> None:
        train = one_of(list(self.iron.trains.values()), number)
        for _ in range(steps):
            if train is None or not self.step(train):
                return

    @rule(number=NUMBERS)
    def train_turns_round_or_leaves(self, number: int) -> None:
        train = one_of(list(self.iron.trains.values()), number)
        if train is not None:
            _ = self.iron.go(train) or self.iron.turn_round(train)
            self.report()

    @rule(number=NUMBERS)
    def others_move_a_turnout(self, number: int) -> None:
        turnout = one_of(list(self.iron.motors), number)
        if turnout is not None:
            self.iron.others_move(turnout)
            self.report()

    @rule()
    def motors_arrive(self) -> None:
        self.iron.arrive()
        self.report()

    @rule(seconds=SECONDS)
    def wait(self, seconds: float) -> None:
        self.pass_time(seconds)

    @rule(acts=st.lists(st.integers(0, 599), min_size=15, max_size=40))
    def work_goes_on(self, acts: list[int]) -> None:
        """Let trains come, be given routes, run and leave, in good order."""
        for act in acts:
            number, kind = divmod(act, 6)
            match kind:
                case 0:
                    self.train_comes(number)
                case 1:
                    self.set_a_route_before_a_train(number)
                case 2:
                    self.train_turns_round_or_leaves(number)
                case 3:
                    self.motors_arrive()
                    self.pass_time(2.1)
                case _:
                    for train in list(self.iron.trains.values()):
                        self.step(train)
                    self.pass_time(1.6)

    def set_a_route_before_a_train(self, number: int) -> None:
        train = one_of(list(self.iron.trains.values()), number)
        before = [
            row.name
            for row in self.iron.table.rows
            if train is not None and row.controlled and row.route.entry.rear == train.block
        ]
        route = one_of(before, number)
        if route is not None:
            self.set_route(self.routes.index(route), "wait" if number % 3 else "now")

    # -- faults -----------------------------------------------------------------------------

    @rule(number=NUMBERS, said=st.sampled_from(["occupied", None]))
    def detector_fails(self, number: int, said: str | None) -> None:
        block = one_of(list(self.iron.table.layout.blocks), number)
        self.iron.faults[Device("detector", str(block))] = said
        self.report()

    @rule(number=NUMBERS)
    def feedback_is_lost(self, number: int) -> None:
        turnout = one_of(list(self.iron.motors), number)
        if turnout is not None:
            self.iron.faults[Device("turnout", turnout)] = None
            self.report()

    @rule()
    def link_falls_silent(self) -> None:
        self.iron.faults = {report.device: None for report in self.iron.reports()}
        self.report()

    @precondition(lambda self: self.iron.faults)
    @rule()
    def faults_are_mended(self) -> None:
        self.iron.faults.clear()
        self.report()

    # -- what must be so --------------------------------------------------------------------

    @invariant()
    def nothing_is_wrong(self) -> None:
        self.judge.conflicts()
        self.judge.face_to_face()
        self.judge.committed()
        self.judge.supplies()
        self.judge.signals()

    @invariant()
    def no_ask_is_lost(self) -> None:
        for route in self.waiting:
            assert self.interlocking.value(f"route {route} called"), f"{route} was forgotten"

    def teardown(self) -> None:
        """At night all is mended and the track empty: who waits is served, and all is given up."""
        if not hasattr(self, "iron"):
            return
        self.iron.faults.clear()
        self.free_signals()
        self.ask(HoldAll())
        for train in list(self.iron.trains.values()):
            self.iron.take_off(train)
        for turnout in self.iron.motors:
            self.ask(ReturnLock(turnout))
        self.waiting -= self.by_hand()
        for route in self.routes:
            if route not in self.waiting:
                self.ask(CancelRoute(route))
        self.settle()
        self.ask(FreeAll())
        self.settle()
        for _ in range(len(self.routes) + 1):
            set_now = [
                name for name in self.routes if self.interlocking.value(f"route {name} permitted")
            ]
            for route in set_now:
                self.nothing_is_wrong()
                self.ask(CancelRoute(route))
            self.settle()
        assert not self.waiting, {name: self.why_not(name) for name in self.waiting}
        claims = self.judge.claims()
        controlled = [claim.route for claim in claims if claim.route in self.routes]
        assert not controlled, f"never given up: {controlled}"

    def by_hand(self) -> set[str]:
        """Return routes that may wait for somebody to move a turnout by hand."""
        turnouts = self.iron.table.layout.turnouts
        return {
            row.name
            for row in self.iron.table.rows
            for turnout, _ in (*row.lies, *(lie for each in row.choices for lie in each.route.lies))
            if turnouts[turnout].moved_by == "others"
        }

    def why_not(self, route: str) -> list[str]:
        """Return why a route that waits has not been set."""
        possible = self.interlocking.holds(f"route {route} possible")
        equation = f"route {route} {'granted' if possible else 'possible'}"
        reasons = self.interlocking.explain(equation).because
        return [reason.sentence for reason in reasons]

    def settle(self) -> None:
        """Let everything come to rest with nothing on the track."""
        for _ in range(3):
            self.iron.arrive()
            self.report()
            self.pass_time(LONG_ENOUGH)
            self.mend()


def run_days(examples: int, steps: int) -> None:
    """Try this many days of this many happenings."""
    run_state_machine_as_test(
        AnyStation,
        settings=settings(
            report_multiple_bugs=False,
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


if __name__ == "__main__":
    run_days(*(int(word) for word in (*sys.argv[1:], "1000", "60")[:2]))
