"""A layout on the bench with a describer: names in and out by short words.

Law of this file: short words for tests, no rule of stepping.
"""

from __future__ import annotations

from signalling.core.words import NameRequest, Refusal
from signalling.describe.describer import Describer
from signalling.layout.words import Device, Order, Report
from tests.rig import Rig

RING = """
[layout]
name = "Tern Sands"
describer = true
sequence = false
[blocks]
a = {}
b = {}
c = {}
d = {}
e = {}
f = {}
g = {}
[lines]
ring = "a > b > c > d > e > f > g > a"
[signals]
A = { at = "a > b" }
B = { at = "b > c" }
C = { at = "c > d" }
D = { at = "d > e" }
E = { at = "e > f" }
F = { at = "f > g" }
G = { at = "g > a" }
"""


class Named(Rig):
    """One interlocking, its describer, and their time."""

    def __init__(self, source: str) -> None:
        super().__init__(source)
        self.describer = Describer(self.interlocking)
        self.shown: list[Order] = []
        """Every order to a berth so far."""

    def tell(self, *reports: Report) -> Named:
        super().tell(*reports)
        self.shown += self.describer.observe(reports, self.nanoseconds)
        return self

    def wait(self, seconds: float) -> Named:
        super().wait(seconds)
        self.shown += self.describer.observe((), self.nanoseconds)
        return self

    def say(self, request: NameRequest) -> str | None:
        """Say something of a name; return why it is refused, if it is."""
        answer = self.describer.request(request, self.nanoseconds)
        if isinstance(answer, Refusal):
            return answer.reason
        self.shown += answer
        return None

    def read(self, reader: str, value: str | None) -> Named:
        return self.tell(Report(Device("reader", reader), value))

    def berth(self, block: str) -> str:
        """What a berth was told last."""
        told = {order.device: order.value for order in self.describer.orders()}
        text = told[Device("berth", block)]
        heard = [order.value for order in self.shown if order.device.name == block]
        assert [text] == (heard[-1:] or ["empty"]), "what changed is ordered, and nothing else"
        return text

    def berths(self) -> dict[str, str]:
        """Every berth that is not empty."""
        shown = {block: self.berth(block) for block in self.table.layout.blocks}
        return {block: text for block, text in shown.items() if text != "empty"}

    def doubts(self) -> list[str]:
        """The trains of which an alarm says that their names are doubtful."""
        return [
            alarm.thing.removeprefix("train ")
            for alarm in self.describer.alarms
            if alarm.kind == "name-doubtful"
        ]
