"""The scripts of one station run as they stand, with trains on a loopback and a quick clock."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import runpy
from collections.abc import Awaitable, Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

import signalling
from signalling import Controller, Order, PacedLoop, Refusal, device, load_table
from transports import LoopbackBench

EXAMPLES = Path(__file__).parent.parent / "examples"
LAYOUT = EXAMPLES / "station.toml"
AUTOMATIC = ("X", "E")
"""Signals for which nobody asks."""


class Yard:
    """Fulmar Bay's hardware: motors that take a second, detectors, buttons, and who runs trains."""

    def __init__(self) -> None:
        self.bench = LoopbackBench(self._ordered)
        self.shown: dict[str, str] = {}
        self.times: list[tuple[float, str]] = []
        """When signals came off, in seconds."""
        self._news = asyncio.Event()

    def _ordered(self, order: Order) -> None:
        match order.device.kind:
            case "turnout":
                asyncio.get_running_loop().call_later(
                    1.5, self.bench.report, order.device, order.value
                )
            case "signal":
                if self.shown.get(order.device.name) == "danger" != order.value:
                    self.times.append((asyncio.get_running_loop().time(), order.device.name))
                self.shown[order.device.name] = order.value
                self._news.set()

    def begin(self, *occupied: str) -> None:
        """Let everything say how it stands."""
        layout = load_table(LAYOUT).layout
        for name in layout.detectors:
            self.say("detector", name, "occupied" if name in occupied else "clear")
        for name in layout.turnouts:
            self.say("turnout", name, "normal")
        for name in layout.buttons:
            self.say("button", name, "released")

    def say(self, kind: str, name: str, value: str) -> None:
        self.bench.report(device(f"{kind} {name}"), value)

    async def press(self, button: str) -> None:
        self.say("button", button, "pressed")
        await asyncio.sleep(0.2)
        self.say("button", button, "released")

    async def run(self, *blocks: str) -> None:
        """Run a short train along blocks, beginning in the first."""
        for rear, ahead in pairwise(blocks):
            self.say("detector", ahead, "occupied")
            await asyncio.sleep(2)
            self.say("detector", rear, "clear")
            await asyncio.sleep(2)

    async def off(self, signal: str) -> float:
        """Wait until a signal is off; return when it came off."""
        while self.shown.get(signal, "danger") == "danger":
            self._news.clear()
            await self._news.wait()
        return max(at for at, name in self.times if name == signal)


