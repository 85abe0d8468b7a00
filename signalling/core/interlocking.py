"""The live interlocking: reports and requests in, orders out, time as an argument.

Law of this file: no rule of signalling stands here; every answer is read off
the equations. No I/O, no clock, no tasks: the same calls with the same times
give the same orders. A fresh interlocking has every signal on, every stop
applied and every block occupied until reported.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import frozen

from signalling.core.evaluate import Evaluator
from signalling.core.explain import Reason, explain
from signalling.core.out_of_use import OutOfUse
from signalling.core.requested import ONCE, inputs_of, missing_of, need_of
from signalling.core.words import (
    Alarm,
    ConfirmBlock,
    GiveBack,
    Refusal,
    Request,
    SetRoute,
    TakeOut,
)
from signalling.layout.notation import Lie
from signalling.layout.words import KINDS, Device, Order, Report
from signalling.table.graph import Kind
from signalling.table.table import Output, Table

__all__ = ["Interlocking", "Snapshot"]

_FIRST = ("stop", "signal", "indicator", "agreement", "lock", "turnout")
"""Kinds of orders in the order in which they go out when they restrict."""
_LAST = ("turnout", "lock", "agreement", "indicator", "signal", "stop")
"""The same when they relax: what must be proved or seen first goes first."""


@frozen(kw_only=True)
class Snapshot:
    """How everything stands."""

    occupied: Mapping[str, bool]
    """By block."""
    aspects: Mapping[str, str]
    """By signal."""
    indicators: Mapping[str, str]
    """By signal that has one: the position lit, or ``dark``."""
    stops: Mapping[str, bool]
    """By stop: whether it is applied."""
    lies: Mapping[str, Lie | None]
    """By turnout: the lie that is detected, if one is."""
    alarms: tuple[Alarm, ...]
    out_of_use: tuple[TakeOut, ...]
    """What is out of use, by whom and why."""


class Interlocking:
    """Runs the equations of one table.

    Times are integers, in ns, of a clock that does not go back; a time before
    the last one given counts as that one.
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        graph = table.graph
        watched: dict[int, list[int]] = {}
        for index, output in enumerate(table.outputs):
            for literal, _ in output.choices:
                watched.setdefault(literal, []).append(index)
        for index, source in enumerate(table.alarms, len(table.outputs)):
            watched.setdefault(source.literal, []).append(index)
        self._raised: dict[int, Alarm] = {}
        self._watch: list[str] = []
        self._changed_watch: set[int] = set()
        self._evaluator = Evaluator(graph, watched)
        self._now = 0
        self._inputs: dict[Device, dict[str | None, int]] = {}
        for node, name in graph.labels.items():
            if graph.kinds[node] is Kind.INPUT:
                what, equals, value = name.rpartition("=")
                kind, _, thing = what.partition(" ")
                if equals and kind in KINDS:
                    self._inputs.setdefault(Device(kind, thing), {})[value] = node
        self._said: dict[Device, str | None] = {}
        self._out_of_use = OutOfUse()
        self._ordered = [self._value(output) for output in table.outputs]
        self._ranks = [
            {value: rank for rank, (_, value) in enumerate(reversed(output.choices), 1)}
            for output in table.outputs
        ]

    # -- what comes in ---------------------------------------------------------------

    def observe(self, reports: Iterable[Report], now: int) -> tuple[Order, ...]:
        """Take reports, all of one instant, and return the orders that changed.

        Of two reports of one device the later counts. A value that the
        device's equations do not use, and ``None``, count as not known; a
        device that the equations do not use is passed over. Timers that ran out
        since the last call do so after the reports have been seen: what they
        would have cleared was never ordered, so no train can have gone by it.
        """
        put = self._evaluator.put
        for report in reports:
            values = self._inputs.get(report.device)
            if values is None:
                continue
            before = self._said.get(report.device)
            if report.value == before:
                continue
            self._said[report.device] = report.value
            if before in values:
                put(values[before], False)  # noqa: FBT003 - the value of a bit
            if report.value in values:
                put(values[report.value], True)  # noqa: FBT003 - the value of a bit
        self._evaluator.settle(max(self._now, now))
        self._move_to(now)
        self._evaluator.settle(self._now)
        return self._orders_changed()

    def advance(self, now: int) -> tuple[Order, ...]:
        """Let time go on to ``now`` and return the orders that changed."""
        self._move_to(now)
        self._evaluator.settle(self._now)
        return self._orders_changed()

    def request(self, request: Request, now: int) -> tuple[Order, ...] | Refusal:
        """Take a request and return the orders that changed, or why it is refused.

        A request is an input of the equations and no more: it is taken when the
        thing exists and the request makes sense for it. What is refused lets no
        time go on, but a confirmation, which counts for a time only; orders that
        change by that are returned by the next call.
        """
        if isinstance(request, ConfirmBlock):
            self._move_to(now)
            self._evaluator.settle(self._now)
        refusal = self.why_not(request)
        if refusal is not None:
            return refusal
        if isinstance(request, TakeOut | GiveBack):
            self._out_of_use.put(request)
        self._put(request)
        self._evaluator.settle(max(self._now, now))
        refused = self._refused(request)
        if refused is None:
            self._move_to(now)
            self._evaluator.settle(self._now)
        if isinstance(request, ONCE):
            self._put(request, taken_back=True)
            self._evaluator.settle(self._now)
        # What is refused has changed nothing.
        return self._orders_changed() if refused is None else refused

    def _put(self, request: Request, *, taken_back: bool = False) -> None:
        """Set the inputs of a request, or what was set back."""
        if isinstance(request, GiveBack) and self._out_of_use.has(request.kind, request.name):
            return
        for name, value in inputs_of(request):
            literal = self.table.graph.names.get(name)
            if literal is not None:
                self._evaluator.put(literal >> 1, value and not taken_back)

    def _refused(self, request: Request) -> Refusal | None:
        """Return why a route that was asked for now is not set."""
        if not isinstance(request, SetRoute) or request.wait:
            return None
        route = request.route
        if self.value(f"route {route} permitted"):
            return None
        possible = f"route {route} possible"
        equation = f"route {route} granted" if self.holds(possible) else possible
        why = "; ".join(reason.sentence for reason in self.explain(equation).because)
        return Refusal(f"Route {route} cannot be set now: {why}.")

    def why_not(self, request: Request) -> Refusal | None:
        """Return why a request would be refused now before anything is tried, or ``None``."""
        reason = missing_of(self.table, request)
        if reason is None and isinstance(request, TakeOut | GiveBack):
            reason = self._out_of_use.why_not(request)
        reason = reason or self._needless(request)
        return None if reason is None else Refusal(reason)

    def _needless(self, request: Request) -> str | None:
        """Return why there is nothing now that a request could do, or ``None``."""
        needs = need_of(request)
        if needs is None or self.value(needs.equation):
            return None
        equation = self.table.graph.equations.get(needs.equation)
        if equation is None:
            return needs.never
        # Of one memory or input nothing further is told than that it does not hold.
        told = self.table.graph.sentence(equation.literal, value=False)
        if self.table.graph.kinds[equation.literal >> 1] is Kind.GATE:
            told = "; ".join(reason.sentence for reason in self.explain(equation.name).because)
        return needs.refusal.format(told)

    def _move_to(self, now: int) -> None:
        """Let every timer that has run out by ``now`` do so, each at its own time."""
        evaluator = self._evaluator
        while (due := evaluator.next_deadline) is not None and due <= now:
            evaluator.settle(self._now)
            self._now = max(self._now, due)
            evaluator.expire(due)
            evaluator.settle(self._now)
        self._now = max(self._now, now)

    @property
    def next_deadline(self) -> int | None:
        """When ``advance`` is next needed, in ns; ``None`` while no timer runs."""
        return self._evaluator.next_deadline

    # -- what goes out ---------------------------------------------------------------

    def _value(self, output: Output) -> str | None:
        for literal, value in output.choices:
            if self._evaluator.holds(literal):
                return value
        return output.default

    def _orders_changed(self) -> tuple[Order, ...]:
        changed = self._evaluator.changed
        if not changed:
            return ()
        orders = []
        count = len(self._ordered)
        for index in changed:
            if index >= count:
                self._raise_alarm(index)
                continue
            output = self.table.outputs[index]
            value = self._value(output)
            before = self._ordered[index]
            if value != before:
                self._ordered[index] = value
                if value is not None:
                    ranks = self._ranks[index]
                    rank = ranks.get(value, 0)
                    relaxes = rank > ranks.get(before or "", 0)
                    orders.append((*self._place(index, relaxes=relaxes), rank, index, value))
        changed.clear()
        orders.sort()
        outputs = self.table.outputs
        return tuple(Order(outputs[index].device, value) for *_, index, value in orders)

    def _place(self, index: int, *, relaxes: bool) -> tuple[bool, int]:
        """Return what comes before the rank in the order of going out.

        What restricts goes first, and of that what restricts most. Of signals
        that step up, the one with the least goes first: it stands the nearest to
        what they are stepping up from.
        """
        kind = self.table.outputs[index].device.kind
        return relaxes, (_LAST if relaxes else _FIRST).index(kind)

    def orders(self) -> tuple[Order, ...]:
        """Return every order as it stands, most restrictive first."""
        orders = []
        for index, value in enumerate(self._ordered):
            if value is not None:
                rank = self._ranks[index].get(value, 0)
                orders.append((*self._place(index, relaxes=rank > 0), rank, index, value))
        orders.sort()
        outputs = self.table.outputs
        return tuple(Order(outputs[index].device, value) for *_, index, value in orders)

    @property
    def out_of_use(self) -> tuple[TakeOut, ...]:
        """What is out of use, by whom and why, in the order in which it was taken."""
        return self._out_of_use.records

    def out_of_use_without(self, request: GiveBack) -> tuple[TakeOut, ...]:
        """Return what will be out of use when something has been given back."""
        return self._out_of_use.without(request)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """What a person should know of now, in the order of the file."""
        return tuple(self._raised[index] for index in sorted(self._raised))

    def _raise_alarm(self, index: int) -> None:
        index -= len(self._ordered)
        if index >= len(self.table.alarms):
            self._changed_watch.add(index - len(self.table.alarms))
            return
        source = self.table.alarms[index]
        if self._evaluator.holds(source.literal):
            self._raised[index] = Alarm(source.kind, source.thing, source.sentence)
        else:
            self._raised.pop(index, None)

    def holds(self, equation: str) -> bool:
        """Return the value of a named equation, such as ``block d2 occupied``.

        Raises ``KeyError`` when there is none of that name.
        """
        return self._evaluator.holds(self.table.graph.equations[equation].literal)

    def value(self, name: str) -> bool | None:
        """Return the value of an equation, an input, a latch or a timer; ``None`` for no name."""
        graph = self.table.graph
        known = graph.equations.get(name)
        literal = graph.names.get(name) if known is None else known.literal
        return None if literal is None else self._evaluator.holds(literal)

    def explain(self, equation: str) -> Reason:
        """Return why a named equation has the value it has, down to the reports.

        Raises ``KeyError`` when there is none of that name.
        """
        graph = self.table.graph
        said = {str(device): self._said.get(device) for device in self._inputs}
        return explain(graph, self._evaluator.value, graph.equations[equation], said)

    def snapshot(self) -> Snapshot:
        """Return how everything stands, as ordered."""
        by_kind: dict[str, dict[str, str]] = {kind: {} for kind in KINDS}
        for output, value in zip(self.table.outputs, self._ordered, strict=True):
            if value is not None:
                by_kind[output.device.kind][output.device.name] = value
        layout = self.table.layout
        return Snapshot(
            occupied={name: self.holds(f"block {name} occupied") for name in layout.blocks},
            aspects=by_kind["signal"],
            indicators=by_kind["indicator"],
            stops={name: value == "applied" for name, value in by_kind["stop"].items()},
            lies={name: self.lie(name) for name in layout.turnouts},
            alarms=self.alarms,
            out_of_use=self.out_of_use,
        )

    def watch(self, equations: Iterable[str]) -> None:
        """Let ``watched`` tell of these equations, too. Raises ``KeyError`` for one of no name."""
        first = len(self._ordered) + len(self.table.alarms)
        for name in equations:
            literal = self.table.graph.equations[name].literal
            self._evaluator.watch(literal, first + len(self._watch))
            self._watch.append(name)

    def watched(self) -> tuple[str, ...]:
        """Return the watched equations that have changed since this was last asked."""
        changed, self._changed_watch = sorted(self._changed_watch), set()
        return tuple(self._watch[index] for index in changed)

    def lie(self, turnout: str) -> Lie | None:
        """Return how a turnout is detected to lie; ``None`` where it is not known to lie at all."""
        for lie in Lie:
            name = f"turnout {turnout} detected {lie}"
            if name in self.table.graph.equations and self.holds(name):
                return lie
        return None
