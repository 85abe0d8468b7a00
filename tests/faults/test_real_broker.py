"""Faults that need a real broker: killed, frozen, flooded, with retained messages of yesterday.

Few, in real time, on a real Mosquitto; the many are in ``test_campaign.py``. A
train is made to come into a block while the fault lasts: whatever the broker
does, the signal that leads to it is at danger within the promised time, and all
is as before when the fault has gone.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from random import Random

import aiomqtt
import pytest

from tests.conftest import Broker
from tests.faults.fault import LINK
from tests.mixed.hall import Hall
from tests.mixed.losses import APPLIED, CLEAR
from tests.mixed.tern import COIL
from tests.mixed.test_losses_on_real_wires import all_clear

SEED = 3
MARGIN = 2.0
"""Seconds that a busy machine may add to what is promised, and no more."""


@contextlib.asynccontextmanager
async def killed(hall: Hall) -> AsyncIterator[None]:
    hall.broker.kill()
    yield
    hall.broker.start()


@contextlib.asynccontextmanager
async def frozen(hall: Hall) -> AsyncIterator[None]:
    hall.broker.freeze()
    yield
    hall.broker.thaw()


@contextlib.asynccontextmanager
async def with_retained_messages(hall: Hall) -> AsyncIterator[None]:
    """All that was said is kept by a broker that starts again, and nobody says it anew."""
    recorded = {topic: payload for node in hall.nodes.values() for topic, payload in node.said}
    recorded[COIL] = json.dumps({"on": False}).encode()
    for node in hall.nodes.values():
        node.frozen = True
    hall.foreign = False
    hall.broker.kill()
    hall.broker.start()
    async with aiomqtt.Client("127.0.0.1", hall.broker.port) as client:
        for topic, payload in recorded.items():
            await client.publish(topic, payload, qos=1, retain=True)
        yield
        for topic in recorded:
            await client.publish(topic, b"", qos=1, retain=True)
    for node in hall.nodes.values():
        node.frozen = False
    hall.foreign = True


@contextlib.asynccontextmanager
async def flooded(hall: Hall) -> AsyncIterator[None]:
    """Somebody publishes recordings and rubbish without end; the harbour's node says nothing."""
    hall.nodes["harbour"].frozen = True
    said = [each for node in hall.nodes.values() for each in node.said]
    random = Random(SEED)

    async def publish() -> None:
        async with aiomqtt.Client("127.0.0.1", hall.broker.port) as client:
            while True:
                topic, payload = random.choice(said)
                rubbish = random.randbytes(random.choice((0, 20, 300)))
                await client.publish(topic, random.choice((payload, rubbish)))
                # Else this loop, which the other ends share, would do nothing besides.
                await asyncio.sleep(0.0005)

    storm = asyncio.create_task(publish(), name="storm")
    yield
    storm.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await storm
    hall.nodes["harbour"].frozen = False


@pytest.mark.parametrize("fault", [killed, frozen, with_retained_messages, flooded])
async def test_a_train_that_comes_meanwhile_finds_the_signal_at_danger(
    fault: Callable[[Hall], contextlib.AbstractAsyncContextManager[None]],
    broker: Broker,
    tmp_path: Path,
) -> None:
    async with Hall(broker, tmp_path, "virtual") as hall:
        await all_clear(hall)
        harbour = hall.nodes["harbour"]
        async with fault(hall):
            # Nobody may learn of this train but by what the fault leaves of the link.
            harbour.report("detector", h2="occupied")
            async with asyncio.timeout(LINK + MARGIN):
                while hall.aspects["H1"] != "danger":
                    await asyncio.sleep(0.005)
            # What recordings and a broker of yesterday say does not bring it off again.
            for _ in range(100):
                assert hall.aspects["H1"] == "danger"
                await asyncio.sleep(0.005)
        harbour.report("detector", h2="clear")
        await all_clear(hall)
        assert (hall.aspects, hall.applied) == (CLEAR, APPLIED)


async def test_many_kills_and_freezes_one_after_another(broker: Broker, tmp_path: Path) -> None:
    random = Random(SEED)

    async def kill(pause: float) -> None:
        broker.kill()
        await asyncio.sleep(pause)
        broker.start()

    async def freeze(pause: float) -> None:
        broker.freeze()
        await asyncio.sleep(pause)
        broker.thaw()

    faults: tuple[Callable[[float], Awaitable[None]], ...] = (kill, freeze)
    async with Hall(broker, tmp_path, "virtual") as hall:
        await all_clear(hall)
        for _ in range(6):
            await random.choice(faults)(random.uniform(0.0, 0.4))
        await all_clear(hall)
        bus = next(link for link in hall.controller.status().links if link.name == "bus")
        assert bus.counters.lost == 0
