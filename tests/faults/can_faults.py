"""Faults of a CAN bus and of its boards.

Law of this file: each does one thing to the wire or to a board, for a while, and
then undoes it. Frames are altered on their way, as by a bad wire; what a board
would have to mean harm to do is not done.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from random import Random

import can
from attrs import evolve

from tests.faults.befall import PATIENCE, Befalling, during, out_of_order, twice, until_done
from tests.faults.boards import RunningBoard, double
from tests.faults.fault import (
    ALL_BOARDS,
    LINK,
    NOBODY,
    POOR,
    Fault,
    relying,
    seconds,
    standing_on,
)
from tests.faults.railway import Railway
from tests.faults.wire import Frame, Port, Trouble
from tests.mixed.tern import BOARDS
from transports.can.protect import check_sum

ID_BITS = 11


def flipped(frame: Frame, *bits: int) -> Frame:
    """Return a frame with some bits turned over; the first eleven are its identifier's."""
    identifier, number = frame.identifier, int.from_bytes(frame.data, "little")
    for bit in bits:
        if bit < ID_BITS:
            identifier ^= 1 << bit
        else:
            number ^= 1 << (bit - ID_BITS)
    data = number.to_bytes(len(frame.data), "little")
    return evolve(frame, identifier=identifier, data=data, says={})


def untrue(frame: Frame) -> Frame:
    """Return the same bytes, as something that nobody has just said."""
    return evolve(frame, says={}, still=None)


def bits_of(frame: Frame) -> range:
    return range(ID_BITS + 8 * len(frame.data))


class Befalls(Befalling[Frame]):
    """Something that befalls frames. One comes to each port of the wire, and is one to all."""

    _last: tuple[Frame, list[tuple[float, Frame]]] | None = None

    def __call__(self, frame: Frame, _: Port) -> Iterable[tuple[float, Frame]] | None:
        if self._last is None or self._last[0] is not frame:
            become = self.befall(frame)
            if become is None:
                return None
            self._last = (frame, become)
        return self._last[1]


def on_wire(railway: Railway, trouble: Trouble) -> contextlib.AbstractContextManager[None]:
    """Return a trouble on the wire, for a while."""
    return during(railway.wire.troubles, trouble)


async def befall(railway: Railway, befalls: Befalls, within: float = PATIENCE) -> None:
    """Let frames suffer until it is done, or for so long."""
    with on_wire(railway, befalls):
        await until_done(railway, befalls, within)


def lately(railway: Railway, random: Random) -> Frame:
    """Return a frame that has passed of late."""
    passed = railway.wire.passed
    return passed[random.randrange(max(0, len(passed) - 100), len(passed))]


def some_of(railway: Railway, random: Random) -> Callable[[Frame], bool]:
    """Choose a stream, a sender, or every frame."""
    model = lately(railway, random)
    kind = random.randrange(4)
    if kind == 0:
        return lambda frame: frame.by == model.by
    if kind == 1:
        return lambda _: True
    return lambda frame: (frame.identifier, frame.data[3:4]) == (model.identifier, model.data[3:4])


def any_board(railway: Railway, random: Random) -> tuple[str, RunningBoard]:
    name = random.choice(ALL_BOARDS)
    return name, railway.boards[name]


# -- bits, bytes, frames


def flips(count: int) -> Fault:
    async def make(railway: Railway, random: Random) -> frozenset[str]:
        def become(frame: Frame) -> list[tuple[float, Frame]]:
            bits = random.sample(bits_of(frame), count)
            return [(0.0, flipped(frame, *bits))]

        times = random.choice((1, 1, 1, 2, 6))
        await befall(railway, Befalls(some_of(railway, random), become, times))
        return NOBODY

    return Fault(name=f"CAN: {count} bit{'s' * (count > 1)} flipped", make=make, weight=6)


async def stick(railway: Railway, random: Random) -> frozenset[str]:
    """In every frame of a stream, or of a sender, the same one or two bits are wrong for a while.

    A frame that is wrong once is soon set right by the next; this is not.
    """
    chosen = some_of(railway, random)
    bits = random.sample(range(ID_BITS + 64), random.choice((1, 2)))

    def become(frame: Frame) -> list[tuple[float, Frame]]:
        return [(0.0, flipped(frame, *(bit for bit in bits if bit in bits_of(frame))))]

    def concerned(frame: Frame) -> bool:
        return chosen(frame) and any(bit in bits_of(frame) for bit in bits)

    with on_wire(railway, Befalls(concerned, become)):
        await asyncio.sleep(seconds(random))
    return NOBODY


async def lose(railway: Railway, random: Random) -> frozenset[str]:
    times = random.choice((1, 2, 3, 5, 12, 40))
    await befall(railway, Befalls(some_of(railway, random), lambda _: (), times), 3.0)
    return NOBODY


