"""From a layout file to aspects on a real broker, with foreign clients at the other end."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import pytest

from signalling.controller import Controller
from tests.conftest import Broker, Listener, until
from transports.link import LinkState

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

GANNET = """
[layout]
name = "Gannet Point"
practice = "uk"
hold_off = 0.1
[blocks]
d1 = { length = 2400 }
d2 = { length = 2400 }
j1 = { length = 900 }
d3 = { length = 2400 }
q1 = { length = 1800 }
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > j1[t1 normal] > d3 > d1"
quay = "d2 > j1[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > j1", aspects = 4, routes = { quay = { indicator = 4 } } }
M3 = { at = "d3 > d1", aspects = 3 }
[stops]
S2 = { signal = "M2" }
[transports.club]
kind = "mqtt"
host = "127.0.0.1"
port = PORT
base = "gannet"
lost_after = 0.6
[transports.club.publishers.bridge]
topic = "bridge/state"
[[bindings]]
device = ["detector *", "signal *", "turnout *", "indicator *", "stop *"]
transport = "club"
[[bindings]]
device = "detector *"
transport = "club"
report = { topic = "bridge/{name}", publisher = "bridge", pointer = "/state", values = \
{ occupied = "ON", clear = "OFF" } }
"""

BLOCKS = ("d1", "d2", "j1", "d3", "q1")
SIGNALS = ("M1", "M2", "M3")
DANGER = ("danger", "danger", "danger")


class Hall:
    """The hardware of the hall, as foreign clients of its broker."""

    def __init__(self, broker: Broker, listener: Listener) -> None:
        self.broker = broker
        self.listener = listener

    async def detect(self, value: str, *blocks: str, options: tuple[str, ...] = ()) -> None:
        for block in blocks:
            payload = f'{{"state": "{value}", "since": 3}}'
            await self.broker.publish(f"bridge/{block}", payload, *options)

    async def lie(self, lie: str) -> None:
        await self.broker.publish("gannet/report/turnout/t1", lie)

    async def everything_clear(self) -> None:
        await self.detect("OFF", *BLOCKS)
        await self.lie("normal")

    @property
    def aspects(self) -> tuple[str | None, ...]:
        return tuple(self.told("signal", name) for name in SIGNALS)

    def told(self, kind: str, name: str) -> str | None:
        return self.listener.latest.get(f"gannet/order/{kind}/{name}")

    async def shows(self, *aspects: str) -> None:
        await until(lambda: self.aspects == aspects, f"aspects {aspects}", self.listener.latest)


@pytest.fixture
async def hall(broker: Broker) -> Hall:
    return Hall(broker, await broker.listen("gannet/order/#"))


@pytest.fixture
def layout(broker: Broker, tmp_path: Path) -> Path:
    path = tmp_path / "gannet.toml"
    path.write_text(GANNET.replace("PORT", str(broker.port)))
    return path


@contextlib.asynccontextmanager
async def running(layout: Path) -> AsyncIterator[Controller]:
    """A controller whose link is up: what is said before that, nobody hears."""
    async with Controller(layout) as controller:
        await link_up(controller)
        yield controller


async def link_up(controller: Controller) -> None:
    links = controller.status
    await until(lambda: links().links[0].state is LinkState.UP, "the link", links())


async def test_reports_in_and_aspects_out(layout: Path, hall: Hall) -> None:
    async with running(layout):
        await hall.shows(*DANGER)
        assert hall.told("stop", "S2") == "applied"
        await hall.everything_clear()
        await hall.shows("clear", "clear", "clear")
        await until(lambda: hall.told("stop", "S2") == "lifted", "the stop is lifted")
        await hall.detect("ON", "d3")
        # M2 leads to d3. A three-aspect signal shows clear when the next one is off.
        await hall.shows("caution", "danger", "clear")
        assert hall.told("stop", "S2") == "applied"
        await hall.lie("reverse")
        await until(lambda: hall.told("indicator", "M2") == "4", "the indicator is lit")
    await hall.shows(*DANGER)
    assert hall.told("stop", "S2") == "applied"
    assert hall.told("indicator", "M2") == "dark"


async def test_a_killed_broker_puts_signals_to_danger_until_fresh_reports(
    layout: Path, hall: Hall
) -> None:
    async with running(layout) as controller:
        await hall.everything_clear()
        await hall.shows("clear", "clear", "clear")
        hall.broker.kill()
        aspects = controller.interlocking.snapshot
        await until(lambda: set(aspects().aspects.values()) == {"danger"}, "danger by itself")
        hall.broker.start()
        await link_up(controller)
        await hall.shows(*DANGER)
        # Back, and nothing said yet: still at danger, however long it takes.
        await asyncio.sleep(0.3)
        assert hall.aspects == DANGER
        await hall.detect("OFF", *BLOCKS)
        await asyncio.sleep(0.3)
        # All but the turnout is known again; M2 and what leads to it stay restricted.
        assert hall.told("signal", "M2") == "danger"
        await hall.lie("normal")
        await hall.shows("clear", "clear", "clear")


async def test_a_frozen_broker_is_a_lost_link(layout: Path, hall: Hall) -> None:
    async with running(layout) as controller:
        await hall.everything_clear()
        await hall.shows("clear", "clear", "clear")
        hall.broker.freeze()
        aspects = controller.interlocking.snapshot
        await until(lambda: set(aspects().aspects.values()) == {"danger"}, "danger by itself")
        assert controller.status().links[0].state is not LinkState.UP
        hall.broker.thaw()
        await hall.shows(*DANGER)
        await hall.everything_clear()
        await hall.shows("clear", "clear", "clear")


async def test_retained_reports_of_yesterday_clear_nothing(layout: Path, hall: Hall) -> None:
    await hall.detect("OFF", *BLOCKS, options=("-r",))
    await hall.broker.publish("bridge/state", "online", "-r")
    async with running(layout) as controller:
        await hall.lie("normal")
        await until(lambda: controller.status().links[0].counters.received == 1, "the lie")
        await asyncio.sleep(0.3)
        await hall.shows(*DANGER)
        await hall.broker.publish("bridge/state", "online", "-r")
        await hall.shows("clear", "clear", "clear")
        await hall.broker.publish("bridge/state", "offline", "-r")
        await hall.shows(*DANGER)


async def test_rubbish_from_a_detector_counts_as_occupied(layout: Path, hall: Hall) -> None:
    async with running(layout):
        await hall.everything_clear()
        await hall.shows("clear", "clear", "clear")
        await hall.broker.publish("bridge/d2", "purple")
        await hall.shows("danger", "preliminary-caution", "caution")
        await hall.detect("OFF", "d2")
        await hall.shows("clear", "clear", "clear")
