"""Faults of the adapter at the controller's end of a CAN bus, and of the bus as a whole.

Law of this file: each does one thing to the adapter or to the bus, for a while,
and then undoes it. What becomes of single frames is in ``can_faults``.
"""

from __future__ import annotations

import asyncio
from errno import ENODEV
from random import Random

import can

from tests.faults.can_faults import Befalls, lately, on_wire, untrue
from tests.faults.fault import (
    ALL_BOARDS,
    LINK,
    NOBODY,
    ON_THE_BUS,
    POOR,
    Fault,
    seconds,
    standing_on,
)
from tests.faults.railway import Railway
from tests.faults.wire import Frame, Port


async def repeat_itself(railway: Railway, random: Random) -> frozenset[str]:
    """The controller's computer stops, and its adapter sends the last frames again and again."""
    said: dict[tuple[int, bytes], Frame] = {}
    for frame in railway.wire.passed:
        if frame.by == "controller":
            said[frame.identifier, frame.data[3:4]] = frame
    stopped = Befalls(lambda frame: frame.by == "controller", lambda _: ())
    with on_wire(railway, stopped):
        until = railway.now + seconds(random)
        while railway.now < until:
            for frame in said.values():
                railway.wire.put(frame, troubled=False)
            await asyncio.sleep(0.25)
    return standing_on(boards=ALL_BOARDS)


async def cut(railway: Railway, random: Random) -> frozenset[str]:
    with on_wire(railway, Befalls(lambda _: True, lambda _: ())):
        await asyncio.sleep(seconds(random))
    return ON_THE_BUS


async def unplug(railway: Railway, random: Random) -> frozenset[str]:
    wire = railway.wire
    wire.unplugged = True
    for adapter in wire.adapters:
        adapter.say(OSError(ENODEV, "no such device"))
    await asyncio.sleep(seconds(random))
    wire.unplugged = False
    return ON_THE_BUS


async def bus_off(railway: Railway, random: Random) -> frozenset[str]:
    for adapter in railway.wire.adapters:
        adapter.say(
            can.Message(arbitration_id=0x44, is_error_frame=True, data=bytes(8), check=False)
        )
    railway.wire.full = True
    await asyncio.sleep(seconds(random))
    railway.wire.full = False
    return ON_THE_BUS


async def fill_up(railway: Railway, random: Random) -> frozenset[str]:
    """The adapter takes no frame."""
    railway.wire.full = True
    await asyncio.sleep(seconds(random))
    railway.wire.full = False
    return standing_on(boards=ALL_BOARDS)


async def crawl(railway: Railway, random: Random) -> frozenset[str]:
    """The adapter takes a few frames now and then: too few for all that is to be said."""
    pause, until = random.choice((0.02, 0.05, 0.1)), railway.now + 2 * seconds(random)
    while railway.now < until:
        railway.wire.full = True
        await asyncio.sleep(pause)
        railway.wire.full = False
        await asyncio.sleep(0.003)
    return NOBODY


async def babble(railway: Railway, random: Random) -> frozenset[str]:
    """A board sends without end: above all others, below all others, or among them."""
    kind = random.randrange(4)
    model = lately(railway, random)

    def made() -> Frame:
        if kind == 0:
            return Frame(0x000, random.randbytes(random.choice((4, 8))))
        if kind == 1:
            return Frame(0x7EF, random.randbytes(8))
        if kind == 2:
            return Frame(random.randrange(0x7F0), random.randbytes(8))
        return untrue(model)

    port = Port(railway.wire, "babbler", lambda _: None)

    def again() -> None:
        if port in railway.wire.ports:
            port.send(made(), again)

    again()
    await asyncio.sleep(seconds(random) / 2)
    port.leave()
    return NOBODY


ADAPTER_FAULTS = (
    Fault(name="CAN: adapter repeats itself", make=repeat_itself),
    Fault(name="CAN: bus cut", make=cut, promised=LINK),
    Fault(name="CAN: adapter pulled out", make=unplug, promised=LINK),
    Fault(name="CAN: adapter bus-off", make=bus_off, promised=LINK),
    Fault(name="CAN: adapter takes nothing", make=fill_up, promised=LINK),
    Fault(name="CAN: adapter takes a frame now and then", make=crawl, promised=POOR),
    Fault(name="CAN: board babbles", make=babble, promised=LINK),
)
