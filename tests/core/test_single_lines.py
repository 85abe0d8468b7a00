"""Single lines: two ends agree which way trains run, in one table or in two."""

from __future__ import annotations

import functools
from collections import deque
from collections.abc import Iterator
from random import Random

import pytest
from attrs import evolve, frozen

from signalling.core.interlocking import Interlocking
from signalling.core.words import CancelRoute, Refusal, SetRoute, WorkRoute
from signalling.layout.model import Block, Detector, Layout, Settings, SingleLine
from signalling.layout.single_lines import LineEnd
from signalling.layout.track import derive_track
from signalling.layout.words import Device, Report
from signalling.table.detection import Detection
from signalling.table.graph import Graph
from signalling.table.single_lines import SingleLines
from tests.rig import SECOND, Rig, table_from

# A single line of two blocks between two stations of two tracks each.
LINE = """
[layout]
name = "Two Wells"
[blocks]
a0 = {}
a1 = {}
ap = {}
s1 = {}
s2 = {}
b1 = {}
b0 = {}
bp = {}
[turnouts]
ta = { block = "a1", moved_by = "us" }
tb = { block = "b1", moved_by = "us" }
[lines]
east = "a0 > a1[ta normal] > s1 > s2 > b1[tb normal] > bp"
west = "b0 > b1[tb reverse] > s2 > s1 > a1[ta reverse] > ap"
[signals]
A = { at = "a0 > a1", controlled = true }
I = { at = "s1 > s2" }
B = { at = "b0 > b1", controlled = true }
J = { at = "s2 > s1" }
[single_lines]
well = { blocks = ["s1", "s2"] }
"""


def throw(rig: Rig) -> Rig:
    """Let each turnout lie as it was ordered last."""
    for order in rig.orders:
        if order.device.kind == "turnout":
            rig.lies(order.device.name, order.value)
    return rig.wait(2)


@pytest.fixture
def rig() -> Rig:
    return Rig(LINE).all_clear()


# -- both ends in one table


def test_the_line_is_taken_by_who_asks_first(rig: Rig) -> None:
    assert rig.ask(SetRoute("A/east")) is None
    answer = rig.ask(SetRoute("B/west"))
    assert isinstance(answer, Refusal)
    assert "single line well is not ours to enter from the last end" in answer.reason


def test_with_a_train_between_signals_on_it_the_other_end_waits(rig: Rig) -> None:
    """Track and turnouts alone would let the other train in, to stand face to face."""
    rig.ask(SetRoute("A/east"))
    rig.run("a0", "a1", "s1")
    rig.ask(SetRoute("B/west", wait=True))
    rig.wait(60)
    assert rig.aspect("B") == "danger"
    assert rig.aspect("I") == "caution", "the train gets out"
    rig.run("s1", "s2", "b1", "bp")
    assert rig.aspect("B") == "danger"
    throw(rig)
    assert rig.aspect("B") == "caution"


def test_a_train_that_stands_beyond_the_line_does_not_keep_it() -> None:
    """Its route, which ends there, is still locked."""
    rig = Rig(LINE.replace('I = { at = "s1 > s2" }\n', "")).all_clear()
    rig.ask(SetRoute("A/east"))
    rig.run("a0", "a1", "s1", "s2", "b1", "bp")
    assert rig.locked("A/east")
    assert rig.ask(SetRoute("B/west", wait=True)) is None
    rig.wait(2)
    throw(rig)
    assert rig.aspect("B") == "caution"


def test_trains_may_follow_one_another(rig: Rig) -> None:
    rig.ask(WorkRoute("A/east"))
    rig.run("a0", "a1", "s1", "s2", "b1")
    assert rig.aspect("A") == "caution", "the first is out of the first section"


def test_a_line_that_nobody_uses_is_nobodys(rig: Rig) -> None:
    rig.ask(SetRoute("A/east"))
    rig.ask(CancelRoute("A/east"))
    assert rig.ask(SetRoute("B/west", wait=True)) is None
    assert throw(rig).aspect("B") == "caution"


def test_a_line_of_one_block_has_two_ends_too() -> None:
    text = LINE.replace(" > s2", "").replace("s2 > ", "").replace("s2 = {}", "")
    text = text.replace('["s1", "s2"]', '["s1"]').replace('I = { at = "s1 > s2" }\n', "")
    text = text.replace('I = { at = "s1" }\n', "").replace('J = { at = "s1" }\n', "")
    rig = Rig(text).all_clear()
    assert {row.name: row.enters for row in rig.table.rows} == {
        "A/east": (("well", LineEnd.FIRST),),
        "B/west": (("well", LineEnd.LAST),),
    }
    assert rig.ask(SetRoute("A/east")) is None


