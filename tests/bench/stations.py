"""Stations of any size for the benchmark: throats made of crossovers, one track beside another.

Lines come into a throat on some of its tracks, and from each of them crossovers
lead on to the tracks above it, so that a line reaches the platforms from its own
track up, and trains at some distance from one another run at the same time:

    line 1  ──────── 3 ──── platform 3         a block for each track of a throat,
                    /                          two turnouts for each crossover,
                   2 ────── platform 2         moved by us, two at a time
                  /
    line 0  ──── 1 ──────── platform 1

A platform line can be shunted into from each side, and a second train called on.
Stations in a row have three blocks of line between them, with a signal at either
end of the middle one.
"""

from __future__ import annotations

from collections.abc import Iterator

from attrs import frozen

__all__ = ["SIZES", "Station", "stations_text"]


@frozen
class Station:
    """How large a station is."""

    lines: int
    """At each end."""
    platforms: int
    apart: int
    """Tracks from one line to the next."""
    ends: int = 2
    """One for a terminus."""

    @property
    def ways(self) -> list[tuple[int, int]]:
        """The lines of one end, each with each platform that it reaches."""
        return [
            (line, platform)
            for line in range(self.lines)
            for platform in range(line * self.apart, self.platforms)
        ]

    @property
    def routes(self) -> int:
        """Routes of it: in, out, and both as a shunt; in, as a call-on."""
        return 5 * len(self.ways) * self.ends


SIZES = {
    10: (Station(1, 2, 1, ends=1), 1),
    100: (Station(2, 6, 2), 1),
    500: (Station(4, 17, 3), 1),
    2_000: (Station(4, 17, 3), 4),
}
"""By the number of routes, the station and how many of them there are."""


def stations_text(station: Station, count: int) -> str:
    """Return the layout file of so many stations in a row."""
    blocks: dict[str, None] = {}
    turnouts: list[str] = []
    lines: list[str] = []
    signals: list[str] = []
    for number in range(count):
        for end in ("w", "e")[: station.ends]:
            place = f"s{number}{end}"
            turnouts += _turnouts(station, place, f"s{number}")
            for line, platform in station.ways:
                path = _path(station, place, line, platform)
                track = [_line(number, end, line), f"{place}line{line}", *path]
                track.append(f"s{number}p{platform}")
                blocks.update((step.partition("[")[0], None) for step in track)
                lines.append(f'{place}{line}-{platform} = "{" > ".join(track)}"')
            signals += _signals(station, number, end)
    return "\n".join(
        [
            '[layout]\nname = "Stations in a row"\nsequence = false\n[blocks]',
            *(f"{block} = {{}}" for block in blocks),
            "[supplies]",
            *(f"s{number} = {{ at_once = 2 }}" for number in range(count)),
            *(["[turnouts]"] if turnouts else []),
            *turnouts,
            "[lines]",
            *lines,
            "[signals]",
            *signals,
        ]
    )


def _line(number: int, end: str, line: int) -> str:
    """Return the block between two stations; the same one for both."""
    return f"line{number + (end == 'e')}-{line}"


def _turnouts(station: Station, place: str, supply: str) -> Iterator[str]:
    """Yield the turnouts of a throat; each crossover has one at each of its ends."""
    for track in range(station.platforms - 1):
        for turnout, block in ((f"{place}x{track}", track), (f"{place}y{track + 1}", track + 1)):
            yield (
                f'{turnout} = {{ block = "{place}t{block}", moved_by = "us", supply = "{supply}" }}'
            )


def _path(station: Station, place: str, line: int, platform: int) -> Iterator[str]:
    """Yield the blocks and lies of a throat from a line to a platform."""
    first = line * station.apart
    for track in range(first, platform + 1):
        lies = []
        if track > 0:
            lies.append(f"{place}y{track} {'normal' if track == first else 'reverse'}")
        if track < station.platforms - 1:
            lies.append(f"{place}x{track} {'normal' if track == platform else 'reverse'}")
        yield f"{place}t{track}[{', '.join(lies)}]"


def _signals(station: Station, number: int, end: str) -> Iterator[str]:
    place = f"s{number}{end}"
    for line in range(station.lines):
        at, beyond = f"{place}line{line}", _line(number, end, line)
        throat = f"{place}t{line * station.apart}"
        moves = ", ".join(
            f"{place}{line}-{to} = {{ shunt = true, call_on = true }}"
            for on, to in station.ways
            if on == line
        )
        yield (
            f'{place}in{line} = {{ at = "{at} > {throat}", controlled = true, '
            f"routes = {{ {moves} }} }}"
        )
        yield f'{place}out{line} = {{ at = "{at} > {beyond}", hidden = [] }}'
    for platform in range(station.platforms):
        moves = ", ".join(
            f"{place}{line}-{platform} = {{ shunt = true }}"
            for line, to in station.ways
            if to == platform
        )
        yield (
            f'{place}from{platform} = {{ at = "s{number}p{platform} > {place}t{platform}", '
            f"controlled = true, routes = {{ {moves} }} }}"
        )
