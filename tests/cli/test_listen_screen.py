"""The picture of what arrives: whole on any terminal, bound things always on it."""

from __future__ import annotations

import asyncio
import io
from typing import Any

import pytest
from rich.console import Console

from signalling.cli.listen_screen import can_draw, picture, show_screen
from signalling.controller.listen import Line, LinkChanged
from signalling.layout.words import Device
from transports.link import LinkState, LinkStatus
from transports.listen import Arrival, Meaning
from transports.transport import LinkCounters

D1 = Device("detector", "d1")


def link(state: LinkState, error: str = "") -> LinkStatus:
    return LinkStatus(
        name="club",
        state=state,
        since=0.0,
        error=error,
        failures=0,
        waiting=0,
        counters=LinkCounters(),
        heard={},
    )


class Ear:
    """A listening that has heard as many bound and unbound things as the test likes."""

    names = ("club",)
    deaf = ()
    passed_over = 0
    counters: dict[str, dict[str, int]] = {"club": {}}  # noqa: RUF012 - never changed

    def __init__(self, bound: int, unbound: int) -> None:
        self.lines = {}
        for number in range(bound + unbound):
            known = number < bound
            arrival = Arrival(
                place=f"{'bound' if known else 'stranger'}/{number}",
                raw=b"[bold]\x1b[2J" * 20,
                text=True,
                meanings=(Meaning(device=D1, value="clear"),) if known else (),
            )
            # Strangers said something new after all that is bound.
            self.lines["club", arrival.place, ""] = Line("club", arrival, 1, 1.0 + number, number)
        self.news: list[Any] = [[LinkChanged(0.0, link(LinkState.UP))]]

    def unheard(self) -> Any:
        return iter(())

    def __aiter__(self) -> Ear:
        return self

    async def __anext__(self) -> Any:
        await asyncio.sleep(1)
        if not self.news:
            raise StopAsyncIteration
        return self.news.pop(0)


def drawn(ear: Ear, width: int, height: int, now: float = 500.0) -> list[str]:
    console = Console(width=width, height=height, record=True, file=io.StringIO())
    links = {"club": link(LinkState.LOST, "gone\x1b[2J")}
    console.print(picture(ear, "Gannet Point", links, now, (width, height)))  # type: ignore[arg-type]
    return console.export_text().splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 10), (200, 60), (20, 3)])
@pytest.mark.parametrize(("bound", "unbound"), [(0, 0), (3, 3), (100, 0), (0, 4000), (60, 4000)])
def test_it_fits_and_is_printable(width: int, height: int, bound: int, unbound: int) -> None:
    lines = drawn(Ear(bound, unbound), width, height)
    # The title, the link, headings and a rule, one row and the end are always there.
    assert len(lines) <= max(height, 6)
    assert "Ctrl-C" in lines[-1] or width < 80
    assert all(len(line) <= width for line in lines)
    assert all(line.isprintable() for line in lines)


def test_half_of_it_is_for_what_is_bound_however_much_else_is_said() -> None:
    text = "\n".join(drawn(Ear(60, 4000), 100, 26))
    assert text.count("bound/") == 11
    assert text.count("stranger/") == 10
    assert "4039 more places, with nothing new lately." in text
    few = "\n".join(drawn(Ear(2, 4000), 100, 26))
    assert (few.count("bound/"), few.count("stranger/")) == (2, 19)


def test_it_says_when_nothing_has_arrived_and_how_links_stand() -> None:
    text = "\n".join(drawn(Ear(0, 0), 80, 24))
    assert "Gannet Point: listening to club, without a word." in text
    assert r"link club: lost (gone\x1b[2J)" in text
    assert "Nothing has arrived yet. Ctrl-C ends it." in text


def test_markup_is_shown_as_it_is() -> None:
    assert "[bold]" in "\n".join(drawn(Ear(1, 0), 200, 24))


@pytest.mark.real_time
async def test_the_end_is_the_summary() -> None:
    file = io.StringIO()
    console = Console(file=file, force_terminal=True, width=100, height=24)
    await show_screen(Ear(1, 1), "Gannet Point", console)  # type: ignore[arg-type]
    screen, _, after = file.getvalue().partition("\x1b[?1049l")
    assert "\x1b[?1049h" in screen
    assert "link club: up" in screen
    assert "      1 x  club  bound/0     detector d1: clear" in after


def test_it_is_not_drawn_where_it_cannot_be(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    assert not can_draw(Console(force_terminal=True))
    monkeypatch.setenv("TERM", "xterm")
    assert can_draw(Console(force_terminal=True))
    assert not can_draw(Console(file=io.StringIO()))
