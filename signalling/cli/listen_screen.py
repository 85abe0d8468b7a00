"""``signalling listen`` on a terminal: a table that is kept up to date.

Law of this file: looks only; the one user of rich in this verb.
"""

from __future__ import annotations

import asyncio

from rich import box
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from signalling.cli.links import link_event, link_line
from signalling.cli.listen_text import (
    begun,
    in_order,
    raw,
    said,
    summary_lines,
    where,
)
from signalling.cli.printable import printable
from signalling.controller.listen import Line, LinkChanged, Listening, News
from transports.link import LinkStatus

__all__ = ["can_draw", "picture", "show_screen"]

_PICTURE = 0.25
"""Seconds between two pictures."""
_FRESH = 2.0
"""Seconds for which what has changed stands out."""
_FURNITURE = 4
"""Lines of the screen that are no rows: the title, headings, a rule, what is left out."""
_RAW = 60
"""Columns of a payload, at most."""
_WHERE = 0.35
"""Share of the width that places get, at most."""


def can_draw(console: Console | None = None) -> bool:
    """Return whether the terminal is one that can be drawn on."""
    console = console or Console()
    return console.is_terminal and not console.is_dumb_terminal


async def show_screen(listening: Listening, name: str, console: Console | None = None) -> None:
    """Show what arrives until listening ends; then print what it came to."""
    console = console or Console()
    links: dict[str, LinkStatus] = {}

    async def follow() -> None:
        async for news in listening:
            links.update(_links(news))

    following = asyncio.create_task(follow(), name="follow")
    with Live(console=console, screen=True, auto_refresh=False) as live:
        while not following.done():
            now = asyncio.get_running_loop().time()
            image = picture(listening, name, links, now, console.size)
            # In a thread: a terminal that does not take it must hold nothing else up.
            await asyncio.to_thread(live.update, image, refresh=True)
            await asyncio.wait({following}, timeout=_PICTURE)
    await following
    for line in summary_lines(listening):
        console.print(Text(line), soft_wrap=True)


def _links(news: list[News]) -> dict[str, LinkStatus]:
    return {each.link.name: each.link for each in news if isinstance(each, LinkChanged)}


def picture(
    listening: Listening,
    name: str,
    links: dict[str, LinkStatus],
    now: float,
    size: tuple[int, int],
) -> Group:
    """Return the screen as it is to be at ``now``, the loop's time.

    Where not everything fits into ``size``, its columns and lines, what was new
    last is shown.
    """
    width, height = size
    lines = in_order(listening)
    newest = sorted(lines, key=lambda line: line.changed, reverse=True)
    room = max(height - _FURNITURE - len(links), 1)
    # Half the room is for what is bound, however much else is said.
    bound = [line for line in newest if line.arrival.bound][: (room + 1) // 2]
    shown = set(map(id, bound))
    shown |= set(map(id, [line for line in newest if id(line) not in shown][: room - len(bound)]))
    several = len(listening.names) > 1
    table = Table(
        box=box.SIMPLE_HEAD, show_edge=False, expand=True, pad_edge=False, padding=(0, 1, 0, 0)
    )
    table.add_column("ago", justify="right", no_wrap=True)
    table.add_column("times", justify="right", no_wrap=True)
    if several:
        table.add_column("on", no_wrap=True)
    places = max((len(where(line.arrival)) for line in lines if id(line) in shown), default=0)
    places = max(min(places, round(width * _WHERE)), len("where"))
    table.add_column("where", no_wrap=True, overflow="ellipsis", width=places)
    table.add_column("what arrived", no_wrap=True, overflow="ellipsis", ratio=3)
    table.add_column("what it says", no_wrap=True, overflow="ellipsis", ratio=5)
    for line in lines:
        if id(line) in shown:
            table.add_row(*_cells(line, now, several=several), style=_style(line, now))
    above = [Text(begun(listening, name), no_wrap=True, overflow="ellipsis")]
    above += [
        Text(printable(link_line(link_event(now, link))), no_wrap=True, overflow="ellipsis")
        for link in links.values()
    ]
    left = len(lines) - len(shown)
    below = f"{left} more places, with nothing new lately. " if left else ""
    below = below if lines else "Nothing has arrived yet. "
    end = Text(f"{below}Ctrl-C ends it.", style="dim", no_wrap=True, overflow="ellipsis")
    return Group(*above, table, end)


def _cells(line: Line, now: float, *, several: bool) -> tuple[Text, ...]:
    arrival = line.arrival
    ago = now - line.at
    return (
        Text(f"{ago:.0f} s" if ago >= 1 else "now"),
        Text(str(line.count)),
        *((Text(line.transport),) if several else ()),
        Text(where(arrival)),
        Text(raw(arrival, _RAW)),
        Text(said(arrival, line.changes)),
    )


def _style(line: Line, now: float) -> str:
    if now - line.changed < _FRESH:
        return "bold"
    return "" if line.arrival.bound else "dim"
