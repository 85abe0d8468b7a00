"""The benchmark over CAN, run in a network of its own: prints its rows as JSON.

Each round asks the controller and the bare loop in turn, so that a machine that
changes its speed changes it for both. Before each question both are at rest: neither
answers while the other still uses a processor, and both have to wake. What is timed
is a block that becomes occupied until its signal is ordered to danger; a block that
becomes clear waits for its hold-off in any case.

The ratio is that of one machine in one state. Where others keep the processors busy,
waking costs both the same and more, and what the controller does besides weighs less.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import attrs

from tests.bench.can_ends import (
    BLOCKS,
    ORDER,
    REPORT,
    Frame,
    Node,
    Serial,
    Udp,
    Wire,
    bindings,
    control,
    echo,
)
from tests.bench.row import Row
from tests.rig import FREE, ring_text

PAIRS = 9
PORT = 43_200
WITHIN = 1.0
"""Seconds after which an answer counts as lost."""

REST = 0.001
"""Seconds before each question, in which nobody has anything to do."""

DANGER, CLEAR = 0, 1
"""The numbers of a two-aspect signal's aspects."""

FULL_BUS = 3_700
"""Frames of 8 bytes that 500 kbit/s carries in a second."""
FLOOD = 2 * FULL_BUS
SECONDS = 5.0
BABBLER, STRANGER = 5, 9
"""The numbers of a node that says the same again and again, and of one that nobody named."""
IN_TIME = 100.0
"""Milliseconds: a tenth of the time after which a node goes to danger by itself."""
BABBLING = f"""
[[bindings]]
device = "detector b{BLOCKS - 1}"
transport = "bench"
report = {{ node = {BABBLER}, port = 0 }}
"""

CONTEXT = multiprocessing.get_context("spawn")


# -- rounds


class Asked:
    """A wire with a controller at its other end, and the node that it hears."""

    def __init__(self, wire: Wire, node: Node) -> None:
        self.wire = wire
        self.node = node

    def ask(self, *, occupied: bool) -> float | None:
        """Report the block; return the seconds until its signal is ordered accordingly."""
        wanted = DANGER if occupied else CLEAR
        return timed(
            self.wire, self.node.report(occupied=occupied), lambda data: shown(data, wanted)
        )

    def keep_alive(self) -> None:
        for frame in self.node.status():
            self.wire.send(frame)

    def wait_until_ready(self) -> None:
        """Play the node until the controller has come to know it, and clears its signal."""
        deadline = time.monotonic() + 60
        in_a_row = 0
        while in_a_row < 5:
            if time.monotonic() > deadline:
                raise RuntimeError("the controller does not clear its signal")
            self.keep_alive()
            self.wire.send(self.node.report())
            answers = list(arriving(self.wire, 0.05))
            ok = any(each == ORDER and shown(data, CLEAR) for each, data in answers)
            in_a_row = in_a_row + 1 if ok else in_a_row


def shown(data: bytes, aspect: int) -> bool:
    """Return whether an order for the first group of signals says this to the first of them."""
    return data[3] & 0x0F == 0 and data[4] & 0x0F == aspect


def timed(wire: Wire, sent: Frame, answers: Callable[[bytes], bool]) -> float | None:
    """Send a frame; return the seconds until it is answered, or ``None``."""
    started = time.perf_counter()
    wire.send(sent)
    while (passed := time.perf_counter() - started) < WITHIN:
        found = wire.receive(WITHIN - passed)
        if found is not None and found[0] == ORDER and answers(found[1]):
            return time.perf_counter() - started
    return None


def arriving(wire: Wire, within: float) -> Iterator[Frame]:
    """Yield what arrives within a time."""
    deadline = time.monotonic() + within
    while (left := deadline - time.monotonic()) > 0:
        found = wire.receive(left)
        if found is not None:
            yield found


def rest(wire: Wire) -> None:
    """Wait until whoever answered on a wire has done what follows its answer."""
    for _ in arriving(wire, REST):
        pass


def rounds(asked: Asked, bare: Wire, count: int) -> tuple[list[float], list[float]]:
    """Return the sorted times of the controller and of the bare loop."""
    ours: list[float] = []
    floor: list[float] = []
    for turn in range(count):
        if turn % 50 == 0:
            asked.keep_alive()
        asked.ask(occupied=False)
        rest(asked.wire)
        payload = turn.to_bytes(8, "little")
        echoed = timed(bare, (REPORT, payload), payload.__eq__)
        rest(bare)
        taken = asked.ask(occupied=True)
        rest(asked.wire)
        # A lost frame is the medium's affair, and its time would be that of the next refresh.
        if echoed is not None and taken is not None:
            ours.append(taken)
            floor.append(echoed)
    return sorted(ours), sorted(floor)