@pytest.fixture
def play(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[[str, Yard, Callable[[], Awaitable[None]]], None]:
    """A script runs with a yard, until what happens there has happened."""

    def playing(script: str, yard: Yard, happens: Callable[[], Awaitable[None]]) -> None:
        made = functools.partial(
            Controller, transports=yard.bench, state=tmp_path / "out-of-use.json"
        )
        monkeypatch.setattr(signalling, "Controller", made)

        async def both(main: Awaitable[None]) -> None:
            running = asyncio.ensure_future(main)
            try:
                async with asyncio.timeout(3600):
                    await happens()
                assert not running.done(), "the script goes on for ever"
            finally:
                running.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await running

        def run(main: Awaitable[None]) -> None:
            with quick_loop() as loop:
                loop.run_until_complete(both(main))

        monkeypatch.setattr(asyncio, "run", run)
        runpy.run_path(str(EXAMPLES / script), run_name="__main__")

    return playing


@contextlib.contextmanager
def quick_loop() -> Iterator[asyncio.AbstractEventLoop]:
    loop = PacedLoop(None)
    try:
        yield loop
    finally:
        loop.close()


Play = Callable[[str, Yard, Callable[[], Awaitable[None]]], None]


@pytest.mark.parametrize("script", ["departure.py", "shuttle.py", "platforms.py"])
def test_a_script_is_short(script: str) -> None:
    assert len((EXAMPLES / script).read_text("utf-8").splitlines()) < 40


@pytest.mark.parametrize("pressed_after", [10, 50])
def test_a_departure_waits_for_the_press_and_the_dwell_time(
    play: Play, capsys: pytest.CaptureFixture[str], pressed_after: int
) -> None:
    yard = Yard()
    arrived = left = 0.0

    async def happens() -> None:
        nonlocal arrived, left
        loop = asyncio.get_running_loop()
        yard.begin()
        await asyncio.sleep(5)
        await yard.press("guard")  # nobody is there: it counts for no train
        await asyncio.sleep(60)
        yard.say("detector", "p1", "occupied")
        arrived = loop.time()
        await asyncio.sleep(pressed_after)
        await yard.press("guard")
        left = await yard.off("P1")
        await yard.run("p1", "e1", "b0", "b1", "b2")
        await asyncio.sleep(5)

    play("departure.py", yard, happens)
    assert left - arrived == pytest.approx(max(30, pressed_after), abs=1)
    assert [name for _, name in yard.times if name not in AUTOMATIC] == ["P1"]
    assert capsys.readouterr().out.splitlines() == [
        "A train has arrived.",
        "P1/main: set ",
        "P1/main: set ",
        "It has left.",
    ]


def test_a_shuttle_goes_out_and_comes_back(play: Play, capsys: pytest.CaptureFixture[str]) -> None:
    yard = Yard()

    async def happens() -> None:
        yard.begin("p2")
        for _ in range(2):
            await yard.off("P2")
            await yard.run("p2", "e2", "s1", "s2", "h1")
            await yard.off("H")
            await yard.run("h1", "s2", "s1")
            await yard.off("B")
            await yard.run("s1", "e2", "p2")

    play("shuttle.py", yard, happens)
    off = [name for _, name in yard.times if name not in AUTOMATIC]
    # H and B come off in one instant.
    assert [off[0], {*off[1:3]}, off[3], {*off[4:]}] == ["P2", {"H", "B"}] * 2
    out = ["P2/branch: set ", "In h1."]
    back = ["H/branch: set ", "B/branch: set ", "In p2."]
    assert capsys.readouterr().out.splitlines()[:9] == [*out, *back, *out, *back[:2]]


def test_a_platform_is_chosen_for_each_train(
    play: Play, capsys: pytest.CaptureFixture[str]
) -> None:
    yard = Yard()

    async def happens() -> None:
        yard.begin()
        await asyncio.sleep(5)
        for platform in ("p1", "p3"):
            yard.say("detector", "a1", "occupied")
            await asyncio.sleep(2)
            yard.say("detector", "a2", "occupied")
            await yard.off("A")
            yard.say("detector", "a1", "clear")
            await yard.run("a2", "w1", platform)
            await asyncio.sleep(30)
        yard.say("detector", "a1", "occupied")
        await yard.run("a1", "a2")
        await asyncio.sleep(60)
        assert yard.shown["A"] == "danger", "both are occupied"
        await yard.press("guard")
        await yard.press("leave")
        await yard.off("P1")
        await yard.run("p1", "e1", "b0", "b1", "b2")
        await yard.off("A")

    play("platforms.py", yard, happens)
    printed = capsys.readouterr().out.splitlines()
    assert [line for line in printed if line.startswith("set")][:2] == [
        "set: A/main",
        "set: A/loop",
    ]
    assert any("block p1 is occupied" in line for line in printed)


async def test_until_waits_for_what_holds_and_what_does_not() -> None:
    yard = Yard()
    async with Controller(load_table(LAYOUT), yard.bench) as controller:
        await controller.until("block p1 occupied")  # nothing is known of it
        yard.begin()
        await controller.until("block p1 occupied", holds=False)
        waiting = asyncio.create_task(controller.until("block p1 occupied"))
        await asyncio.sleep(100)
        assert not waiting.done()
        yard.say("detector", "p1", "occupied")
        await waiting
        with pytest.raises(KeyError, match="block p9 occupied"):
            await controller.until("block p9 occupied")
        for_ever = asyncio.create_task(controller.until("route P1/main off"))
        await asyncio.sleep(1)
        assert not isinstance(controller.request(signalling.HoldSignal("P1")), Refusal)
    with pytest.raises(asyncio.CancelledError):
        await for_ever
    with pytest.raises(RuntimeError):
        await controller.until("block p1 occupied")