# -- two tables that hear each other


def end_text(*, first: bool) -> str:
    """One end of a line of two blocks, the other end of which somebody else signals."""
    near, far = ("s1", "s2") if first else ("s2", "s1")
    return f"""
[layout]
name = "One Well"
approach_time = 20.0
[blocks]
x0 = {{}}
x1 = {{}}
xp = {{}}
{near} = {{}}
{far} = {{}}
[turnouts]
tx = {{ block = "x1", moved_by = "us" }}
[lines]
out = "x0 > x1[tx normal] > {near} > {far}"
in = "{far} > {near} > x1[tx reverse] > xp"
[signals]
X = {{ at = "x0 > x1", controlled = true }}
[single_lines]
well = {{ blocks = ["{near}", "{far}"], other_end = "theirs", goes_first = {str(first).lower()} }}
"""


LATEST = 8.0
"""Seconds that a message may be under way: less than an end takes to begin anew."""


class Pair:
    """Two interlockings, and what is under way between them."""

    def __init__(self, random: Random | None = None) -> None:
        self.tables = [table_from(end_text(first=first)) for first in (True, False)]
        self.under_way: list[deque[tuple[str, float]]] = [deque(), deque()]
        """To each, and since when."""
        self.said: list[str] = ["", ""]
        self.random = random
        self.now = 0.0
        self.ends: list[Interlocking] = []
        for number in (0, 1):
            self.ends.append(Interlocking(self.tables[number]))
            self.begin(number)

    def begin(self, number: int) -> None:
        """Begin anew: everything is forgotten but what the hardware says."""
        self.ends[number] = end = Interlocking(self.tables[number])
        end.advance(self.nanoseconds)
        layout = self.tables[number].layout
        reports = [Report(Device("detector", name), "clear") for name in layout.detectors]
        # A train always waits at the signal, whose driver may see it off.
        reports.append(Report(Device("detector", "x0"), "occupied"))
        end.observe([*reports, Report(Device("turnout", "tx"), "normal")], self.nanoseconds)
        self.look()

    @property
    def nanoseconds(self) -> int:
        return round(self.now * SECOND)

    def look(self) -> None:
        """Put what each end says newly on its way."""
        for number, end in enumerate(self.ends):
            said = next(o.value for o in end.orders() if o.device.kind == "agreement")
            if said != self.said[number]:
                self.said[number] = said
                self.under_way[1 - number].append((said, self.now))

    def deliver(self, number: int) -> None:
        """Let one end hear the next of what is under way to it."""
        if self.under_way[number]:
            word, _ = self.under_way[number].popleft()
            self.tell(number, Report(Device("agreement", "well"), word))

    def tell(self, number: int, *reports: Report) -> None:
        self.ends[number].observe(reports, self.nanoseconds)
        self.look()

    def wait(self, seconds: float) -> None:
        self.now += seconds
        for end in self.ends:
            end.advance(self.nanoseconds)
        self.look()
        for number, under_way in enumerate(self.under_way):
            while under_way and under_way[0][1] < self.now - LATEST:
                self.deliver(number)

    def ask(self, number: int, request: SetRoute | CancelRoute) -> None:
        self.ends[number].request(request, self.nanoseconds)
        self.look()

    def settle(self) -> None:
        """Deliver everything, until nothing is under way."""
        for _ in range(50):
            for number in (0, 1):
                while self.under_way[number]:
                    self.deliver(number)
            self.wait(1.0)

    def off(self) -> list[bool]:
        return [end.snapshot().aspects["X"] != "danger" for end in self.ends]

    def locked(self, number: int) -> bool:
        return self.ends[number].value("route X/out locked") is True


def test_two_tables_agree() -> None:
    pair = Pair()
    pair.settle()
    assert pair.said == ["idle", "idle"]
    pair.ask(0, SetRoute("X/out", wait=True))
    assert pair.off() == [False, False], "nothing was answered yet"
    pair.settle()
    assert pair.said == ["asked", "given"]
    assert pair.off() == [True, False]
    pair.ask(1, SetRoute("X/out", wait=True))
    pair.settle()
    assert pair.off() == [True, False]
    pair.ask(0, CancelRoute("X/out"))
    pair.settle()
    assert pair.off() == [False, True]