def pairs(kind: type[Udp | Serial], count: int) -> list[tuple[list[float], list[float]]]:
    """Return the times of ``PAIRS`` runs over one kind of channel."""
    wires = [kind(PORT), kind(PORT + 1)]
    with tempfile.TemporaryDirectory() as folder:
        near, far = CONTEXT.Pipe()
        layout = written(Path(folder), bindings(wires[0].options))
        with running((control, (layout, far)), (echo, (wires[1].options,))):
            asked = Asked(wires[0], Node())
            asked.wait_until_ready()
            while timed(wires[1], (REPORT, b"ready"), b"ready".__eq__) is None:
                pass
            rounds(asked, wires[1], count)
            found = [rounds(asked, wires[1], count) for _ in range(PAIRS)]
        near.close()
        far.close()
    for wire in wires:
        wire.close()
    return found


def written(folder: Path, bound: str) -> str:
    """Write a ring and its bindings to a file; return its name."""
    file = folder / "bench.toml"
    file.write_text(ring_text([2] * BLOCKS, settings=FREE) + bound)
    return str(file)


@contextlib.contextmanager
def running(*jobs: tuple[Callable[..., None], tuple[Any, ...]]) -> Iterator[None]:
    """Run each job in a process of its own."""
    processes = []
    try:
        for job, given in jobs:
            process = CONTEXT.Process(target=job, args=given)
            process.start()
            processes.append(process)
        yield
    finally:
        for process in processes:
            process.kill()
            process.join()


def times(name: str, found: list[tuple[list[float], list[float]]], *, judged: bool) -> list[Row]:
    """Return the rows of one kind of channel: the ratios are the median of those of the runs."""
    rows = []
    for share, what, most in ((0.5, "median", 1.3), (0.99, "99 of 100", 2.0)):
        ours = [taken[int(share * len(taken))] for taken, _ in found]
        floor = [taken[int(share * len(taken))] for _, taken in found]
        ratio = statistics.median(one / two for one, two in zip(ours, floor, strict=True))
        rows.append(
            Row(
                name=f"{name}, report to order, {what}",
                value=statistics.median(ours) * 1e6,
                unit="us",
                against="a bare loop that echoes",
                ratio=ratio,
                target=f"<= {most:g} x" if judged else "",
                ok=ratio <= most if judged else None,
            )
        )
    return rows


# -- flood


def babble(port: int, told: Connection) -> None:
    """Fill the bus twice over, half of it from a node that is bound, half from one that is not.

    Tells how many frames each of the two has sent.
    """
    bus = Udp(port)
    nodes = (Node(BABBLER), Node(STRANGER))
    for _ in range(3):
        for frame in nodes[0].status():
            bus.send(frame)
    started = time.monotonic()
    sent = 0
    while (passed := time.monotonic() - started) < SECONDS:
        while sent < passed * FLOOD:
            bus.send(nodes[sent % 2].report())
            sent += 1
            if sent % (FLOOD // 4) == 0:
                for frame in nodes[0].status():
                    bus.send(frame)
        time.sleep(0.001)
    told.send(sent)
    bus.close()


def flood() -> list[Row]:
    wire = Udp(PORT + 2)
    asking, asked_for = CONTEXT.Pipe()
    telling, told = CONTEXT.Pipe()
    with tempfile.TemporaryDirectory() as folder:
        layout = written(Path(folder), bindings(wire.options) + BABBLING)
        with running((control, (layout, asked_for))):
            asked = Asked(wire, Node())
            asked.wait_until_ready()
            before = counted(asking)
            with running((babble, (PORT + 2, told))):
                taken, sent = under_flood(asked, telling)
            after = counted(asking)
    wire.close()
    for pipe in (asking, asked_for, telling, told):
        pipe.close()
    rejected = {reason: count - before.get(reason, 0) for reason, count in after.items()}
    # What a stranger says is counted one by one; in what is bound, its numbers show a gap.
    missing = sent // 2 - rejected["unknown-node"]
    missing += sum(rejected.get(reason, 0) for reason in ("lost", "late", "wrong-sequence"))
    return [
        Row(
            name=f"CAN, frames lost of {FLOOD:,} a second",
            value=missing,
            unit=f"of {sent:,}",
            target="none",
            ok=missing == 0 and sent > 0.95 * FLOOD * SECONDS,
        ),
        Row(
            name="CAN, report to danger meanwhile, worst",
            value=max(taken) * 1e3,
            unit="ms",
            target=f"< {IN_TIME:g} ms",
            ok=max(taken) * 1e3 < IN_TIME,
        ),
    ]


def under_flood(asked: Asked, telling: Connection) -> tuple[list[float], int]:
    """Ask until the flood is over; return the times to danger, and how much was sent."""
    taken: list[float] = []
    while not telling.poll():
        asked.keep_alive()
        asked.ask(occupied=False)
        for _ in arriving(asked.wire, 0.02):
            pass
        taken.append(asked.ask(occupied=True) or WITHIN)
        for _ in arriving(asked.wire, 0.02):
            pass
    return taken, telling.recv()


def counted(asking: Connection) -> dict[str, int]:
    """Return what the controller has rejected so far, by reason."""
    asking.send(None)
    told: dict[str, int] = asking.recv()
    return told


def main() -> None:
    rows = [
        *times("CAN, udp_multicast", pairs(Udp, 300), judged=True),
        *times("CAN, slcan", pairs(Serial, 100), judged=False),
        *flood(),
    ]
    json.dump([attrs.asdict(row) for row in rows], sys.stdout)


if __name__ == "__main__":
    main()
