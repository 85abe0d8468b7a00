"""What a fault is, and which signals it must put to danger.

Law of this file: words for the faults of the campaign; no fault is made here.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from random import Random

from attrs import frozen

from tests.faults.railway import Railway
from tests.mixed.tern import AT_REST, BOARDS, HELD_BY, READS, ROUTES, Route

NODE, LINK, POOR = 1.0, 1.5, 2.0
"""Promised times to danger, in seconds: a node that is not heard, or hears nothing, and all that
it reports; a link that has gone; a link that loses what it likes, where a report may take one such
time and then the order another."""
ORDER_WAY = 0.06
"""Seconds that an order may take to hardware, and our look at it: what comes on top."""

Making = Callable[[Railway, Random], Awaitable[frozenset[str] | int]]
"""Makes a fault and takes it away again; returns the signals that it must have put to danger.

One that makes many faults returns how many."""

NOBODY: frozenset[str] = frozenset()


@frozen(kw_only=True)
class Fault:
    """One class of faults."""

    name: str
    make: Making
    promised: float = NODE
    """Seconds within which signals that depend on what fails are at danger."""
    weight: int = 1
    """How often it is made, beside others."""


def relying(
    *, boards: Iterable[str] = (), nodes: Iterable[str] = (), detectors: Iterable[str] = ()
) -> frozenset[str]:
    """Return the signals of which every route needs something that these report."""
    silent = {f"detector {name}" for name in detectors}
    for board in boards:
        silent |= {f"detector {name}" for name in BOARDS[board].detectors}
    for node in nodes:
        silent |= {f"{kind} {name}" for kind, names in READS[node].items() for name in names}
    return frozenset(
        signal
        for signal, routes in ROUTES.items()
        if all(_devices(signal, route) & silent for route in routes)
    )


def _devices(signal: str, route: Route) -> set[str]:
    devices = {f"detector {block}" for block in route.blocks}
    devices |= {f"turnout {turnout}" for turnout, _ in route.lies}
    return devices | ({f"danger {HELD_BY[signal]}"} if signal in HELD_BY else set())


def standing_on(*, boards: Iterable[str] = (), nodes: Iterable[str] = ()) -> frozenset[str]:
    """Return the signals that these work."""
    on_boards = {signal for board in boards for signal in BOARDS[board].signals}
    return frozenset(
        on_boards | {name for node in nodes for name in AT_REST[node].get("signal", {})}
    )


ALL_BOARDS = tuple(BOARDS)
ALL_NODES = tuple(AT_REST)
ON_THE_BUS = relying(boards=ALL_BOARDS) | standing_on(boards=ALL_BOARDS)
FOREIGN = relying(detectors=["r5"])
AT_THE_BROKER = relying(nodes=ALL_NODES) | standing_on(nodes=ALL_NODES) | FOREIGN


def seconds(random: Random) -> float:
    """Return how long a fault lasts: mostly briefly, and long enough for all times to run out."""
    return random.choice((0.05, 0.3, 0.7, 1.0, 2.5)) * (0.6 + 0.8 * random.random())
