"""Random stations, as texts that a user could have written.

Law of this file: shapes and options only. Up to three tracks run side by side;
slanting track joins neighbours, so that there come to be crossovers, ladders,
loops and junctions; two tracks may cross in one block, and two slants in a
diamond. Wherever a train may come in or turn round there is a signal before it.
"""

from __future__ import annotations

from itertools import pairwise

from attrs import define, field, frozen
from hypothesis import strategies as st

EAST, WEST, BOTH = "east", "west", "both"
SEVERAL_ASPECTS = ("aspects = 2", "aspects = 3", "aspects = 4")


@frozen
class Slant:
    """Track from a cell to the next column of a neighbouring track."""

    name: str
    start: tuple[int, int]
    end: tuple[int, int]
    diamond: bool


@define
class Plan:
    """A station on paper: blocks in rows of cells, named by track and column."""

    draw: st.DrawFn
    spans: list[range] = field(factory=list)
    """Columns of each track."""
    directions: list[str] = field(factory=list)
    slants: list[Slant] = field(factory=list)
    crossing: int | None = None
    """Where the first two tracks cross on the level."""
    turnouts: dict[tuple[int, int], str] = field(factory=dict)
    """By cell."""
    agreed: list[str] = field(factory=list)
    """Blocks of a single line, if there is one."""

    def block(self, track: int, column: int) -> str:
        """Return the name of a cell's block."""
        if column == self.crossing and track < 2:
            return "x"
        return f"{'abc'[track]}{column}"

    def step(self, track: int, column: int, lie: str = "normal") -> str:
        """Return a cell as a line has it."""
        turnout = self.turnouts.get((track, column))
        return self.block(track, column) + (f"[{turnout} {lie}]" if turnout else "")

    def layout(self) -> str:
        """Return the text of a station."""
        draw = self.draw
        self._tracks()
        self._slants()
        blocks = dict.fromkeys(
            self.block(track, column) for track, span in enumerate(self.spans) for column in span
        )
        if any(slant.diamond for slant in self.slants):
            blocks["d"] = None
        self._single_line()
        hold_off, minimum_on = draw(st.sampled_from([(0.0, 0.0), (1.5, 0.0), (0.5, 4.0)]))
        parts = [
            "[layout]",
            'name = "Any Station"',
            f"practice = '{draw(st.sampled_from(['uk', 'house']))}'",
            f"hold_off = {hold_off}",
            f"minimum_on = {minimum_on}",
            f"sequence = {draw(st.sampled_from(['true', 'false']))}",
            "approach_time = 20.0",
            "[blocks]",
            *(f"{name} = {{}}" for name in blocks),
            "[supplies]",
            f"motors = {{ at_once = {draw(st.integers(1, 2))} }}",
            "[turnouts]",
            *(
                f'{name} = {{ block = "{self.block(*cell)}", {self._mover()} }}'
                for cell, name in self.turnouts.items()
            ),
            "[lines]",
            *self._lines(),
            "[signals]",
            *self._signals(),
            *(["[single_lines]", f"between = {{ blocks = {self.agreed} }}"] if self.agreed else []),
        ]
        return "\n".join(parts)

    def _mover(self) -> str:
        if self.draw(st.integers(0, 5)) == 0:
            return "lock = true"
        return 'moved_by = "us"' + self.draw(st.sampled_from(["", ', supply = "motors"']))

    def _tracks(self) -> None:
        draw = self.draw
        width = draw(st.integers(5, 8))
        for _ in range(draw(st.integers(1, 3))):
            begin, cut = draw(st.integers(0, 1)), draw(st.integers(0, 1))
            self.spans.append(range(begin, width - cut))
            self.directions.append(draw(st.sampled_from([BOTH, EAST, WEST])))
        if len(self.spans) > 1 and draw(st.integers(0, 3)) == 0:
            self.crossing = draw(st.integers(2, width - 3))

    def _slants(self) -> None:
        """Lay slants between cells that are none's ends, each cell with one turnout at the most."""
        width = max(span.stop for span in self.spans)
        possible = [
            ((track, column), (other, column + 1))
            for column in range(1, width - 2)
            for track in range(len(self.spans))
            for other in (track - 1, track + 1)
            if 0 <= other < len(self.spans)
        ]
        if not possible:
            return
        wanted = self.draw(st.lists(st.sampled_from(possible), max_size=6, unique=True))
        diamond = self.draw(st.integers(0, 2)) == 0
        if diamond:
            (track, column), _ = self.draw(st.sampled_from(possible))
            low, high = sorted((track, track + 1 if track + 1 < len(self.spans) else track - 1))
            pair = [((low, column), (high, column + 1)), ((high, column), (low, column + 1))]
            cells = {cell for slant in pair for cell in slant}
            if all(self._free(cell) for cell in cells):
                for number, (start, end) in enumerate(pair):
                    self._lay(f"diamond{number}", start, end, diamond=True)
        for number, (start, end) in enumerate(wanted):
            if self._free(start) and self._free(end):
                self._lay(f"slant{number}", start, end, diamond=False)

    def _free(self, cell: tuple[int, int]) -> bool:
        track, column = cell
        span = self.spans[track]
        inside = span.start < column < span.stop - 1
        return inside and cell not in self.turnouts and self.block(track, column) != "x"

    def _lay(
        self, name: str, start: tuple[int, int], end: tuple[int, int], *, diamond: bool
    ) -> None:
        for track, column in (start, end):
            self.turnouts[track, column] = f"t{self.block(track, column)}"
        self.slants.append(Slant(name, start, end, diamond))

    def _lines(self) -> list[str]:
        lines = []
        for track, span in enumerate(self.spans):
            steps = [self.step(track, column) for column in span]
            if self.directions[track] == WEST:
                steps.reverse()
            lines.append(f'l{track} = "{" > ".join(steps)}"')
        for slant in self.slants:
            (track, column), (other, after) = slant.start, slant.end
            steps = [
                self.step(track, column - 1),
                self.step(track, column, "reverse"),
                *(["d"] if slant.diamond else []),
                self.step(other, after, "reverse"),
                self.step(other, after + 1),
            ]
            # What comes before and after lies as it may.
            steps[0], steps[-1] = (step.split("[")[0] for step in (steps[0], steps[-1]))
            if self.directions[track] == WEST:
                steps.reverse()
            lines.append(f'{slant.name} = "{" > ".join(steps)}"')
        return lines

    def _signals(self) -> list[str]:
        signals = []
        for track, span in enumerate(self.spans):
            for way, columns in ((EAST, span), (WEST, span[::-1])):
                if self.directions[track] not in (way, BOTH):
                    continue
                cells = [(track, column) for column in columns]
                for place, (rear, ahead) in enumerate(pairwise(cells)):
                    # Trains come in at the ends, and one that turns round may do so at a turnout.
                    if place == 0 or self.draw(st.booleans()):
                        onward = cells[place + 2] if place + 2 < len(cells) else None
                        signals.append(self._signal(way, rear, ahead, onward))
        return signals

    def _signal(
        self,
        way: str,
        rear: tuple[int, int],
        ahead: tuple[int, int],
        onward: tuple[int, int] | None,
    ) -> str:
        draw = self.draw
        # Who sends trains into a single line asks for it.
        controlled = bool(self.agreed) or draw(st.integers(0, 3)) > 0
        options = [
            f'at = "{self.block(*rear)} > {self.block(*ahead)}"',
            draw(st.sampled_from(SEVERAL_ASPECTS)),
        ]
        if controlled:
            options.append("controlled = true, stopped_after = 5.0")
            moves = draw(st.sampled_from(["", "", "call_on = true", "shunt = true"]))
            if moves:
                options.append(f"routes = {{ l{rear[0]} = {{ {moves} }} }}")
        overlap = draw(st.sampled_from(["", "", "", "short", "long", "reduced", "choice"]))
        margin, beyond = self.step(*ahead), onward and self.step(*onward)
        if overlap == "short" or (overlap and beyond is None):
            options.append(f'overlap = "{margin}"')
        elif overlap == "long":
            options.append(f'overlap = "{margin} > {beyond}"')
        elif overlap == "reduced":
            options.append(f'overlap = "{margin} > {beyond}", reduced_overlap = "{margin}"')
        elif overlap == "choice":
            slant = next((each for each in self.slants if each.start == ahead), None)
            if way == EAST and slant is not None and not slant.diamond:
                aside = f"{self.step(*ahead, 'reverse')} > {self.step(*slant.end, 'reverse')}"
                options.append(f'overlap = ["{margin} > {beyond}", "{aside}"]')
        return f"{way[0].upper()}{self.block(*rear)}{rear[0]} = {{ {', '.join(options)} }}"

    def _single_line(self) -> None:
        """Agree which way trains run over plain track between the ends of a track run both ways."""
        for track, span in enumerate(self.spans):
            plain: list[str] = []
            for column in span[1:-1]:
                block = self.block(track, column)
                if (track, column) not in self.turnouts and block != "x":
                    plain.append(block)
                elif plain:
                    break
            if self.directions[track] == BOTH and plain and self.draw(st.booleans()):
                self.agreed = plain
                return


@st.composite
def stations(draw: st.DrawFn) -> str:
    """Any station, as a TOML text."""
    return Plan(draw).layout()
