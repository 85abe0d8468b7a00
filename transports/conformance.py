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
from signalling.layout.words import Order
from transports.checking import (
    DETECTOR,
    DEVICES,
    SIGNAL,
    STOP,
    TURNOUT,
    ConformanceError,
    Ear,
    FarEnd,
    link_error,
    made,
    nothing_left,
    require,
    supervised,
    until,
    until_heard,
    until_ordered,
    up,
)
from transports.link import LinkState
from transports.made_tasks import Watched
from transports.slots import restrictive_order
from transports.transport import Transport

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractAsyncContextManager

    from transports.transport import BoundDevice

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

REPORTING = tuple(evolve(bound, orders=()) for bound in DEVICES if bound.reports)
"""Of these, devices to which nothing is said, so that sending cannot show a dead link."""

TROUBLES = ("delay", "duplicate", "reorder", "drop")
"""Messages late, arriving twice, overtaking each other, lost."""


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
        async with made(make, DEVICES) as (transport, far_end):
            await check(transport, far_end)
    async with made(make, REPORTING) as (transport, far_end):
        await _check_silent_freeze(transport, far_end)


async def check_lossy_transport(make: MakeLossy) -> None:
    """Check everything of ``check_transport``, and what must hold over a poor link."""
    await check_transport(make)
    for kind in TROUBLES:
        async with make(DEVICES) as (transport, far_end):
            await _check_trouble(transport, far_end, kind)
            await transport.close()


# -- one transport by itself


