"""The picture on a terminal: true to what runs, whole at 80 by 24, told without colour too."""

from __future__ import annotations

import asyncio
import io

import pytest
from rich.console import Console

from signalling.controller.clock import paced
from signalling.demo.display import Frame, aspect_code
from signalling.demo.run import Demo, load_merrow_bay
from signalling.demo.scene import AWAY, SCENE, Away, Gap
from signalling.demo.watch import Pace, progress, screen
from signalling.practice.load import load_practice
from signalling.table.table import Table


@pytest.fixture(scope="module")
def table() -> Table:
    return load_merrow_bay()


def demo_after(table: Table, seconds: float) -> Demo:
    demo = Demo(table)
    with asyncio.Runner(loop_factory=paced(None)) as runner:
        runner.run(demo.run(seconds))
    return demo


def picture(demo: Demo, width: int = 80, height: int = 24) -> list[str]:
    console = Console(width=width, height=height, record=True, file=io.StringIO())
    console.print(Frame(demo, "4 times real time"))
    return console.export_text().splitlines()


def test_everything_is_drawn_once(table: Table) -> None:
    drawn = [item for row in SCENE for item in row.items if isinstance(item, str)]
    assert sorted(drawn) == sorted([*table.layout.blocks, *table.layout.signals])
    beyond = {item.exit for row in SCENE for item in row.items if isinstance(item, Away)}
    assert beyond == set(AWAY)
    assert max(len(row.items) for row in SCENE) == len(SCENE[0].items)
    assert Gap.BLOCK in SCENE[0].items


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 30), (200, 60)])
def test_a_picture_shows_every_train_signal_and_block(
    table: Table, width: int, height: int
) -> None:
    demo = demo_after(table, 90)
    lines = picture(demo, width, height)
    assert len(lines) == height
    assert all(len(line) <= width for line in lines)
    text = "\n".join(lines)
    words = text.replace("■", " ").replace("·", " ").replace("/", " ").split()
    for name in (*table.layout.blocks, *table.layout.signals):
        assert name in words, name
    for train in demo.world.trains:
        assert f"{train.name} " in text
    assert "Merrow Bay" in lines[0]
    assert "0:01:30" in lines[0]
    assert f"stops applied {demo.world.record().stops_applied}" in text
    assert "wrong side 0" in text


def test_aspects_are_the_letters_of_their_lamps(table: Table) -> None:
    demo = demo_after(table, 90)
    text = "\n".join(picture(demo))
    snapshot = demo.snapshot
    assert snapshot is not None
    heads = {row.signal: table.practice.heads[row.head] for row in table.rows}
    for code in ("R", "Y", "YY", "G"):
        expected = sum(
            aspect_code(heads[signal], aspect) == code
            for signal, aspect in snapshot.aspects.items()
        )
        rightwards, leftwards = f"─{code:>2}▸", f"◂{code:<2}─"
        assert text.count(rightwards) + text.count(leftwards) == expected, code
    flashing = load_practice("house").heads["three-flashing"]
    assert aspect_code(flashing, "preliminary-caution") == "Y*"


def test_before_anything_is_known_it_says_so(table: Table) -> None:
    lines = picture(Demo(table))
    assert len(lines) == 24
    assert "at danger until every detector has been read" in "\n".join(lines)


def test_what_happens_is_told(table: Table) -> None:
    demo = demo_after(table, 240)
    told = "\n".join(notice.text for notice in demo.notices)
    for part in ("The signaller asks for turnout", "The next train is to call", "may leave"):
        assert part in told
    assert demo.notices[-1].text in "\n".join(picture(demo))


def test_the_screen_draws_while_it_runs(table: Table) -> None:
    demo = Demo(table)
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80, height=24)
    with (
        screen(demo, 1e9, console) as watch,
        asyncio.Runner(loop_factory=paced(None)) as runner,
    ):
        runner.run(demo.run(5, watch))
    assert "Merrow Bay" in out.getvalue()


def test_progress_is_said_by_quarters(table: Table) -> None:
    demo = Demo(table)
    said: list[str] = []
    with (
        progress(demo, 20, None, said.append) as watch,
        asyncio.Runner(loop_factory=paced(None)) as runner,
    ):
        runner.run(demo.run(20, watch))
    assert said[1:] == [f"{seconds} s of 20 s run." for seconds in (5, 10, 15, 20)]


def test_a_pace_waits_until_the_time_has_come(table: Table) -> None:
    demo = Demo(table)
    clock = [100.0]

    def sleep(seconds: float) -> None:
        clock[0] += seconds

    pace = Pace(demo, 2.0, now=lambda: clock[0], sleep=sleep)
    demo.world.advance(10_000_000_000)
    pace.wait()
    assert clock[0] == pytest.approx(105)
    # A railway that is very late does not rush to catch up.
    clock[0] += 60
    pace.wait()
    demo.world.advance(11_000_000_000)
    pace.wait()
    assert clock[0] == pytest.approx(165.5)
    demo.stop()
    demo.world.advance(100_000_000_000)
    pace.wait()
    assert clock[0] == pytest.approx(165.5), "told to stop, it waits no more"
