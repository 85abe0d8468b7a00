"""What checks of transports are made of: devices, the other end, waiting, complaining.

Law of this file: tools for ``conformance`` and ``conformance_requests``; nothing
is checked here, but that a transport which was closed leaves nothing behind.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Protocol, TypeVar

from signalling.errors import LinkError
from signalling.layout.words import Device, Report
from transports.link import LinkState, Timing
from transports.made_tasks import Watched, watched
from transports.registry import missing_members
from transports.supervise import Supervisor
from transports.transport import BoundDevice, Transport

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from contextlib import AbstractAsyncContextManager


__all__ = [
    "DETECTOR",
    "DEVICES",
    "SIGNAL",
    "STOP",
    "TURNOUT",
    "ConformanceError",
    "Ear",
    "FarEnd",
    "link_error",
    "made",
    "nothing_left",
    "require",
    "supervised",
    "until",
    "until_heard",
    "until_ordered",
    "up",
]

PATIENCE = 20.0
"""Seconds of the loop's clock after which something expected counts as missing."""

DETECTOR = Device("detector", "d1")
TURNOUT = Device("turnout", "t1")
SIGNAL = Device("signal", "M1")
STOP = Device("stop", "S1")

DEVICES = (
    BoundDevice(device=DETECTOR, reports=("clear", "occupied")),
    BoundDevice(
        device=TURNOUT, reports=("normal", "reverse", "moving"), orders=("normal", "reverse")
    ),
    BoundDevice(device=SIGNAL, orders=("danger", "caution", "clear")),
    BoundDevice(device=STOP, orders=("applied", "lifted")),
)
"""The devices that the checks use: one of each way of reporting and being ordered."""


class ConformanceError(AssertionError):
    """A transport does not do what every transport must."""


class FarEnd(Protocol):
    """The other end of the link, in the hands of the checks."""

    async def report(self, device: Device, value: str) -> None:
        """Let the device say this on the link, once, now."""

    def ordered(self, device: Device) -> str | None:
        """Return the order that arrived last for the device."""

    async def cut(self) -> None:
        """Break the link so that the transport can notice at once, and keep it broken."""

    async def mend(self) -> None:
        """Let the link be opened again."""

    async def freeze(self) -> None:
        """Stop answering, without breaking the link."""

    async def thaw(self) -> None:
        """Answer again."""


End = TypeVar("End", bound=FarEnd)


def require(condition: object, sentence: str) -> None:
    """Raise ``ConformanceError`` with the sentence, unless the condition holds."""
    if not condition:
        raise ConformanceError(sentence)


async def until(condition: Callable[[], object], sentence: str) -> None:
    """Wait until the condition holds. Raises ``ConformanceError``."""
    loop = asyncio.get_running_loop()
    deadline = loop.time() + PATIENCE
    while not condition():
        require(loop.time() < deadline, f"{sentence} (waited {PATIENCE:g} s)")
        await asyncio.sleep(0.01)


async def until_heard(ear: Ear, device: Device, value: str, sentence: str) -> None:
    """Wait until this was heard of the device. Raises ``ConformanceError``."""
    await until(lambda: ear.latest.get(device) == value, f"{sentence}: {device} is {value!r}")


async def until_ordered(far_end: FarEnd, device: Device, value: str, sentence: str) -> None:
    """Wait until the device has this order. Raises ``ConformanceError``."""
    await until(
        lambda: far_end.ordered(device) == value, f"{sentence}: {device} is ordered {value!r}"
    )


@contextlib.asynccontextmanager
async def made(
    make: Callable[[tuple[BoundDevice, ...]], AbstractAsyncContextManager[tuple[Transport, End]]],
    devices: tuple[BoundDevice, ...],
) -> AsyncIterator[tuple[Watched, End]]:
    """Give a new transport and its far end; close it, and see that nothing is left of it."""
    async with make(devices) as (transport, far_end):
        missing = missing_members(transport)
        require(not missing, f"a transport has every member of the protocol; missing: {missing}")
        with watched(transport) as each:
            yield each, far_end
            await each.close()
            await nothing_left(each, "a closed transport")


async def nothing_left(transport: Watched, what: str) -> None:
    """Raise ``ConformanceError`` where the transport has tasks that do not come to their end."""
    for _ in range(5):  # Tasks that are ending come to their end.
        await asyncio.sleep(0)
    left = ", ".join(transport.running())
    require(not left, f"{what} leaves no tasks behind; left: {left}")


class Ear:
    """A sink that remembers."""

    def __init__(self) -> None:
        self.latest: dict[Device, str | None] = {}
        self.count = 0

    def __call__(self, report: Report) -> None:
        """Take a report."""
        self.latest[report.device] = report.value
        self.count += 1


@contextlib.contextmanager
def link_error(sentence: str) -> Iterator[None]:
    """Raise ``ConformanceError`` where no ``LinkError`` is raised within."""
    try:
        yield
    except LinkError:
        return
    raise ConformanceError(sentence)


@contextlib.asynccontextmanager
async def supervised(
    transport: Transport,
    devices: tuple[BoundDevice, ...] = DEVICES,
    requested: Callable[[], None] | None = None,
) -> AsyncIterator[tuple[Supervisor, Ear]]:
    """Keep a transport's link, and give who keeps it with what it delivers."""
    ear = Ear()
    supervisor = Supervisor(
        transport,
        devices,
        deliver=ear,
        requested=requested,
        timing=Timing(refresh=0.5, open=2.0, first_pause=0.1, longest_pause=0.5),
    )
    task = asyncio.create_task(supervisor.run(), name="the supervisor under check")
    try:
        yield supervisor, ear
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def up(supervisor: Supervisor) -> None:
    """Wait until the link is up. Raises ``ConformanceError``."""
    await until(
        lambda: supervisor.state is LinkState.UP, f"the link comes up; it says: {supervisor.error}"
    )
