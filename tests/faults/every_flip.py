"""Every single bit and every pair of bits, turned over: of a frame of each class, of messages.

Law of this file: no chance. The altered frames come between the true ones, to
the controller and to all boards of a railway at work; so do altered messages of
our own MQTT schema, of which there are too many pairs of bits to try more than
neighbours.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator
from itertools import combinations
from random import Random
from typing import TypeVar

from tests.faults.can_faults import bits_of, flipped
from tests.faults.mqtt_faults import recorded
from tests.faults.post import altered
from tests.faults.railway import Railway
from tests.faults.wire import Frame
from transports.can.frames import encode
from transports.can.schema import load_schema

AT_ONCE = 60
"""Altered frames that come in one moment."""
MOMENT = 0.005
_CLASS_SHIFT = 7
_FOR_ALL = ("AllDanger", "Identify")

Item = TypeVar("Item")


def models(railway: Railway) -> Iterator[Frame]:
    """Yield a frame of each class: one that has just passed, or else one that might."""
    passed = {frame.identifier >> _CLASS_SHIFT: frame for frame in railway.wire.passed}
    for number, shape in load_schema().shapes.items():
        frame = passed.get(number)
        if frame is None:
            node = 0 if shape.name in _FOR_ALL else 1
            frame = Frame(*encode(shape.name, node, counter=1000))
        yield frame


def alterations(frame: Frame) -> Iterator[Frame]:
    for bit in bits_of(frame):
        yield flipped(frame, bit)
    for pair in combinations(bits_of(frame), 2):
        yield flipped(frame, *pair)


async def flip_every_bit_of_frames(railway: Railway, _: Random) -> int:
    """Let them all come; return how many there were."""
    count = 0
    for frame in list(models(railway)):
        for some in _in_groups(alterations(frame)):
            for each in some:
                railway.wire.put(each, troubled=False)
            count += len(some)
            await asyncio.sleep(MOMENT)
    return count


def altered_payloads(payload: bytes) -> Iterator[bytes]:
    """Yield a payload with each bit, and each pair of neighbouring bits, turned over."""
    for bit in range(8 * len(payload)):
        for width in (1, 2):
            altered = bytearray(payload)
            for each in range(bit, min(bit + width, 8 * len(payload))):
                altered[each // 8] ^= 1 << each % 8
            yield bytes(altered)


async def flip_every_bit_of_messages(railway: Railway, _: Random) -> int:
    """The same for the newest message of each topic of our own schema."""
    newest = {message.topic: message for message in recorded(railway)}
    count = 0
    for message in newest.values():
        for some in _in_groups(altered_payloads(message.payload)):
            for payload in some:
                for session in railway.post.sessions:
                    if message.topic in session.topics:
                        wrong = altered(message, payload)
                        railway.post.deliver(wrong, session, troubled=False)
            count += len(some)
            await asyncio.sleep(MOMENT)
    return count


def _in_groups(items: Iterable[Item]) -> Iterator[list[Item]]:
    group: list[Item] = []
    for item in items:
        group.append(item)
        if len(group) == AT_ONCE:
            yield group
            group = []
    if group:
        yield group
