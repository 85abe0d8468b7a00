"""Checks that every transport must pass: ours run exactly these, and so can yours.

Law of this file: no test framework, and nothing of any one transport. You give
``make``: called with bound devices, it returns an asynchronous context manager
that gives a transport for just these devices, not opened, and its far end::

    @contextlib.asynccontextmanager
    async def make(devices):
        far_end = ...                    # start the other end
        yield MyTransport(TransportSettings(name="t", options={...}, devices=devices)), far_end
        ...                              # stop it

    asyncio.run(check_transport(make))

The devices come with empty ``report`` and ``order`` tables; where your kind of
transport needs something there, put it in. ``FarEnd`` says what the far end
must be able to do; it may have tasks of its own, as long as ``make`` ends
them. A check that fails raises ``ConformanceError``, which says what was
expected. Checks wait by the loop's clock, so that a transport without a wire
can be checked on a loop whose clock jumps.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Protocol

from attrs import evolve

from signalling.errors import LinkError
from signalling.layout.words import Device, Order, Report
from transports.link import LinkState, Timing
from transports.made_tasks import Watched, watched
from transports.registry import missing_members
from transports.slots import restrictive_order
from transports.supervise import Supervisor
from transports.transport import BoundDevice, Transport

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from contextlib import AbstractAsyncContextManager

    Make = Callable[
        [tuple[BoundDevice, ...]], AbstractAsyncContextManager[tuple["Transport", "FarEnd"]]
    ]
    MakeLossy = Callable[
        [tuple[BoundDevice, ...]], AbstractAsyncContextManager[tuple["Transport", "LossyFarEnd"]]
    ]

__all__ = [
    "DEVICES",
    "TROUBLES",
    "ConformanceError",
    "FarEnd",
    "LossyFarEnd",
    "check_lossy_transport",
    "check_transport",
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

REPORTING = tuple(evolve(bound, orders=()) for bound in DEVICES if bound.reports)
"""Of these, devices to which nothing is said, so that sending cannot show a dead link."""

TROUBLES = ("delay", "duplicate", "reorder", "drop")
"""Messages late, arriving twice, overtaking each other, lost."""


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


class LossyFarEnd(FarEnd, Protocol):
    """A far end that can also do to messages what a poor link does."""

    async def trouble(self, kind: str) -> None:
        """Let trouble befall the messages from now on: one of ``TROUBLES``.

        Of these a link does what its medium can do to it; where it can do
        nothing of a kind, nothing happens.
        """

    async def calm(self) -> None:
        """End all trouble."""


async def check_transport(make: Make) -> None:
    """Check everything that every transport must do."""
    for check in (
        _check_shape,
        _check_reports,
        _check_orders,
        _check_closing,
        _check_absent_peer,
        _check_loss,
        _check_cancelled_opening,
        _check_supervised_loss,
        _check_supervised_freeze,
        _check_farewell,
    ):
        async with _made(make, DEVICES) as (transport, far_end):
            await check(transport, far_end)
    async with _made(make, REPORTING) as (transport, far_end):
        await _check_silent_freeze(transport, far_end)


async def check_lossy_transport(make: MakeLossy) -> None:
    """Check everything of ``check_transport``, and what must hold over a poor link."""
    await check_transport(make)
    for kind in TROUBLES:
        async with make(DEVICES) as (transport, far_end):
            await _check_trouble(transport, far_end, kind)
            await transport.close()


# -- tools


def _require(condition: object, sentence: str) -> None:
    if not condition:
        raise ConformanceError(sentence)


async def _until(condition: Callable[[], object], sentence: str) -> None:
    loop = asyncio.get_running_loop()
    deadline = loop.time() + PATIENCE
    while not condition():
        _require(loop.time() < deadline, f"{sentence} (waited {PATIENCE:g} s)")
        await asyncio.sleep(0.01)


async def _until_heard(ear: _Ear, device: Device, value: str, sentence: str) -> None:
    await _until(lambda: ear.latest.get(device) == value, f"{sentence}: {device} is {value!r}")


async def _until_ordered(far_end: FarEnd, device: Device, value: str, sentence: str) -> None:
    await _until(
        lambda: far_end.ordered(device) == value, f"{sentence}: {device} is ordered {value!r}"
    )


@contextlib.asynccontextmanager
async def _made(
    make: Make, devices: tuple[BoundDevice, ...]
) -> AsyncIterator[tuple[Watched, FarEnd]]:
    """Give a new transport and its far end; close it, and see that nothing is left of it."""
    async with make(devices) as (transport, far_end):
        missing = missing_members(transport)
        _require(not missing, f"a transport has every member of the protocol; missing: {missing}")
        with watched(transport) as each:
            yield each, far_end
            await each.close()
            await _nothing_left(each, "a closed transport")


async def _nothing_left(transport: Watched, what: str) -> None:
    for _ in range(5):  # Tasks that are ending come to their end.
        await asyncio.sleep(0)
    left = ", ".join(transport.running())
    _require(not left, f"{what} leaves no tasks behind; left: {left}")


class _Ear:
    """A sink that remembers."""

    def __init__(self) -> None:
        self.latest: dict[Device, str | None] = {}
        self.count = 0

    def __call__(self, report: Report) -> None:
        self.latest[report.device] = report.value
        self.count += 1


@contextlib.contextmanager
def _link_error(sentence: str) -> Iterator[None]:
    try:
        yield
    except LinkError:
        return
    raise ConformanceError(sentence)


@contextlib.asynccontextmanager
async def _supervised(
    transport: Transport, devices: tuple[BoundDevice, ...] = DEVICES
) -> AsyncIterator[tuple[Supervisor, _Ear]]:
    ear = _Ear()
    supervisor = Supervisor(
        transport,
        devices,
        deliver=ear,
        timing=Timing(refresh=0.5, open=2.0, first_pause=0.1, longest_pause=0.5),
    )
    task = asyncio.create_task(supervisor.run(), name="the supervisor under check")
    try:
        yield supervisor, ear
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def _up(supervisor: Supervisor) -> None:
    await _until(
        lambda: supervisor.state is LinkState.UP, f"the link comes up; it says: {supervisor.error}"
    )


# -- one transport by itself


async def _check_shape(transport: Transport, _far_end: FarEnd) -> None:
    _require(isinstance(transport.name, str) and transport.name, "its name is text, not empty")
    counters = transport.counters
    _require(
        not (counters.received or counters.sent or counters.rejected), "its counters start at 0"
    )
    await transport.close()
    await transport.close()
    with _link_error("sending without an open link raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])


async def _check_reports(transport: Transport, far_end: FarEnd) -> None:
    ear = _Ear()
    await transport.open(ear)
    for bound in DEVICES:
        for value in bound.reports:
            await far_end.report(bound.device, value)
            await _until_heard(ear, bound.device, value, "a report reaches the sink")
    strange = {device for device in ear.latest if device not in {DETECTOR, TURNOUT}}
    _require(not strange, f"only devices that report are reported; got {strange}")


async def _check_orders(transport: Transport, far_end: FarEnd) -> None:
    await transport.open(_Ear())
    await transport.send([])
    await transport.send(
        [Order(STOP, "applied"), Order(SIGNAL, "danger"), Order(TURNOUT, "reverse")]
    )
    for device, value in ((STOP, "applied"), (SIGNAL, "danger"), (TURNOUT, "reverse")):
        await _until_ordered(far_end, device, value, "an order arrives")
    for value in ("clear", "caution", "danger", "clear", "danger", "caution"):
        await transport.send([Order(SIGNAL, value)])
    await _until_ordered(far_end, SIGNAL, "caution", "orders for one device arrive in their order")
    _require(transport.counters.sent == 9, "each order that was sent is counted")


async def _check_closing(transport: Transport, far_end: FarEnd) -> None:
    first, second = _Ear(), _Ear()
    await transport.open(first)
    await far_end.report(DETECTOR, "clear")
    await _until_heard(first, DETECTOR, "clear", "a report arrives")
    await transport.close()
    await transport.close()
    heard = first.count
    with _link_error("sending after closing raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])
    await transport.open(second)
    await far_end.report(DETECTOR, "occupied")
    await _until_heard(second, DETECTOR, "occupied", "reports arrive after opening again")
    _require(first.count == heard, "nothing is delivered to the sink of an earlier opening")
    await transport.send([Order(SIGNAL, "caution")])
    await _until_ordered(far_end, SIGNAL, "caution", "orders arrive after opening again")


async def _check_absent_peer(transport: Transport, far_end: FarEnd) -> None:
    await far_end.cut()
    ear = _Ear()
    for _ in range(2):
        with _link_error("opening without the other end raises LinkError"):
            await transport.open(ear)
    _require(ear.count == 0, "a link that did not open delivers nothing")
    await far_end.mend()
    await transport.open(ear)


async def _check_loss(transport: Transport, far_end: FarEnd) -> None:
    await transport.open(_Ear())
    watch = asyncio.create_task(transport.wait_lost(), name="the check's watch")
    try:
        await asyncio.sleep(0.05)
        _require(not watch.done(), "wait_lost does not return while the link is up")
        await far_end.cut()
        await _until(watch.done, "wait_lost returns when the link has gone")
    finally:
        watch.cancel()
        with contextlib.suppress(LinkError, asyncio.CancelledError):
            await watch
    with _link_error("sending on a lost link raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])
    await transport.close()
    await far_end.mend()
    ear = _Ear()
    await transport.open(ear)
    await far_end.report(DETECTOR, "clear")
    await _until_heard(ear, DETECTOR, "clear", "a mended link carries reports")


async def _check_cancelled_opening(transport: Watched, far_end: FarEnd) -> None:
    for passes in range(6):
        opening = asyncio.create_task(transport.open(_Ear()), name="an opening to be cancelled")
        for _ in range(passes):
            await asyncio.sleep(0)
        opening.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await opening
            await transport.close()
        await _nothing_left(transport, "a cancelled opening")
    ear = _Ear()
    await transport.open(ear)
    await far_end.report(DETECTOR, "clear")
    await _until_heard(ear, DETECTOR, "clear", "it can be opened after a cancelled opening")


# -- under the supervisor


async def _check_supervised_loss(transport: Transport, far_end: FarEnd) -> None:
    async with _supervised(transport) as (supervisor, ear):
        await _up(supervisor)
        supervisor.post([Order(SIGNAL, "clear"), Order(STOP, "lifted")])
        for device, value in ((DETECTOR, "clear"), (TURNOUT, "normal")):
            await far_end.report(device, value)
            await _until_heard(ear, device, value, "a report arrives")
        await _until_ordered(far_end, SIGNAL, "clear", "the order arrives")
        await far_end.cut()
        await _until(lambda: supervisor.state is not LinkState.UP, "the loss is noticed")
        for device in (DETECTOR, TURNOUT):
            _require(ear.latest[device] is None, f"{device} is unknown as soon as the link is lost")
        supervisor.post([Order(SIGNAL, "caution")])
        await far_end.mend()
        await _up(supervisor)
        await _until_ordered(far_end, SIGNAL, "caution", "the latest order follows on a new link")
        await far_end.report(DETECTOR, "occupied")
        await _until_heard(ear, DETECTOR, "occupied", "reports count again")
        _require(transport.counters.opened >= 2, "each opening is counted")
        _require(transport.counters.lost >= 1, "each loss is counted")


async def _check_supervised_freeze(transport: Transport, far_end: FarEnd) -> None:
    async with _supervised(transport) as (supervisor, ear):
        await _up(supervisor)
        await far_end.report(DETECTOR, "clear")
        await _until_heard(ear, DETECTOR, "clear", "a report arrives")
        await far_end.freeze()
        for value in ("clear", "caution", "clear"):
            supervisor.post([Order(SIGNAL, value)])
        await _until(
            lambda: supervisor.state is not LinkState.UP, "a link that does not answer is lost"
        )
        _require(ear.latest[DETECTOR] is None, "the devices of a dead link are unknown")
        supervisor.post([Order(SIGNAL, "danger")])
        await far_end.thaw()
        await _up(supervisor)
        await _until_ordered(far_end, SIGNAL, "danger", "the latest order wins")
        await far_end.report(DETECTOR, "occupied")
        await _until_heard(ear, DETECTOR, "occupied", "reports count again")


async def _check_silent_freeze(transport: Transport, far_end: FarEnd) -> None:
    async with _supervised(transport, REPORTING) as (supervisor, ear):
        await _up(supervisor)
        await far_end.report(DETECTOR, "clear")
        await _until_heard(ear, DETECTOR, "clear", "a report arrives")
        await far_end.freeze()
        await _until(
            lambda: ear.latest[DETECTOR] is None,
            "a device is unknown when the other end has died, though nothing is sent to it",
        )
        await far_end.thaw()
        await _up(supervisor)
        await far_end.report(DETECTOR, "occupied")
        await _until_heard(ear, DETECTOR, "occupied", "reports count again")


async def _check_farewell(transport: Transport, far_end: FarEnd) -> None:
    async with _supervised(transport) as (supervisor, _ear):
        await _up(supervisor)
        supervisor.post([Order(SIGNAL, "clear"), Order(STOP, "lifted"), Order(TURNOUT, "reverse")])
        for device, value in ((SIGNAL, "clear"), (STOP, "lifted"), (TURNOUT, "reverse")):
            await _until_ordered(far_end, device, value, "an order arrives")
    for device in (SIGNAL, STOP):
        order = restrictive_order(device)
        _require(order is not None, f"{device} has a most restrictive order")
        if order is not None:
            await _until_ordered(far_end, device, order.value, "shutting down restricts")
    _require(far_end.ordered(TURNOUT) == "reverse", "turnouts are left as they lie")


async def _check_trouble(transport: Transport, far_end: LossyFarEnd, kind: str) -> None:
    async with _supervised(transport) as (supervisor, ear):
        await _up(supervisor)
        await far_end.trouble(kind)
        for turn in range(6):
            await far_end.report(DETECTOR, ("clear", "occupied")[turn % 2])
            await far_end.report(TURNOUT, ("normal", "moving", "reverse")[turn % 3])
            supervisor.post([Order(SIGNAL, ("clear", "caution", "danger")[turn % 3])])
            supervisor.post([Order(STOP, ("lifted", "applied")[turn % 2])])
            await asyncio.sleep(0.05)
        await far_end.calm()
        await _up(supervisor)
        supervisor.post([Order(SIGNAL, "caution")])
        await far_end.report(DETECTOR, "clear")
        await far_end.report(TURNOUT, "reverse")
        await _until(
            lambda: (ear.latest.get(DETECTOR), ear.latest.get(TURNOUT)) == ("clear", "reverse"),
            f"the latest reports win after trouble ({kind})",
        )
        await _until(
            lambda: (far_end.ordered(SIGNAL), far_end.ordered(STOP)) == ("caution", "applied"),
            f"the latest orders win after trouble ({kind})",
        )
        # What is still under way must not undo it.
        await asyncio.sleep(1.0)
        _require(
            (ear.latest.get(DETECTOR), ear.latest.get(TURNOUT)) == ("clear", "reverse"),
            f"nothing late undoes a newer report ({kind})",
        )
        _require(
            (far_end.ordered(SIGNAL), far_end.ordered(STOP)) == ("caution", "applied"),
            f"nothing late undoes a newer order ({kind})",
        )