async def _check_shape(transport: Transport, _far_end: FarEnd) -> None:
    require(isinstance(transport.name, str) and transport.name, "its name is text, not empty")
    counters = transport.counters
    require(
        not (counters.received or counters.sent or counters.rejected), "its counters start at 0"
    )
    await transport.close()
    await transport.close()
    with link_error("sending without an open link raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])


async def _check_reports(transport: Transport, far_end: FarEnd) -> None:
    ear = Ear()
    await transport.open(ear)
    for bound in DEVICES:
        for value in bound.reports:
            await far_end.report(bound.device, value)
            await until_heard(ear, bound.device, value, "a report reaches the sink")
    strange = {device for device in ear.latest if device not in {DETECTOR, TURNOUT}}
    require(not strange, f"only devices that report are reported; got {strange}")


async def _check_orders(transport: Transport, far_end: FarEnd) -> None:
    await transport.open(Ear())
    await transport.send([])
    await transport.send(
        [Order(STOP, "applied"), Order(SIGNAL, "danger"), Order(TURNOUT, "reverse")]
    )
    for device, value in ((STOP, "applied"), (SIGNAL, "danger"), (TURNOUT, "reverse")):
        await until_ordered(far_end, device, value, "an order arrives")
    for value in ("clear", "caution", "danger", "clear", "danger", "caution"):
        await transport.send([Order(SIGNAL, value)])
    await until_ordered(far_end, SIGNAL, "caution", "orders for one device arrive in their order")
    require(transport.counters.sent == 9, "each order that was sent is counted")


async def _check_closing(transport: Transport, far_end: FarEnd) -> None:
    first, second = Ear(), Ear()
    await transport.open(first)
    await far_end.report(DETECTOR, "clear")
    await until_heard(first, DETECTOR, "clear", "a report arrives")
    await transport.close()
    await transport.close()
    heard = first.count
    with link_error("sending after closing raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])
    await transport.open(second)
    await far_end.report(DETECTOR, "occupied")
    await until_heard(second, DETECTOR, "occupied", "reports arrive after opening again")
    require(first.count == heard, "nothing is delivered to the sink of an earlier opening")
    await transport.send([Order(SIGNAL, "caution")])
    await until_ordered(far_end, SIGNAL, "caution", "orders arrive after opening again")


async def _check_absent_peer(transport: Transport, far_end: FarEnd) -> None:
    await far_end.cut()
    ear = Ear()
    for _ in range(2):
        with link_error("opening without the other end raises LinkError"):
            await transport.open(ear)
    require(ear.count == 0, "a link that did not open delivers nothing")
    await far_end.mend()
    await transport.open(ear)


async def _check_loss(transport: Transport, far_end: FarEnd) -> None:
    await transport.open(Ear())
    watch = asyncio.create_task(transport.wait_lost(), name="the check's watch")
    try:
        await asyncio.sleep(0.05)
        require(not watch.done(), "wait_lost does not return while the link is up")
        await far_end.cut()
        await until(watch.done, "wait_lost returns when the link has gone")
    finally:
        watch.cancel()
        with contextlib.suppress(LinkError, asyncio.CancelledError):
            await watch
    with link_error("sending on a lost link raises LinkError"):
        await transport.send([Order(SIGNAL, "danger")])
    await transport.close()
    await far_end.mend()
    ear = Ear()
    await transport.open(ear)
    await far_end.report(DETECTOR, "clear")
    await until_heard(ear, DETECTOR, "clear", "a mended link carries reports")


async def _check_cancelled_opening(transport: Watched, far_end: FarEnd) -> None:
    for passes in range(6):
        opening = asyncio.create_task(transport.open(Ear()), name="an opening to be cancelled")
        for _ in range(passes):
            await asyncio.sleep(0)
        opening.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await opening
            await transport.close()
        await nothing_left(transport, "a cancelled opening")
    ear = Ear()
    await transport.open(ear)
    await far_end.report(DETECTOR, "clear")
    await until_heard(ear, DETECTOR, "clear", "it can be opened after a cancelled opening")


# -- under the supervisor


async def _check_supervised_loss(transport: Transport, far_end: FarEnd) -> None:
    async with supervised(transport) as (supervisor, ear):
        await up(supervisor)
        supervisor.post([Order(SIGNAL, "clear"), Order(STOP, "lifted")])
        for device, value in ((DETECTOR, "clear"), (TURNOUT, "normal")):
            await far_end.report(device, value)
            await until_heard(ear, device, value, "a report arrives")
        await until_ordered(far_end, SIGNAL, "clear", "the order arrives")
        await far_end.cut()
        await until(lambda: supervisor.state is not LinkState.UP, "the loss is noticed")
        for device in (DETECTOR, TURNOUT):
            require(ear.latest[device] is None, f"{device} is unknown as soon as the link is lost")
        supervisor.post([Order(SIGNAL, "caution")])
        await far_end.mend()
        await up(supervisor)
        await until_ordered(far_end, SIGNAL, "caution", "the latest order follows on a new link")
        await far_end.report(DETECTOR, "occupied")
        await until_heard(ear, DETECTOR, "occupied", "reports count again")
        require(transport.counters.opened >= 2, "each opening is counted")
        require(transport.counters.lost >= 1, "each loss is counted")


async def _check_supervised_freeze(transport: Transport, far_end: FarEnd) -> None:
    async with supervised(transport) as (supervisor, ear):
        await up(supervisor)
        await far_end.report(DETECTOR, "clear")
        await until_heard(ear, DETECTOR, "clear", "a report arrives")
        await far_end.freeze()
        for value in ("clear", "caution", "clear"):
            supervisor.post([Order(SIGNAL, value)])
        await until(
            lambda: supervisor.state is not LinkState.UP, "a link that does not answer is lost"
        )
        require(ear.latest[DETECTOR] is None, "the devices of a dead link are unknown")
        supervisor.post([Order(SIGNAL, "danger")])
        await far_end.thaw()
        await up(supervisor)
        await until_ordered(far_end, SIGNAL, "danger", "the latest order wins")
        await far_end.report(DETECTOR, "occupied")
        await until_heard(ear, DETECTOR, "occupied", "reports count again")


async def _check_silent_freeze(transport: Transport, far_end: FarEnd) -> None:
    async with supervised(transport, REPORTING) as (supervisor, ear):
        await up(supervisor)
        await far_end.report(DETECTOR, "clear")
        await until_heard(ear, DETECTOR, "clear", "a report arrives")
        await far_end.freeze()
        await until(
            lambda: ear.latest[DETECTOR] is None,
            "a device is unknown when the other end has died, though nothing is sent to it",
        )
        await far_end.thaw()
        await up(supervisor)
        await far_end.report(DETECTOR, "occupied")
        await until_heard(ear, DETECTOR, "occupied", "reports count again")


async def _check_farewell(transport: Transport, far_end: FarEnd) -> None:
    async with supervised(transport) as (supervisor, _ear):
        await up(supervisor)
        supervisor.post([Order(SIGNAL, "clear"), Order(STOP, "lifted"), Order(TURNOUT, "reverse")])
        for device, value in ((SIGNAL, "clear"), (STOP, "lifted"), (TURNOUT, "reverse")):
            await until_ordered(far_end, device, value, "an order arrives")
    for device in (SIGNAL, STOP):
        order = restrictive_order(device)
        require(order is not None, f"{device} has a most restrictive order")
        if order is not None:
            await until_ordered(far_end, device, order.value, "shutting down restricts")
    require(far_end.ordered(TURNOUT) == "reverse", "turnouts are left as they lie")


async def _check_trouble(transport: Transport, far_end: LossyFarEnd, kind: str) -> None:
    async with supervised(transport) as (supervisor, ear):
        await up(supervisor)
        await far_end.trouble(kind)
        for turn in range(6):
            await far_end.report(DETECTOR, ("clear", "occupied")[turn % 2])
            await far_end.report(TURNOUT, ("normal", "moving", "reverse")[turn % 3])
            supervisor.post([Order(SIGNAL, ("clear", "caution", "danger")[turn % 3])])
            supervisor.post([Order(STOP, ("lifted", "applied")[turn % 2])])
            await asyncio.sleep(0.05)
        await far_end.calm()
        await up(supervisor)
        supervisor.post([Order(SIGNAL, "caution")])
        await far_end.report(DETECTOR, "clear")
        await far_end.report(TURNOUT, "reverse")
        await until(
            lambda: (ear.latest.get(DETECTOR), ear.latest.get(TURNOUT)) == ("clear", "reverse"),
            f"the latest reports win after trouble ({kind})",
        )
        await until(
            lambda: (far_end.ordered(SIGNAL), far_end.ordered(STOP)) == ("caution", "applied"),
            f"the latest orders win after trouble ({kind})",
        )
        # What is still under way must not undo it.
        await asyncio.sleep(1.0)
        require(
            (ear.latest.get(DETECTOR), ear.latest.get(TURNOUT)) == ("clear", "reverse"),
            f"nothing late undoes a newer report ({kind})",
        )
        require(
            (far_end.ordered(SIGNAL), far_end.ordered(STOP)) == ("caution", "applied"),
            f"nothing late undoes a newer order ({kind})",
        )
