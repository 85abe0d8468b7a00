"""A large station: every line at either end leads to every track, through one throat.

Law of this file: a layout's text; a throat through which all routes run is the
worst of cases, since all its routes conflict.
"""

from __future__ import annotations

from collections.abc import Iterator


def station_text(lines: int, tracks: int) -> str:
    """Return a station of ``4 * lines * tracks`` controlled routes between its signals."""
    blocks = [f"p{track}" for track in range(tracks)]
    turnouts: list[str] = []
    paths: list[str] = []
    signals: list[str] = []
    for side in "wv":  # west, and east
        throat = [*(f"{side}{at}" for at in range(1, lines)), *_ladder(side, tracks)]
        blocks += [f"{side}in{line}" for line in range(lines)] + throat
        turnouts += [f"t{each} = {{ block = '{each}', moved_by = 'us' }}" for each in throat[:-1]]
        straight = [f"{each}[t{each} normal]" for each in throat[:-1]]
        for line in range(lines):
            way = list(straight[max(line - 1, 0) :])
            if line:
                way[0] = way[0].replace("normal", "reverse")
            name = f"{side}in{line}"
            paths.append(" > ".join([name, *way, throat[-1], f"p{tracks - 1}"]))
            signals.append(_signal(f"{side}in{line}", way[0]))
        for track in range(tracks):
            at = f"{side}l{track}"
            if track < tracks - 1:
                before = [f"{side}in0", *throat][throat.index(at)]
                paths.append(f"{before} > {at}[t{at} reverse] > p{track}")
            signals.append(_signal(f"p{track}", at))
    return "\n".join(
        [
            "[layout]",
            'name = "Great Auk Central"',
            "[blocks]",
            *(f"{block} = {{}}" for block in blocks),
            "[turnouts]",
            *turnouts,
            "[lines]",
            *(f"line{number} = '{path}'" for number, path in enumerate(paths)),
            "[signals]",
            *signals,
        ]
    )


def _ladder(side: str, tracks: int) -> Iterator[str]:
    return (f"{side}l{track}" for track in range(tracks))


def _signal(rear: str, ahead: str) -> str:
    ahead = ahead.partition("[")[0]
    return f"{rear}-{ahead} = {{ at = '{rear} > {ahead}', aspects = 3, controlled = true }}"