def test_when_both_ask_the_one_that_goes_first_does() -> None:
    pair = Pair()
    pair.settle()
    for number in (1, 0):
        pair.ask(number, SetRoute("X/out", wait=True))
    pair.settle()
    assert pair.off() == [True, False]
    pair.ask(0, CancelRoute("X/out"))
    pair.settle()
    assert pair.off() == [False, True]


def test_an_end_that_is_not_heard_gives_nothing() -> None:
    pair = Pair()
    pair.settle()
    pair.ask(0, SetRoute("X/out", wait=True))
    pair.settle()
    assert pair.off() == [True, False]
    pair.tell(0, Report(Device("agreement", "well"), None))
    assert pair.off() == [False, False]
    pair.wait(100)
    pair.tell(0, Report(Device("agreement", "well"), "given"))
    assert pair.off() == [True, False]


@pytest.mark.parametrize("number", [0, 1])
def test_an_end_that_begins_anew_waits_for_trains_that_it_does_not_know_of(number: int) -> None:
    pair = Pair()
    pair.settle()
    pair.ask(0, SetRoute("X/out", wait=True))
    pair.settle()
    pair.begin(number)
    assert pair.said[number] == "starting"
    pair.ask(1, SetRoute("X/out", wait=True))
    for _ in range(19):
        pair.wait(1.0)
        for each in (0, 1):
            pair.deliver(each)
        assert not pair.off()[1]
    pair.settle()
    # Whoever began anew has forgotten its ask; the other has the line then.
    assert pair.off() == ([False, True] if number == 0 else [True, False])


@pytest.mark.parametrize("seed", range(40))
def test_never_both_whatever_is_late_lost_or_begun_anew(seed: int) -> None:
    random = Random(seed)  # noqa: S311 - chance in a test
    pair = Pair()
    committed = [0.0, 0.0]
    """Until when a driver may run on who saw each signal off."""
    shown = [0, 0]
    for _ in range(600):
        number = random.randrange(2)
        chance = random.random()
        if chance < 0.35:
            pair.deliver(number)
        elif chance < 0.5:
            pair.ask(number, SetRoute("X/out", wait=True))
        elif chance < 0.6:
            pair.ask(number, CancelRoute("X/out"))
        elif chance < 0.65 and pair.under_way[number]:
            # Of several that wait the latest counts.
            pair.under_way[number] = deque([pair.under_way[number][-1]])
        elif chance < 0.67:
            pair.tell(number, Report(Device("agreement", "well"), None))
            if pair.said[1 - number]:
                pair.under_way[number].append((pair.said[1 - number], pair.now))
        elif chance < 0.69:
            pair.begin(number)
        else:
            pair.wait(random.choice([0.1, 1.0, 5.0]))
        for each in (0, 1):
            if pair.off()[each]:
                shown[each] += 1
                committed[each] = pair.now + 15.0
        assert min(committed) <= pair.now or not all(
            pair.locked(each) or committed[each] > pair.now for each in (0, 1)
        )
        assert not all(pair.off())
    assert max(shown) > 0


# -- every state of the hand-shake itself


@frozen
class At:
    """One end, as far as the hand-shake goes."""

    ask: bool
    given: bool
    settled: bool
    locked: bool
    train: int
    """0: none; 1: a driver saw the signal off; 2: on the line."""
    heard: str | None


@functools.cache
def equations(*, first: bool) -> tuple[Graph, SingleLines]:
    layout = Layout(
        settings=Settings(name="One Well"),
        blocks={"s": Block()},
        detectors={"s": Detector(block="s")},
        single_lines={"well": SingleLine(blocks=("s",), other_end="theirs", goes_first=first)},
    )
    graph = Graph()
    lines = SingleLines(graph, layout, Detection(graph, layout, derive_track(layout)))
    end = ("well", LineEnd.FIRST)
    lines.finish({end: [graph.input("wanted")]}, {end: [graph.input("locked")]})
    lines.may_enter(*end)
    for index, (literal, word) in enumerate(lines.says("well")):
        graph.equation(f"says {index} {word}", literal, "", "")
    return graph, lines


