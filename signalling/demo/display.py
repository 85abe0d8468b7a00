"""Merrow Bay on a terminal: track, trains, aspects, stops, and what happened last.

Law of this file: it shows and changes nothing. Nothing is told by colour
alone: an aspect is its lamps' letters, a train its own letter, a stop a mark.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil
from typing import TYPE_CHECKING

from rich.text import Text

from signalling.core.interlocking import Snapshot
from signalling.demo.run import Demo
from signalling.demo.scene import AWAY, SCENE, Away, Gap, Row
from signalling.practice.schema import DANGER, Head
from signalling.simulate.train import RunningTrain

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

__all__ = ["Frame", "aspect_code"]

_SIGNAL = 5
"""Columns of a signal."""
_LEAST, _MOST = 5, 12
"""Columns of a block, at the least and at the most."""
_LAMPS = {"red": "bold white on red", "yellow": "black on yellow", "green": "bold black on green"}
_TRAINS = (
    "bright_cyan",
    "bright_magenta",
    "bright_blue",
    "bright_green",
    "bright_red",
    "bright_yellow",
    "bright_white",
    "dark_orange",
)
_TRAIN_COLUMNS = 19
_APPLIED, _LIFTED = "■", "·"


def aspect_code(head: Head, aspect: str) -> str:
    """Return the letters of the lamps that are alight, such as ``YY``; ``*`` where they flash."""
    shown = head.shows[aspect]
    return "".join(head.colours[lamp][0].upper() for lamp in shown.lamps) + "*" * shown.flash


class Frame:
    """One picture of the demonstration, for rich to print.

    ``pace`` says how fast time runs, for the heading.
    """

    def __init__(self, demo: Demo, pace: str) -> None:
        self._demo = demo
        self._pace = pace
        table = demo.table
        self._heads = {row.signal: table.practice.heads[row.head] for row in table.rows}
        self._stops: dict[str, list[str]] = {}
        """By signal."""
        for name, stop in table.layout.stops.items():
            self._stops.setdefault(stop.signal, []).append(name)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield as many lines as there is room for."""
        height = options.height or console.height
        lines = list(self.lines(options.max_width, height))
        for line in lines[:height]:
            line.truncate(options.max_width)
            line.no_wrap = True
            yield line

    def lines(self, width: int, height: int) -> Iterator[Text]:
        """Yield the picture, from the top; the latest notices fill what room is left."""
        above = [self._heading(width), *self._scene(width), *self._trains(width)]
        below = [self._counts(), self._legend()]
        room = max(height - len(above) - len(below), 0)
        yield from above
        notices = list(self._demo.notices)[-room:] if room else []
        for notice in notices:
            yield Text.assemble(
                (f" {_clock(notice.seconds)} ", "dim"),
                (notice.text, "bold red" if notice.text.startswith("WRONG") else ""),
            )
        yield from (Text("") for _ in range(room - len(notices)))
        yield from below

    # -- the parts

    def _heading(self, width: int) -> Text:
        demo = self._demo
        layout = demo.table.layout
        left = f" {layout.settings.name}   {_clock(demo.world.seconds)}   {self._pace}"
        right = f"{len(layout.trains)} trains, {len(layout.signals)} signals   Ctrl-C ends "
        return Text(left + right.rjust(max(width - len(left), 0)), style="bold black on cyan")

    def _scene(self, width: int) -> Iterator[Text]:
        snapshot = self._demo.snapshot
        widest = SCENE[0]
        signals = sum(item in self._heads or item is Gap.SIGNAL for item in widest.items)
        blocks = len(widest.items) - signals
        block = (width - 2 - signals * _SIGNAL) // blocks
        block = max(_LEAST, min(_MOST, block))
        if snapshot is None:
            yield Text(" Everything is at danger until every detector has been read.", style="dim")
            yield from (Text("") for _ in range(2 * len(SCENE) - 1))
            return
        for row in SCENE:
            names, track = Text(" "), Text(" ")
            for item in row.items:
                if isinstance(item, Gap):
                    gap = " " * (_SIGNAL if item is Gap.SIGNAL else block)
                    names.append(gap)
                    track.append(gap)
                elif isinstance(item, Away):
                    self._away(item, block, names, track)
                elif item in self._heads:
                    self._signal(item, snapshot, row, names, track)
                else:
                    self._block(item, block, snapshot, names, track)
            yield names
            yield track

    def _signal(self, name: str, snapshot: Snapshot, row: Row, names: Text, track: Text) -> None:
        aspect = snapshot.aspects.get(name, DANGER)
        head = self._heads[name]
        code = aspect_code(head, aspect)
        colour = head.colours[head.shows[aspect].lamps[0]]
        track.append("─", style="dim")
        track.append(f"◂{code:<2}" if row.leftwards else f"{code:>2}▸", style=_LAMPS[colour])
        lit = snapshot.indicators.get(name, "dark")
        if lit == "dark":
            track.append("─", style="dim")
        else:
            track.append(lit, style="bold white")
        applied = any(snapshot.stops[stop] for stop in self._stops.get(name, ()))
        names.append(_APPLIED if applied else _LIFTED, style="red" if applied else "green")
        names.append(name.ljust(_SIGNAL - 1), style="bold")

    def _block(self, name: str, width: int, snapshot: Snapshot, names: Text, track: Text) -> None:
        label = name
        for turnout in self._demo.table.track.turnouts.get(name, ()):
            lie = snapshot.lies[turnout]
            label += f" {'?' if lie is None else lie[0].upper()}"
        names.append(label.ljust(width), style="dim")
        trains = self._demo.world.inside[name].values()
        if trains:
            letters = "".join(
                train.name if train.blocks[0] == name else train.name.lower() for train in trains
            )
            track.append("╋", style="dim")
            track.append(letters.center(width - 1, "━"), style=f"bold {self._colour(*trains)}")
        elif snapshot.occupied[name]:
            track.append("┼", style="dim")
            track.append("┄" * (width - 1), style="yellow")
        else:
            track.append("┼" + "─" * (width - 1), style="dim")

    def _away(self, item: Away, block: int, names: Text, track: Text) -> None:
        """Show what is beyond the described track, and the trains there."""
        signals = item.signals * _SIGNAL
        width = item.blocks * block + signals
        names.append(item.title.center(width), style="dim")
        trains = [
            train.name for train, exit_block in self._demo.world.away() if exit_block == item.exit
        ]
        shade = "▒" if item.covered else " "
        track.append("  ".join(trains).center(width, shade), style="bold" if trains else "dim")

    def _trains(self, width: int) -> Iterator[Text]:
        trains = self._demo.world.trains
        rows = ceil(len(trains) / max((width - 1) // _TRAIN_COLUMNS, 1))
        columns = ceil(len(trains) / rows)
        for start in range(0, len(trains), columns):
            line = Text(" ")
            for train in trains[start : start + columns]:
                line.append(f"{train.name} ", style=f"bold {self._colour(train)}")
                line.append(self._doing(train).ljust(_TRAIN_COLUMNS - 2))
            yield line

    def _doing(self, train: RunningTrain) -> str:
        if not train.blocks:
            return next(
                AWAY[exit_block] for each, exit_block in self._demo.world.away() if each is train
            )
        speed = f"{train.speed:.0f} mm/s" if train.speed > 0 else "stands"
        return f"{train.blocks[0]} {speed}"

    def _colour(self, train: RunningTrain, *_: RunningTrain) -> str:
        return _TRAINS[self._demo.world.trains.index(train) % len(_TRAINS)]

    def _counts(self) -> Text:
        record = self._demo.world.record()
        apart = record.minimum_separation
        closest = "-" if apart is None else f"{apart} block{'' if apart == 1 else 's'}"
        wrong = len(record.wrong_side)
        text = Text(
            f" stops applied {record.stops_applied}   trains stopped {record.times_stopped}   "
            f"closest {closest}   wrong side "
        )
        text.append(str(wrong), style="bold white on red" if wrong else "bold green")
        return text

    def _legend(self) -> Text:
        practice = self._demo.table.practice
        codes: dict[str, str] = {}
        for head in self._heads.values():
            for aspect in head.shows:
                codes.setdefault(aspect, aspect_code(head, aspect))
        text = Text(" ", style="dim")
        for each in practice.shown:
            if each.name in codes:
                text.append(f"{codes[each.name]} {each.title.lower()}  ")
        text.append(f"{_APPLIED} stop applied  ┄ held")
        return text


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
