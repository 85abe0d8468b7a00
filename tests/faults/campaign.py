"""The campaign: one fault after another on a railway at work, and what came of each.

Law of this file: choosing, counting and reporting. Faults are made in the files
named after what they befall; what is wrong the judge says.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from multiprocessing import get_context
from pathlib import Path
from random import Random
from typing import Any

from attrs import Factory, define

from signalling.controller.clock import paced
from tests.faults.adapter_faults import ADAPTER_FAULTS
from tests.faults.broker_faults import BROKER_FAULTS
from tests.faults.can_faults import CAN_FAULTS
from tests.faults.every_flip import flip_every_bit_of_frames, flip_every_bit_of_messages
from tests.faults.fault import NOBODY, NODE, ORDER_WAY, Fault
from tests.faults.joint_faults import JOINT_FAULTS
from tests.faults.judge import DANGER
from tests.faults.mqtt_faults import MQTT_FAULTS
from tests.faults.railway import Railway

FAULTS: Sequence[Fault] = (
    *CAN_FAULTS,
    *ADAPTER_FAULTS,
    *MQTT_FAULTS,
    *BROKER_FAULTS,
    *JOINT_FAULTS,
)

EVERY_FLIP = {
    "CAN: every bit, every pair of bits": flip_every_bit_of_frames,
    "MQTT: every bit, every pair of neighbours": flip_every_bit_of_messages,
}

MOVES = 0.15
"""How often the turnout that we move is asked for before a fault."""
RECOVERY = 40.0
"""Seconds within which all is to be as it was when a fault has gone: the longest pause before a
link is tried again, an attempt to open it, the hold-off and the approach time, with room."""


@define
class Tally:
    """What came of the faults of one class."""

    promised: float
    tried: int = 0
    wrong_side: int = 0
    right_side: int = 0
    not_recovered: int = 0
    broken_promises: int = 0
    times: list[float] = Factory(list)
    """Seconds to danger, of each signal that was off and had to go to danger."""
    findings: list[str] = Factory(list)
    """What was wrong or did not recover, each with what is needed to see it again."""

    def add(self, other: Tally) -> None:
        self.tried += other.tried
        self.wrong_side += other.wrong_side
        self.right_side += other.right_side
        self.not_recovered += other.not_recovered
        self.broken_promises += other.broken_promises
        self.times += other.times
        self.findings += other.findings

    def figures(self) -> dict[str, Any]:
        return {
            "tried": self.tried,
            "wrong_side": self.wrong_side,
            "right_side": self.right_side,
            "not_recovered": self.not_recovered,
            "broken_promises": self.broken_promises,
            "median_time_to_danger": round(statistics.median(self.times), 3)
            if self.times
            else None,
            "worst_time_to_danger": round(max(self.times), 3) if self.times else None,
            "promised": self.promised,
        }


Tallies = dict[str, Tally]


async def run_campaign(
    count: int, seed: int, faults: Sequence[Fault] = FAULTS, *, every_flip: bool = False
) -> Tallies:
    """Try so many faults on one railway, chosen by the seed, and return what came of them.

    ``every_flip`` adds every bit and pair of bits of frames and messages.
    """
    tallies: Tallies = {fault.name: Tally(fault.promised) for fault in faults}
    chance = Random(f"faults {seed}")
    turns = _turns(faults, chance)
    async with Railway(seed) as railway:
        await _until_well(railway)
        for number in range(count):
            fault = next(turns)
            tally = tallies[fault.name]
            findings = await _try(railway, fault, Random(f"{seed} {number}"), tally)
            tally.findings += [
                f"seed {seed}, fault {number}, {fault.name}: {finding}" for finding in findings
            ]
        for name, flip in EVERY_FLIP.items() if every_flip else ():
            tally = tallies[name] = Tally(NODE)
            tally.findings = await _try(railway, Fault(name=name, make=flip), chance, tally)
    return tallies


def campaign(
    count: int, seed: int, faults: Sequence[Fault] = FAULTS, *, every_flip: bool = False
) -> Tallies:
    """Run a campaign on a loop of its own, whose clock jumps."""
    with asyncio.Runner(loop_factory=paced(None)) as runner:
        return runner.run(run_campaign(count, seed, faults, every_flip=every_flip))


def run_in_processes(count: int, seed: int) -> list[Tallies]:
    """Divide a campaign among processes, as many as there are processors."""
    processes = os.cpu_count() or 1
    shares = [count // processes + (number < count % processes) for number in range(processes)]
    jobs = [
        (share, seed * 1000 + number, number == 0)
        for number, share in enumerate(shares)
        if share or number == 0
    ]
    with get_context("spawn").Pool(processes) as pool:
        return pool.starmap(_job, jobs)


def _job(count: int, seed: int, every_flip: bool) -> Tallies:  # noqa: FBT001
    logging.disable()  # each fault is told of in the log, as it should
    return campaign(count, seed, every_flip=every_flip)


def _turns(faults: Sequence[Fault], chance: Random) -> Iterator[Fault]:
    """Yield faults for ever: each class as often as its weight says, in any order."""
    while True:
        deck = [fault for fault in faults for _ in range(fault.weight)]
        chance.shuffle(deck)
        yield from deck


async def _until_well(railway: Railway) -> list[str]:
    """Wait until all is well, or for so long; return what is not."""
    until = railway.now + RECOVERY
    while (ailing := railway.ailing()) and railway.now < until:
        await asyncio.sleep(0.1)
    return ailing


async def _try(railway: Railway, fault: Fault, random: Random, tally: Tally) -> list[str]:
    """Make one fault and count what comes of it; return what must not have come of it."""
    if random.random() < MOVES:
        railway.ask_for_the_turnout()
    await asyncio.sleep(random.uniform(0.0, 0.3))
    judge = railway.judge
    judge.limit = fault.promised + ORDER_WAY
    railway.look()
    onset, before = railway.now, railway.off()
    wrong, broken, changes = len(judge.wrong), len(judge.broken_promises), len(railway.changes)
    made = await fault.make(railway, random)
    must, times = (NOBODY, made) if isinstance(made, int) else (made, 1)
    lasted = railway.now - onset
    ailing = await _until_well(railway)
    railway.look()

    fell = [change for change in railway.changes[changes:] if change.after == DANGER]
    tally.tried += times
    tally.right_side += any(change.right and change.signal in before for change in fell)
    late = []
    if lasted > fault.promised + ORDER_WAY:
        for signal in sorted(must & before):
            at = min((each.at for each in fell if each.signal == signal), default=onset + lasted)
            tally.times.append(at - onset)
            if at - onset > fault.promised + ORDER_WAY:
                late.append(f"signal {signal} was at danger only after {at - onset:.3f} s")
    found = [
        f"{each.at - onset:.3f} s after: {each.thing}: {each.reason}"
        for each in judge.wrong[wrong:]
    ]
    tally.wrong_side += bool(found or late)
    tally.broken_promises += len(judge.broken_promises) > broken
    tally.not_recovered += bool(ailing)
    promises = [
        f"broken promise: {each.thing}: {each.reason}" for each in judge.broken_promises[broken:]
    ]
    return [*found, *late, *promises, *(f"not recovered: {each}" for each in ailing)]


# -- telling


def merged(each: Iterable[Tallies]) -> Tallies:
    """Return several campaigns as one."""
    whole: Tallies = {}
    for tallies in each:
        for name, tally in tallies.items():
            whole.setdefault(name, Tally(tally.promised)).add(tally)
    return whole


def total(tallies: Mapping[str, Tally]) -> Tally:
    whole = Tally(max((tally.promised for tally in tallies.values()), default=0.0))
    for tally in tallies.values():
        whole.add(tally)
    return whole


def document(tallies: Mapping[str, Tally], **more: Any) -> dict[str, Any]:
    """Return what ``build/faults.json`` says."""
    whole = total(tallies)
    return {
        **more,
        **whole.figures(),
        "classes": {name: tally.figures() for name, tally in tallies.items()},
        "findings": whole.findings,
    }


def table(tallies: Mapping[str, Tally]) -> str:
    """Return what came of the faults as a table to print."""
    rows: list[tuple[str, ...]] = [
        (
            "class of fault",
            "tried",
            "wrong",
            "right",
            "not rec.",
            "median s",
            "worst s",
            "promised s",
        )
    ]
    for name, tally in [*tallies.items(), ("all", total(tallies))]:
        figures = tally.figures()
        median, worst = figures["median_time_to_danger"], figures["worst_time_to_danger"]
        rows.append(
            (
                name,
                *(str(figures[key]) for key in ("tried", "wrong_side", "right_side")),
                str(tally.not_recovered),
                *("-" if each is None else f"{each:.3f}" for each in (median, worst)),
                f"{tally.promised:.1f}",
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if column == 0 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    )


def write(path: Path, tallies: Mapping[str, Tally], **more: Any) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document(tallies, **more), indent=2) + "\n")