async def lose_by_chance(railway: Railway, random: Random) -> frozenset[str]:
    share = random.uniform(0.1, 0.6)
    await befall(railway, Befalls(lambda _: random.random() < share, lambda _: ()), seconds(random))
    return NOBODY


async def lose_at_one_end(railway: Railway, random: Random) -> frozenset[str]:
    """One receiver misses what all others hear."""
    port = random.choice(railway.wire.ports)
    share = random.choice((0.3, 0.6))

    def trouble(_: Frame, at: Port) -> Iterable[tuple[float, Frame]] | None:
        return () if at is port and random.random() < share else None

    with on_wire(railway, trouble):
        await asyncio.sleep(seconds(random))
    return NOBODY


async def duplicate(railway: Railway, random: Random) -> frozenset[str]:
    become = twice(random, untrue, (0.0, 0.002, 0.26, 0.6))
    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 3, 20))))
    await asyncio.sleep(0.6)
    return NOBODY


async def reorder(railway: Railway, random: Random) -> frozenset[str]:
    late = out_of_order(random)
    await befall(railway, Befalls(some_of(railway, random), late, random.choice((2, 5, 20))))
    await asyncio.sleep(0.6)
    return NOBODY


async def replay(railway: Railway, random: Random) -> frozenset[str]:
    """Frames that were recorded come again: one, two of a stream in a row, or a random few."""
    wire, passed = railway.wire, list(railway.wire.passed)
    first = random.choice(passed)
    kind = random.randrange(3)
    if kind == 2:
        chosen = random.sample(passed, min(12, len(passed)))
        apart: dict[tuple[int, bytes], Frame] = {}
        for frame in chosen:  # of each stream one: two and more in a row are another matter
            apart.setdefault((frame.identifier, frame.data[3:4]), frame)
        frames = list(apart.values())
    else:
        same = [each for each in passed if each.identifier == first.identifier]
        at = same.index(first)
        frames = same[at : at + 1 + kind]
    for frame in frames:
        wire.put(untrue(frame))
        await asyncio.sleep(random.choice((0.0, 0.001, 0.1)))
    return NOBODY


async def hoard(railway: Railway, random: Random) -> frozenset[str]:
    """An adapter, or a board's driver, hoards what arrives, and then gives it all, in order."""
    hoarding = random.choice(railway.wire.ports)
    hoard: list[Frame] = []

    def trouble(frame: Frame, port: Port) -> Iterable[tuple[float, Frame]] | None:
        if port is not hoarding:
            return None
        hoard.append(frame)
        return ()

    with on_wire(railway, trouble):
        await asyncio.sleep(seconds(random))
        at_once = random.random() < 0.5
        while hoard and hoarding in railway.wire.ports:
            frame = hoard.pop(0)
            hoarding.hear(frame)
            await asyncio.sleep(0.0 if at_once else frame.seconds / 2)
    return NOBODY


async def delay(railway: Railway, random: Random) -> frozenset[str]:
    """All that one end hears comes later, in its order, as through a slow gateway."""
    port, later = random.choice(railway.wire.ports), random.choice((0.2, 0.6, 0.9, 1.5, 3.0, 4.0))

    def trouble(frame: Frame, at: Port) -> Iterable[tuple[float, Frame]] | None:
        return [(later, frame)] if at is port else None

    with on_wire(railway, trouble):
        await asyncio.sleep(later + random.uniform(1.0, 8.0))
    await asyncio.sleep(later)
    return NOBODY


async def truncate(railway: Railway, random: Random) -> frozenset[str]:
    def become(frame: Frame) -> list[tuple[float, Frame]]:
        short = frame.data[: random.randrange(len(frame.data))]
        return [(0.0, evolve(frame, data=short, says={}))]

    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 1, 2, 5))))
    return NOBODY


async def oversize(railway: Railway, random: Random) -> frozenset[str]:
    """Frames that are too long, of CAN FD, without data, or with a length that is not theirs."""

    def become(frame: Frame) -> list[tuple[float, Frame]]:
        kind = random.randrange(4)
        longer = frame.data + random.randbytes(random.choice((1, 4, 56 - len(frame.data) + 8)))
        if kind == 0 and len(frame.data) < 8:
            return [(0.0, evolve(frame, data=longer[:8], says={}))]
        message = can.Message(
            arbitration_id=frame.identifier,
            is_extended_id=kind == 1,
            is_remote_frame=kind == 2,
            is_fd=kind in (0, 3),
            data=frame.data if kind == 1 else None if kind == 2 else longer[:64],
            dlc=len(frame.data) if kind == 2 else None,
            check=False,
        )
        return [(0.0, evolve(frame, message=message, says={}))]

    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 1, 2, 5))))
    return NOBODY


