"""What must always hold, for any layout and any day.

1. Unknown acts as the more restrictive value.
2. A signal is off only while everything its row names holds at this instant.
4. The aspect at a signal never promises more than the next signal shows.
5. The same inputs at the same times give the same orders.
And: the incremental evaluation equals a full one, at every step.

Each check is made from reports alone, by other code than the equations.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.core.interlocking import Interlocking
from signalling.core.words import Acknowledge, ConfirmBlock, HoldSignal, MoveTurnout, RestoreBlock
from signalling.layout.notation import Lie, parse_joint
from signalling.layout.words import Device, Report
from signalling.table.row import Row
from signalling.table.table import Table
from tests.rig import SECOND, Rig, table_from
from tests.strategies import days, layouts, vocabulary


class Watch:
    """What was reported, and since when: the tests' own memory of the day."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.said: dict[Device, tuple[str | None, float]] = {}

    def note(self, reports: tuple[Report, ...], now: float) -> None:
        known = vocabulary(self.table)
        for report in reports:
            value = report.value if report.value in known[report.device] else None
            if self.said.get(report.device, (None, 0.0))[0] != value:
                self.said[report.device] = (value, now)

    def says(self, kind: str, name: str, value: str, *, for_at_least: float, now: float) -> bool:
        said, since = self.said.get(Device(kind, name), (None, 0.0))
        return said == value and now - since >= for_at_least - 1e-9

    def wrong(self, row: Row, now: float) -> list[str]:
        """Return what a row names and the reports do not bear out."""
        layout = self.table.layout
        wrong = []
        for way in row.route.kept_clear:
            for name, detector in layout.detectors.items():
                at = [] if detector.at is None else [*vars_of(detector.at)]
                if (detector.block == way.block or way.block in at) and not self.says(
                    "detector", name, "clear", for_at_least=layout.settings.hold_off, now=now
                ):
                    wrong.append(f"detector {name}")
        for turnout, lie in row.route.all_lies:
            if not self.says("turnout", turnout, lie, for_at_least=0, now=now):
                wrong.append(f"turnout {turnout}")
            if layout.turnouts[turnout].lever and not self.says(
                "lock", turnout, "idle", for_at_least=1.0, now=now
            ):
                wrong.append(f"lever {turnout}")
        for name in row.danger:
            source = layout.danger[name]
            hold = source.hold if source.press else 0.0
            if not self.says("danger", name, "free", for_at_least=hold, now=now):
                wrong.append(f"danger {name}")
        if row.lamps_proved and not self.says("lamps", row.signal, "lit", for_at_least=0, now=now):
            wrong.append(f"lamps {row.signal}")
        leaves = row.route.exit
        if row.next_proved and not self.says("lamps", str(leaves), "lit", for_at_least=0, now=now):
            wrong.append(f"lamps {leaves}")
        return wrong


def vars_of(joint: str) -> tuple[str, str]:
    parsed = parse_joint(joint)
    return parsed.rear, parsed.ahead


def rows_by_signal(table: Table) -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {}
    for row in table.rows:
        rows.setdefault(row.signal, []).append(row)
    return rows


def level(table: Table, aspect: str) -> int:
    return table.practice.level(aspect)


def check_step(rig: Rig, watch: Watch) -> None:
    table = rig.table
    now = rig.interlocking.snapshot()
    for signal, rows in rows_by_signal(table).items():
        aspect = now.aspects[signal]
        if aspect == "danger":
            continue
        right = [row for row in rows if not watch.wrong(row, rig.now)]
        assert right, f"{signal} shows {aspect}: {[watch.wrong(row, rig.now) for row in rows]}"
        allowed = [row for row in right if follows(table, row, aspect, now.aspects)]
        assert allowed, f"{signal} shows {aspect} before {now.aspects}"
    for row in table.distants:
        aspect, head = now.aspects[row.signal], table.practice.heads[row.head]
        assert aspect in head.shows
        assert "danger" not in head.shows
        if aspect == row.next["danger"]:
            continue
        mains = [each.route.exit for each in table.distants if each.signal == row.signal]
        shown = [now.aspects[main] for main in mains if main is not None]
        assert any(each in head.followed_by[aspect] for each in shown)
    for name, stop in table.layout.stops.items():
        if now.aspects[stop.signal] != "danger":
            assert not now.stops[name]
        elif not now.stops[name]:
            # Only for a train that runs against the signal over a route that is locked for it.
            running = [row.name for row in table.rows if name in row.lifts and locked(rig, row)]
            assert running


def locked(rig: Rig, row: Row) -> bool:
    literal = rig.table.graph.names[f"route {row.name} locked"]
    return rig.interlocking._evaluator.holds(literal)


