"""Faults of a broker and of connections to it; and of the clock on the wall.

Law of this file: each does one thing to the broker or to a connection, for a
while, and then undoes it. What only somebody who means harm would do is not done.
"""

from __future__ import annotations

import asyncio
import time
from random import Random
from unittest import mock

from attrs import evolve

from tests.faults.fault import (
    ALL_NODES,
    AT_THE_BROKER,
    LINK,
    NOBODY,
    POOR,
    Fault,
    seconds,
)
from tests.faults.mqtt_faults import recorded, untrue
from tests.faults.railway import Railway


async def kill(railway: Railway, random: Random) -> frozenset[str]:
    railway.post.kill()
    await asyncio.sleep(seconds(random))
    railway.post.start()
    return AT_THE_BROKER


async def freeze(railway: Railway, random: Random) -> frozenset[str]:
    railway.post.freeze()
    await asyncio.sleep(seconds(random))
    railway.post.thaw()
    return AT_THE_BROKER


async def stutter(railway: Railway, random: Random) -> frozenset[str]:
    """The broker stands still again and again, and gives all that has come in meanwhile at once."""
    pause, until = random.choice((0.1, 0.3, 0.6)), railway.now + 2 * seconds(random)
    while railway.now < until:
        railway.post.freeze()
        await asyncio.sleep(pause)
        railway.post.thaw()
        await asyncio.sleep(0.005)
    return NOBODY


async def break_off(railway: Railway, random: Random) -> frozenset[str]:
    """Some connections break; the wills come at once, late or never."""
    for name in random.sample(["shed", "yard", *ALL_NODES], random.choice((1, 1, 2, 5))):
        session = railway.session(name)
        if session is not None:
            railway.post.cut(session, random.choice((0.0, 1.0, 5.0, None)))
    await asyncio.sleep(random.choice((0.01, 0.3, 2.0)))
    return NOBODY


async def storm(railway: Railway, random: Random) -> frozenset[str]:
    """Somebody publishes without end: rubbish, and what was recorded."""
    past = recorded(railway)
    count = random.choice((200, 1000))
    for number in range(count):
        message = random.choice(past)
        if random.random() < 0.5:
            message = evolve(message, payload=random.randbytes(random.choice((0, 20, 300))))
        for session in list(railway.post.sessions):
            if message.topic in session.topics:
                railway.post.deliver(untrue(message), session)
        if number % 20 == 0:
            await asyncio.sleep(0.01)
    return NOBODY


# -- the clock on the wall


async def jump(railway: Railway, random: Random) -> frozenset[str]:  # noqa: ARG001
    """The clock on the wall is put forward, or back, as by a time server."""
    by = random.choice((-1, 1)) * random.choice((1, 3600, 1e6, 1e9))
    started = time.time()
    with (
        mock.patch("time.time", lambda: started + by),
        mock.patch("time.time_ns", lambda: int((started + by) * 1e9)),
    ):
        await asyncio.sleep(random.choice((0.1, 0.5)))
    return NOBODY


BROKER_FAULTS = (
    Fault(name="MQTT: broker killed", make=kill, promised=LINK, weight=2),
    Fault(name="MQTT: broker frozen", make=freeze, promised=LINK, weight=2),
    Fault(name="MQTT: broker stands still again and again", make=stutter, promised=POOR),
    Fault(name="MQTT: connections broken", make=break_off, promised=LINK, weight=3),
    Fault(name="MQTT: storm", make=storm, promised=LINK),
    Fault(name="clock on the wall put forward or back", make=jump, weight=2),
)
