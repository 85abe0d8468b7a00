"""Faults of several things at once, and of the controller itself.

Law of this file: each joins faults of the other files, or takes away what all of
them leave at work.
"""

from __future__ import annotations

import asyncio
from random import Random

from tests.faults.adapter_faults import ADAPTER_FAULTS
from tests.faults.broker_faults import BROKER_FAULTS
from tests.faults.can_faults import CAN_FAULTS
from tests.faults.fault import (
    ALL_BOARDS,
    ALL_NODES,
    LINK,
    NOBODY,
    POOR,
    Fault,
    relying,
    seconds,
    standing_on,
)
from tests.faults.mqtt_faults import MQTT_FAULTS, replace
from tests.faults.railway import Railway
from tests.mixed.tern import ROUTES


async def two_at_once(railway: Railway, random: Random) -> frozenset[str]:
    """One fault on CAN and one on MQTT begin together; each ends in its own time."""
    can = random.choice((*CAN_FAULTS, *ADAPTER_FAULTS))
    mqtt = random.choice((*MQTT_FAULTS, *BROKER_FAULTS))
    await asyncio.gather(*(each.make(railway, Random(random.random())) for each in (can, mqtt)))
    return NOBODY  # how long each has lasted is not known here; the judge looks at all signals


async def lose_power(railway: Railway, random: Random) -> frozenset[str]:
    """A supply fails, and with it some boards and nodes, or all; with a broker now and then."""
    boards = random.sample(ALL_BOARDS, random.randint(1, len(ALL_BOARDS)))
    nodes = random.sample(ALL_NODES, random.randint(1, len(ALL_NODES)))
    lasts, broker = seconds(random), random.random() < 0.3
    for name in boards:
        railway.boards[name].power_off()
    if broker:
        railway.post.kill()
    await asyncio.gather(*(replace(railway, name, lasts) for name in nodes))
    if broker:
        railway.post.start()
    for name in boards:
        railway.boards[name].power_on()
    return relying(boards=boards, nodes=nodes) | standing_on(boards=boards, nodes=nodes)


async def kill_the_controller(railway: Railway, random: Random) -> frozenset[str]:
    """The controller ends without a word, and another is started, which knows nothing."""
    await railway.lose_the_controller()
    await asyncio.sleep(seconds(random))
    await railway.start_a_controller()
    return frozenset(ROUTES)


JOINT_FAULTS = (
    Fault(name="one fault on CAN and one on MQTT", make=two_at_once, promised=POOR, weight=12),
    Fault(name="power lost", make=lose_power, promised=LINK, weight=2),
    Fault(name="controller killed and started again", make=kill_the_controller, weight=2),
)