@functools.cache
def step(at: At, *, first: bool, wanted: bool, clear: bool) -> tuple[bool, bool, bool, str]:
    """Return ask and given after a step, whether the line is ours in it, and what is said then."""
    graph, _ = equations(first=first)
    name = "single line well from the first end"

    def values(ask: bool, given: bool) -> list[bool]:  # noqa: FBT001
        settled_clear = [("block s clear for the hold-off", clear), ("detector s=clear", clear)]
        said = (
            [(f"agreement well={at.heard}", True)]
            if at.heard in {"idle", "asked", "given", "given-asked"}
            else []
        )
        return graph.evaluate(
            [
                (f"{name} asked", ask),
                (f"{name} given", given),
                (f"{name} settled", at.settled),
                ("wanted", wanted),
                ("locked", at.locked),
                *settled_clear,
                *said,
            ]
        )

    def read(found: list[bool], literal: int) -> bool:
        return found[literal >> 1] != bool(literal & 1)

    before = values(at.ask, at.given)
    following = [
        read(before, graph.latches[graph.names[f"{name} {what}"] >> 1].next or 0)
        for what in ("asked", "given")
    ]
    after = values(*following)
    says = next(
        (
            each.name.split()[-1]
            for each in graph.equations.values()
            if each.name.startswith("says ") and read(after, each.literal)
        ),
        "starting",
    )
    ours = read(before, graph.equations[f"{name} ours"].literal)
    return following[0], following[1], ours, says


State = tuple[At, At, tuple[str, ...], tuple[str, ...], str, str]
"""Two ends, what is under way to each, and what each said last."""


def successors(state: State) -> Iterator[State]:
    ends, ways, said = list(state[:2]), list(state[2:4]), list(state[4:])
    clear = all(end.train != 2 for end in ends)
    for number in (0, 1):
        end, way = ends[number], ways[number]

        def made(
            new: At, *, incoming: tuple[str, ...] | None = None, number: int = number
        ) -> State:
            pair, under_way, words = list(ends), list(ways), list(said)
            pair[number] = new
            if incoming is not None:
                under_way[number] = incoming
            *_, word = step(new, first=number == 0, wanted=False, clear=clear)
            now = _word(new)
            del word
            if now != words[number]:
                words[number] = now
                queue = (*under_way[1 - number], now)
                under_way[1 - number] = queue if len(queue) <= 2 else (queue[0], queue[-1])
            return (pair[0], pair[1], under_way[0], under_way[1], words[0], words[1])

        if way:  # it hears the next, or that one is lost for a later one
            yield made(evolve(end, heard=way[0]), incoming=way[1:])
            if len(way) > 1:
                yield made(end, incoming=way[1:])
        if end.heard is not None:
            yield made(evolve(end, heard=None), incoming=(*way, said[1 - number])[-2:])
        for wanted in (False, True):
            ask, given, ours, _ = step(end, first=number == 0, wanted=wanted, clear=clear)
            yield made(evolve(end, ask=ask, given=given))
            if ours and end.settled and clear and not end.locked:
                # The route is locked in the same step; its signal is off from then on.
                yield made(evolve(end, ask=ask, given=given, locked=True))
        _, _, ours, _ = step(end, first=number == 0, wanted=False, clear=clear)
        if end.locked and ours and clear and end.train == 0:
            yield made(evolve(end, train=1))
        if end.train == 1:
            yield made(evolve(end, train=2))
            if not (end.locked and ours):
                yield made(evolve(end, train=0))
        if end.train == 2:
            yield made(evolve(end, train=0))
        if end.locked and end.train != 1:
            yield made(evolve(end, locked=False))
        if end.settled:
            # Begun anew; what was under way before is too old to count when it has settled.
            begun = At(
                ask=False, given=True, settled=False, locked=False, train=end.train, heard=None
            )
            yield made(begun)
        elif (
            end.train != 1
            and clear
            # By then, what either end has heard is what the other says.
            and ends[1 - number].heard in {"starting", None}
            and not ways[1 - number]
            and end.heard in {said[1 - number], None}
            and all(word == said[1 - number] for word in way)
        ):
            yield made(evolve(end, settled=True))


def _word(end: At) -> str:
    if not end.settled:
        return "starting"
    if end.given:
        return "given-asked" if end.ask else "given"
    return "asked" if end.ask else "idle"


def test_in_no_state_of_the_hand_shake_are_there_trains_from_both_ends() -> None:
    begun = At(ask=False, given=True, settled=False, locked=False, train=0, heard=None)
    start: State = (begun, begun, ("starting",), ("starting",), "starting", "starting")
    seen = {start}
    stack = [start]
    sent = [False, False]
    while stack:
        state = stack.pop()
        assert not (state[0].train and state[1].train), state
        sent = [sent[number] or state[number].train > 0 for number in (0, 1)]
        for following in successors(state):
            if following not in seen:
                seen.add(following)
                stack.append(following)
    assert sent == [True, True], "each end can send trains"
