"""A layout on the bench: reports in by name, aspects out by name, time by hand.

Law of this file: short words for tests, no rule of signalling.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from signalling.core.interlocking import Interlocking
from signalling.core.words import Refusal, Request, SetRoute
from signalling.layout.model import Layout
from signalling.layout.read import examine_text
from signalling.layout.words import Device, Order, Report
from signalling.practice.load import load_practice
from signalling.table.table import Table, compile_table

SECOND = 1_000_000_000


def layout_from(text: str) -> Layout:
    """Return the layout of a TOML text that has no mistakes."""
    reading = examine_text(text, "layout.toml", ".")
    reading.findings.raise_errors()
    assert reading.layout is not None
    return reading.layout


def table_from(text: str, folder: str | Path = ".") -> Table:
    """Return the compiled table of a TOML text that has no mistakes."""
    layout = layout_from(text)
    return compile_table(layout, load_practice(layout.settings.practice, folder))


class Rig:
    """One interlocking and its time, in s."""

    def __init__(self, source: str | Table) -> None:
        self.table = table_from(source) if isinstance(source, str) else source
        self.interlocking = Interlocking(self.table)
        self.now = 0.0
        self.orders: list[Order] = []
        """Everything ordered so far."""

    @property
    def nanoseconds(self) -> int:
        return round(self.now * SECOND)

    def report(self, kind: str, name: str, value: str | None) -> Rig:
        return self.tell(Report(Device(kind, name), value))

    def tell(self, *reports: Report) -> Rig:
        self.orders += self.interlocking.observe(reports, self.nanoseconds)
        return self

    def clear(self, *detectors: str) -> Rig:
        return self.tell(*(Report(Device("detector", name), "clear") for name in detectors))

    def occupied(self, *detectors: str) -> Rig:
        return self.tell(*(Report(Device("detector", name), "occupied") for name in detectors))

    def unknown(self, *detectors: str) -> Rig:
        return self.tell(*(Report(Device("detector", name), None) for name in detectors))

    def lies(self, turnout: str, lie: str | None) -> Rig:
        return self.report("turnout", turnout, lie)

    def wait(self, seconds: float) -> Rig:
        self.now = round(self.now + seconds, 9)
        self.orders += self.interlocking.advance(self.nanoseconds)
        return self

    def ask(self, request: Request) -> Refusal | None:
        answer = self.interlocking.request(request, self.nanoseconds)
        if isinstance(answer, Refusal):
            return answer
        self.orders += answer
        return None

    def refusal(self, route: str) -> str:
        """Ask for a controlled route now, which must be refused; return why."""
        answer = self.ask(SetRoute(route))
        assert isinstance(answer, Refusal), f"{route} was set"
        return answer.reason

    def locked(self, route: str) -> bool:
        """Whether a route is locked."""
        return self.interlocking.value(f"route {route} locked") is True

    def all_clear(self) -> Rig:
        """Report every detector clear and every turnout normal, and wait until all is settled."""
        self.clear(*self.table.layout.detectors)
        for turnout in self.table.layout.turnouts:
            self.lies(turnout, "normal")
        return self.wait(60)

    def aspect(self, signal: str) -> str:
        return self.interlocking.snapshot().aspects[signal]

    def aspects(self, signals: Sequence[str] = ()) -> list[str]:
        shown = self.interlocking.snapshot().aspects
        return [shown[signal] for signal in signals or self.table.layout.signals]

    def indicator(self, signal: str) -> str:
        return self.interlocking.snapshot().indicators[signal]

    def block(self, name: str) -> bool:
        """Whether a block counts as occupied."""
        return self.interlocking.snapshot().occupied[name]

    def stop(self, name: str) -> bool:
        """Whether a stop is applied."""
        return self.interlocking.snapshot().stops[name]

    def alarms(self) -> list[tuple[str, str]]:
        return [(alarm.kind, alarm.thing) for alarm in self.interlocking.alarms]

    def run(self, *blocks: str, dwell: float = 2.0) -> Rig:
        """Move a short train along blocks: into each, then out of the one before."""
        for rear, ahead in zip((None, *blocks), blocks, strict=False):
            self.occupied(ahead)
            self.wait(dwell)
            if rear is not None:
                self.clear(rear)
                self.wait(dwell)
        return self


def ring_text(aspects: Sequence[int], *, practice: str = "uk", settings: str = "") -> str:
    """A ring of one block a signal: signal ``Si`` protects block ``bi``."""
    count = len(aspects)
    lines = [
        "[layout]",
        'name = "Ring"',
        f'practice = "{practice}"',
        settings,
        "[blocks]",
        *(f"b{index} = {{}}" for index in range(count)),
        "[lines]",
        "main = '" + " > ".join([*(f"b{index}" for index in range(count)), "b0"]) + "'",
        "[signals]",
        *(
            f"S{index} = {{ at = 'b{(index - 1) % count} > b{index}', aspects = {kind} }}"
            for index, kind in enumerate(aspects)
        ),
        "[stops]",
        *(f"T{index} = {{ signal = 'S{index}' }}" for index in range(count)),
    ]
    return "\n".join(lines)


def chain_text(
    aspects: Sequence[int], *, end: str = "buffer", practice: str = "uk", settings: str = ""
) -> str:
    """A line of one block a signal, with a block ``a`` before the first signal."""
    last = len(aspects) - 1
    lines = [
        "[layout]",
        'name = "Chain"',
        f'practice = "{practice}"',
        settings,
        "[blocks]",
        "a = {}",
        *(f"b{index} = {{}}" for index in range(len(aspects))),
        "[lines]",
        "main = '" + " > ".join(["a", *(f"b{index}" for index in range(len(aspects)))]) + "'",
        "[signals]",
        *(
            f"S{index} = {{ at = '{f'b{index - 1}' if index else 'a'} > b{index}', "
            f"aspects = {kind}{', hidden = []' if end == 'open' and index == last else ''} }}"
            for index, kind in enumerate(aspects)
        ),
    ]
    return "\n".join(lines)


FREE = "hold_off = 0.0\nsequence = false"
"""Settings under which blocks may be set at will."""