async def misaddress(railway: Railway, random: Random) -> frozenset[str]:
    """A frame arrives under another node's number, with or without a check sum that fits."""
    fits = random.random() < 0.5

    def become(frame: Frame) -> list[tuple[float, Frame]]:
        node = random.choice(
            [each for each in (0, 1, 2, 3, 4, 127) if each != frame.identifier & 127]
        )
        identifier, data = frame.identifier & ~127 | node, frame.data
        if fits:
            data = bytes([check_sum(identifier, data)]) + data[1:]
        return [(0.0, evolve(frame, identifier=identifier, data=data, says={}))]

    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 2))))
    return NOBODY


# -- boards


async def restart(railway: Railway, random: Random) -> frozenset[str]:
    _, board = any_board(railway, random)
    board.power_off()
    await asyncio.sleep(random.choice((0.0, 0.01, 0.3)))
    board.power_on()
    return NOBODY


async def die(railway: Railway, random: Random) -> frozenset[str]:
    name, board = any_board(railway, random)
    board.power_off()
    await asyncio.sleep(seconds(random))
    board.power_on()
    return relying(boards=[name]) | standing_on(boards=[name])


async def be_deaf(railway: Railway, random: Random) -> frozenset[str]:
    name, board = any_board(railway, random)
    board.deaf = True
    await asyncio.sleep(seconds(random))
    board.deaf = False
    return standing_on(boards=[name])


async def be_mute(railway: Railway, random: Random) -> frozenset[str]:
    name, board = any_board(railway, random)
    board.mute = True
    await asyncio.sleep(seconds(random))
    board.mute = False
    return relying(boards=[name])


async def be_off_the_bus(railway: Railway, random: Random) -> frozenset[str]:
    """A board's CAN controller is bus-off for a while, and recovers."""
    name, board = any_board(railway, random)
    board.deaf = board.mute = True
    await asyncio.sleep(seconds(random))
    board.deaf = board.mute = False
    board.rejoin()
    return relying(boards=[name]) | standing_on(boards=[name])


async def count_no_more(railway: Railway, random: Random) -> frozenset[str]:
    name, board = any_board(railway, random)
    board.stuck = True
    await asyncio.sleep(seconds(random))
    board.stuck = False
    return relying(boards=[name])


async def unread(railway: Railway, random: Random) -> frozenset[str]:
    """A detector cannot be read."""
    _, board = any_board(railway, random)
    detector = random.choice(list(board.detects))
    board.detect(detector, None)
    await asyncio.sleep(seconds(random))
    board.detect(detector, not railway.world.inside[detector])
    return relying(detectors=[detector])


async def unproved(railway: Railway, random: Random) -> frozenset[str]:
    """The lamps of a signal are out, or whether they are cannot be read; the aspect stands."""
    board = railway.boards[random.choice([name for name in ALL_BOARDS if BOARDS[name].proofs])]
    signal = random.choice(list(board.proves))
    board.prove(signal, random.choice((False, None)))
    await asyncio.sleep(seconds(random))
    board.prove(signal, True)  # noqa: FBT003 - a level
    return NOBODY


async def same_number(railway: Railway, random: Random) -> frozenset[str]:
    """Another board has the same number, and reads every detector clear."""
    _, board = any_board(railway, random)
    other = RunningBoard(double(board.board), railway.wire, random, lambda: None)
    other.detects = dict.fromkeys(other.detects, True)
    other.power_on()
    await asyncio.sleep(seconds(random))
    other.remove()
    return NOBODY


CAN_FAULTS = (
    flips(1),
    flips(2),
    Fault(name="CAN: the same bits wrong for a while", make=stick, promised=LINK, weight=3),
    Fault(name="CAN: frames lost", make=lose, promised=LINK, weight=6),
    Fault(name="CAN: frames lost by chance", make=lose_by_chance, promised=POOR, weight=2),
    Fault(name="CAN: frames lost at one end", make=lose_at_one_end, promised=POOR, weight=2),
    Fault(name="CAN: frames twice", make=duplicate, weight=3),
    Fault(name="CAN: frames out of order", make=reorder, weight=3),
    Fault(name="CAN: recorded frames again", make=replay, weight=6),
    Fault(name="CAN: frames hoarded at one end", make=hoard, weight=2),
    Fault(name="CAN: frames late at one end", make=delay, promised=POOR, weight=2),
    Fault(name="CAN: frames too short", make=truncate, weight=3),
    Fault(name="CAN: frames too long, or no data frames", make=oversize, weight=3),
    Fault(name="CAN: frames for another node", make=misaddress, weight=3),
    Fault(name="CAN: board restarted", make=restart, weight=2),
    Fault(name="CAN: board dead", make=die),
    Fault(name="CAN: board hears nothing", make=be_deaf),
    Fault(name="CAN: board says nothing", make=be_mute),
    Fault(name="CAN: board bus-off", make=be_off_the_bus),
    Fault(name="CAN: board's counters stuck", make=count_no_more),
    Fault(name="CAN: detector not read", make=unread, weight=2),
    Fault(name="CAN: lamps not proved", make=unproved),
    Fault(name="CAN: two boards of one number", make=same_number),
)
