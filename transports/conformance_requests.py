"""Checks that a transport over which requests can be made must pass besides the others.

Law of this file: as of ``conformance``: no test framework, nothing of any one
transport. ``make`` is the same; the far end can ask, and hears answers::

    asyncio.run(check_requests(make))

Checks wait by the loop's clock.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Protocol

from signalling.layout.asking import Answer, Asked, Outcome, Stage
from signalling.layout.words import Order
from transports.checking import (
    DETECTOR,
    DEVICES,
    SIGNAL,
    STOP,
    Ear,
    FarEnd,
    made,
    require,
    supervised,
    until,
    until_heard,
    until_ordered,
    up,
)
from transports.desk import ALL_AT_ONCE
from transports.link import LinkState
from transports.requests import CarriesRequests

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from contextlib import AbstractAsyncContextManager

    from transports.asking import Asking
    from transports.made_tasks import Watched
    from transports.supervise import Supervisor
    from transports.transport import BoundDevice, Transport

    MakeAsking = Callable[
        [tuple[BoundDevice, ...]], AbstractAsyncContextManager[tuple["Transport", "AskingFarEnd"]]
    ]

__all__ = ["AskingFarEnd", "check_requests"]

_FLOOD = 300
"""Requests at once: far more than are looked at."""


class AskingFarEnd(FarEnd, Protocol):
    """A far end that can also make requests."""

    async def ask(self, name: str, text: str) -> None:
        """Make a request on the link, once, now: its name, and what is asked for."""

    async def flood(self, text: str, count: int) -> None:
        """Make so many requests as fast as can be, each with a name of its own."""

    def told(self, name: str) -> tuple[str, ...]:
        """Return the stages that were told of a request, in the order of their arrival."""


async def check_requests(make: MakeAsking) -> None:
    """Check everything that a transport which carries requests must do besides the rest."""
    for check in (_check_way, _check_not_wanted, _check_loss, _check_repetition, _check_flood):
        async with made(make, DEVICES) as (transport, far_end):
            require(
                isinstance(transport.itself, CarriesRequests),
                "it has take_requests and tell, by which requests are carried",
            )
            await check(transport, far_end)


class _Clerk:
    """Stands for the logic: takes each request down, and says that it was taken."""

    def __init__(self) -> None:
        self.asked: list[Asked] = []
        self.asking: Asking | None = None

    def __call__(self) -> None:
        """Look at what is asked."""
        while self.asking is not None and (asked := self.asking.next()) is not None:
            self.asked.append(asked)
            self.answer(asked, Stage.TAKEN)

    def answer(self, asked: Asked, stage: Stage) -> None:
        """Say what has become of a request."""
        if self.asking is not None:
            self.asking.answer(Answer(asked, Outcome(stage, final=stage is not Stage.TAKEN)))

    def heard(self, name: str) -> list[Asked]:
        """Return every time that a request was made; a link may make more of its name."""
        return [asked for asked in self.asked if asked.text == _text(name)]


def _text(name: str) -> str:
    """Return what is asked for in a request, by which it is known."""
    return f"hold {name}"


@contextlib.asynccontextmanager
async def _with_clerk(transport: Watched) -> AsyncIterator[tuple[_Clerk, Supervisor, Ear]]:
    clerk = _Clerk()
    async with supervised(transport, requested=clerk) as (supervisor, ear):
        clerk.asking = supervisor.asking
        await up(supervisor)
        yield clerk, supervisor, ear


async def _heard(clerk: _Clerk, far_end: AskingFarEnd, name: str) -> Asked:
    """Make a request, and return it as it arrives."""
    await far_end.ask(name, _text(name))
    await until(lambda: clerk.heard(name), f"request {name} arrives")
    return clerk.heard(name)[0]


async def _check_way(transport: Watched, far_end: AskingFarEnd) -> None:
    async with _with_clerk(transport) as (clerk, _supervisor, _ear):
        asked = await _heard(clerk, far_end, "way-1")
        require(asked.id, "a request arrives with its name")
        await until(lambda: far_end.told("way-1") == ("taken",), "that it was taken is told")
        clerk.answer(asked, Stage.SET)
        await until(lambda: far_end.told("way-1") == ("taken", "set"), "then that it is set")


async def _check_not_wanted(transport: Watched, far_end: AskingFarEnd) -> None:
    ear = Ear()
    await transport.open(ear)
    await far_end.ask("unwanted-1", _text("unwanted-1"))
    await far_end.report(DETECTOR, "clear")
    await until_heard(ear, DETECTOR, "clear", "reports arrive where no requests are taken")
    require(not far_end.told("unwanted-1"), "without take_requests, nothing is made of a request")


async def _check_loss(transport: Watched, far_end: AskingFarEnd) -> None:
    async with _with_clerk(transport) as (clerk, supervisor, _ear):
        asked = await _heard(clerk, far_end, "loss-1")
        await until(lambda: far_end.told("loss-1") == ("taken",), "that it was taken is told")
        await far_end.cut()
        await until(lambda: supervisor.state is not LinkState.UP, "the loss is noticed")
        clerk.answer(asked, Stage.SET)
        await far_end.mend()
        await up(supervisor)
        # Who asks may be back later than we are, and asks again to hear what he missed.
        await far_end.ask("loss-1", _text("loss-1"))
        await until(
            lambda: far_end.told("loss-1")[-1:] == ("set",),
            "what became of it while the link was down is told on the new one",
        )
        await _heard(clerk, far_end, "loss-2")
        require(len(clerk.heard("loss-1")) == 1, "nothing is asked again by a new link")


async def _check_repetition(transport: Watched, far_end: AskingFarEnd) -> None:
    async with _with_clerk(transport) as (clerk, _supervisor, _ear):
        await _heard(clerk, far_end, "twice")
        await until(lambda: far_end.told("twice") == ("taken",), "that it was taken is told")
        await far_end.ask("twice", _text("twice"))
        await _heard(clerk, far_end, "once")
        require(len(clerk.heard("twice")) == 1, "the same request again is not another one")


async def _check_flood(transport: Watched, far_end: AskingFarEnd) -> None:
    async with _with_clerk(transport) as (clerk, supervisor, ear):
        await _heard(clerk, far_end, "before")
        await far_end.flood(_text("flood"), _FLOOD)
        supervisor.post([Order(SIGNAL, "caution"), Order(STOP, "lifted")])
        await until_ordered(far_end, SIGNAL, "caution", "orders arrive while many ask")
        await far_end.report(DETECTOR, "occupied")
        await until_heard(ear, DETECTOR, "occupied", "reports arrive while many ask")
        rejected = transport.counters.rejected
        await until(
            lambda: len(clerk.asked) + sum(rejected.values()) > _FLOOD,
            "each request is looked at or counted as turned away",
        )
        require(rejected["too-many-requests"], "who asks too much is turned away")
        require(len(clerk.asked) <= 2 * ALL_AT_ONCE, "so much is looked at, and no more")