def follows(table: Table, row: Row, aspect: str, shown: dict[str, str]) -> bool:
    """Return whether what stands at a route's end may follow an aspect, by the practice."""
    if row.route.exit is not None:
        # Of two heads that one counts which speaks of the train's way: the better one.
        line = table.layout.signals[row.route.exit].splitting
        heads = [row.route.exit, *([] if line is None else [f"{row.route.exit}/{line}"])]
        ranks = {each.name: rank for rank, each in enumerate(table.practice.aspects)}
        following = max((shown[head] for head in heads), key=lambda each: ranks.get(each, 0))
    elif row.hidden is None:
        following = "danger"
    else:
        return True
    return following in table.practice.heads[row.head].followed_by[aspect]


def recomputed(rig: Rig) -> list[bool]:
    graph, values = rig.table.graph, rig.interlocking._evaluator.value
    return graph.evaluate((name, values[literal >> 1]) for name, literal in graph.names.items())


@settings(deadline=None)
@given(st.data())
def test_any_day_on_any_layout(data: st.DataObject) -> None:
    table = table_from(data.draw(layouts()))
    rig, watch = Rig(table), Watch(table)
    for event in data.draw(days(table)):
        rig.wait(event.after)
        check_step(rig, watch)
        watch.note(event.reports, rig.now)
        rig.tell(*event.reports)
        check_step(rig, watch)
        assert recomputed(rig) == rig.interlocking._evaluator.value


@settings(deadline=None)
@given(st.data())
def test_the_same_day_gives_the_same_orders(data: st.DataObject) -> None:
    text = data.draw(layouts())
    table = table_from(text)
    day = data.draw(days(table))
    # Time begins with the first call.
    first, again, busier = Rig(table).tell(), Rig(table_from(text)).tell(), Rig(table).tell()
    for event in day:
        first.wait(event.after).tell(*event.reports)
        again.wait(event.after).tell(*event.reports)
        assert first.orders == again.orders
        # Called more often, it passes through more states and comes to the same one.
        for _ in range(3):
            busier.wait(event.after / 4)
        busier.wait(event.after - 3 * (event.after / 4)).tell(*event.reports).tell()
        assert first.interlocking.orders() == busier.interlocking.orders()


@settings(deadline=None)
@given(st.data())
def test_a_device_that_goes_silent_restricts_at_once(data: st.DataObject) -> None:
    text = data.draw(layouts().filter(lambda text: "across" not in text and "moved_by" not in text))
    table = table_from(text.replace(", lock = true", "").replace(", lever = true", ""))
    rig = Rig(table)
    for event in data.draw(days(table)):
        rig.wait(event.after).tell(*event.reports)
    before = rig.interlocking.snapshot()
    silent = data.draw(st.sampled_from(list(vocabulary(table))))
    rig.tell(Report(silent, None))
    after = rig.interlocking.snapshot()
    if not any(row.first_come for row in table.rows):
        for signal, aspect in before.aspects.items():
            assert level(table, after.aspects[signal]) <= level(table, aspect)
    for block, occupied in before.occupied.items():
        assert after.occupied[block] >= occupied


@settings(deadline=None)
@given(st.data())
def test_requests_never_clear_what_reports_do_not_bear_out(data: st.DataObject) -> None:
    table = table_from(data.draw(layouts()))
    rig, watch = Rig(table), Watch(table)
    signals, blocks = list(table.layout.signals), list(table.layout.blocks)
    requests = st.one_of(
        st.builds(HoldSignal, st.sampled_from(signals)),
        st.builds(Acknowledge, st.sampled_from(signals)),
        st.builds(RestoreBlock, st.sampled_from(blocks)),
        st.builds(ConfirmBlock, st.sampled_from(blocks)),
        st.builds(MoveTurnout, st.just("t"), st.sampled_from(Lie)),
    )
    held = set()
    for event in data.draw(days(table)):
        rig.wait(event.after)
        watch.note(event.reports, rig.now)
        rig.tell(*event.reports)
        request = data.draw(requests)
        if rig.ask(request) is None and isinstance(request, HoldSignal):
            held.add(request.signal)
        check_step(rig, watch)
        distants = {row.signal: row.next["danger"] for row in table.distants}
        for signal in held:
            assert rig.aspect(signal) == distants.get(signal, "danger")


def test_a_fresh_interlocking_does_not_remember_another() -> None:
    table = table_from("""
[layout]
name = "Two of one"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
S = { at = "a > b", hidden = [] }
""")
    rig = Rig(table).all_clear()
    assert rig.aspect("S") == "clear"
    fresh = Interlocking(table)
    assert fresh.snapshot().aspects == {"S": "danger"}
    assert fresh.observe((), 5 * SECOND) == ()
