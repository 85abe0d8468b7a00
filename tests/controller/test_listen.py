"""What arrives on all of a layout's links, and what of it is new; on links made for the test."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import pytest
from attrs import frozen

from signalling.controller import listen
from signalling.controller.listen import LinkChanged, Listening, Missed, New, News, Settled
from signalling.errors import ConfigurationError, LinkError
from signalling.layout.words import Device, Order, Report
from signalling.table.load import load_table
from transports import registry
from transports.link import LinkState
from transports.listen import Arrival, Meaning
from transports.transport import LinkCounters, TransportSettings

if TYPE_CHECKING:
    from pathlib import Path

    from signalling.table.table import Table
    from transports.listen import Hear
    from transports.transport import Sink

B1, B2 = Device("detector", "b1"), Device("detector", "b2")
LAYOUT = """
[layout]
name = "Merrow Bay"
[blocks]
b1 = {}
b2 = {}
b3 = {}
[lines]
main = "b1 > b2 > b3 > b1"
[signals]
A = { at = "b1 > b2" }
B = { at = "b2 > b3" }
C = { at = "b3 > b1" }
[transports.shed]
kind = "pigeon"
[transports.club]
kind = "loopback"
[[bindings]]
device = ["detector b1", "signal *"]
transport = "shed"
[[bindings]]
device = "detector b2"
transport = "shed"
fresh = 2
[[bindings]]
device = "detector b3"
transport = "club"
"""


class Pigeon:
    """A transport by somebody else, that can listen; here it has one link, which the test works."""

    last: Pigeon

    def __init__(self, settings: TransportSettings) -> None:
        self.name = settings.name
        self.counters = LinkCounters()
        self.absent = False
        self.wrong: Exception | None = None
        self.sent: list[Order] = []
        self.sink: Sink | None = None
        self.hear: Hear
        self.gone = asyncio.Event()
        Pigeon.last = self

    def listener(self, hear: Hear, more: Iterable[str] = ()) -> Pigeon:
        self.hear, self.more = hear, tuple(more)
        return self

    async def open(self, sink: Sink) -> None:
        if self.wrong is not None:
            raise self.wrong
        if self.absent:
            raise LinkError("no pigeon has come")
        self.sink = sink
        self.gone.clear()

    async def wait_lost(self) -> None:
        await self.gone.wait()

    async def send(self, orders: Iterable[Order]) -> None:
        self.sent += orders

    async def close(self) -> None:
        self.gone.set()

    def arrive(self, place: str, raw: bytes = b"coo", **more: Any) -> None:
        """Let something arrive, after what it reports."""
        assert self.sink is not None
        for meaning in more.get("meanings", ()):
            self.sink(Report(meaning.device, None if meaning.reason else meaning.value))
        self.hear(Arrival(place=place, raw=raw, text=True, **more))


@frozen
class Entry:
    maker: Any

    def load(self) -> Any:
        return self.maker


class Entries:
    names = ("pigeon",)

    def __init__(self, maker: Any) -> None:
        self.maker = maker

    def select(self, name: str) -> list[Entry]:
        return [Entry(self.maker)] if name in self.names else []


@pytest.fixture
def theirs(monkeypatch: pytest.MonkeyPatch) -> Callable[[Any], None]:
    """Register a maker as the kind ``pigeon``, as another distribution would."""

    def register(maker: Any) -> None:
        monkeypatch.setattr(registry, "entry_points", lambda *, group: Entries(maker))  # noqa: ARG005

    register(Pigeon)
    return register


@pytest.fixture
def table(tmp_path: Path, theirs: object) -> Table:  # noqa: ARG001 - to be registered
    file = tmp_path / "merrow.toml"
    file.write_text(LAYOUT)
    return load_table(file)


class Reader:
    """One who reads all that is told, as it comes."""

    def __init__(self, listening: Listening) -> None:
        self.listening = listening
        self.news: list[News] = []

    async def read(self) -> None:
        async for news in self.listening:
            self.news += news

    def told(self, kind: type) -> list[Any]:
        return [each for each in self.news if isinstance(each, kind)]


@contextlib.asynccontextmanager
async def running(table: Table, *more: str) -> Any:
    listening = Listening(table, ".", more)
    reader = Reader(listening)
    reading = asyncio.create_task(reader.read(), name="read")
    async with listening:
        await asyncio.sleep(0.01)
        yield listening, Pigeon.last, reader
    await reading


async def test_what_arrives_is_told_once_and_repetitions_are_counted(table: Table) -> None:
    async with running(table) as (listening, pigeon, reader):
        for raw in (b"one", b"one", b"two", b"two", b"one"):
            pigeon.arrive("loft", raw)
            await asyncio.sleep(1)
        assert [(each.arrival.raw, each.count) for each in reader.told(New)] == [
            (b"one", 1),
            (b"two", 3),
            (b"one", 5),
        ]
        (line,) = listening.lines.values()
        assert (line.transport, line.count, line.arrival.raw) == ("shed", 5, b"one")
        assert round(line.at - line.changed, 3) == 0
        pigeon.arrive("loft", b"one")
        assert round(line.at - line.changed, 3) == 1


async def test_what_has_changed_is_named(table: Table) -> None:
    async with running(table) as (listening, pigeon, reader):
        for values in ({"a": 1, "b": 2}, {"a": 1, "b": 3}, {"a": 1, "b": 3}, {"a": 0, "c": 4}):
            pigeon.arrive("loft", repr(values).encode(), message="note", values=values)
        await asyncio.sleep(1)
        assert [each.changes for each in reader.told(New)] == [(), ("b",), ("a", "c")]
        pigeon.arrive("loft", repr(values).encode(), message="note", values=values)
        assert next(iter(listening.lines.values())).changes == ("a", "c"), "until the next change"


async def test_parts_are_places_of_their_own(table: Table) -> None:
    async with running(table) as (listening, pigeon, _):
        for part in ("page 1", "page 2", "page 1"):
            pigeon.arrive("loft", part=part)
        assert {key[2]: line.count for key, line in listening.lines.items()} == {
            "page 1": 2,
            "page 2": 1,
        }


async def test_a_link_that_cannot_listen_is_named(table: Table) -> None:
    listening = Listening(table, ".", ("attic",))
    assert (listening.names, listening.deaf) == (["shed"], ["club"])
    assert Pigeon.last.more == ("attic",)
    assert listening.devices == {B1: "shed", B2: "shed"}


async def test_a_report_is_told_with_what_it_came_with_and_its_end_by_itself(
    table: Table,
) -> None:
    async with running(table) as (listening, pigeon, reader):
        pigeon.arrive("loft", meanings=(Meaning(device=B2, value="clear"),))
        await asyncio.sleep(1)
        assert reader.told(Settled) == []
        await asyncio.sleep(5)  # it is fresh for 2 s
        assert [each.report for each in reader.told(Settled)] == [Report(B2, None)]
        assert [(device, name) for device, name in listening.unheard()] == [(B1, "shed")]


async def test_a_report_that_something_else_brings_to_life_is_told(table: Table) -> None:
    async with running(table) as (_, pigeon, reader):
        pigeon.sink(Report(B1, "clear"))
        pigeon.arrive("presence", known=True)
        await asyncio.sleep(0.1)
        assert [each.report for each in reader.told(Settled)] == [Report(B1, "clear")]


async def test_orders_are_told_and_none_is_given(table: Table) -> None:
    async with running(table) as (listening, pigeon, _):
        told = Meaning(device=Device("signal", "A"), order=True, value="clear")
        pigeon.arrive("loft", meanings=())
        pigeon.hear(Arrival(place="box", raw=b"A", text=True, meanings=(told,)))
        await asyncio.sleep(30)
        assert Device("signal", "A") not in listening.devices
    assert pigeon.sent == []


async def test_a_link_that_is_absent_is_told_once_and_tried_on(table: Table) -> None:
    async with running(table) as (_, pigeon, reader):
        pigeon.absent = True
        pigeon.gone.set()
        await asyncio.sleep(60)
        pigeon.absent = False
        await asyncio.sleep(10)
        states = [(each.link.state, each.link.error) for each in reader.told(LinkChanged)]
    assert states == [
        (LinkState.OPENING, ""),
        (LinkState.UP, ""),
        (LinkState.LOST, "the other end has gone"),
        (LinkState.LOST, "no pigeon has come"),
        (LinkState.UP, ""),
    ]
    assert reader.news[-1].link.state is LinkState.CLOSED


async def test_that_nothing_is_known_any_more_at_the_end_is_no_news(table: Table) -> None:
    async with running(table) as (_, pigeon, reader):
        pigeon.arrive("loft", meanings=(Meaning(device=B1, value="clear"),))
    assert reader.told(Settled) == []
    assert len(reader.told(New)) == 1


async def test_a_reader_that_is_slow_is_told_what_it_missed_and_how_links_stand(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listen, "_WAITING", 10)
    async with Listening(table, ".") as listening:
        await asyncio.sleep(0.01)
        for number in range(100):
            Pigeon.last.arrive("loft", b"%d" % number)
        news = await anext(listening)
        assert [each.arrival.raw for each in news if isinstance(each, New)] == [
            b"%d" % number for number in range(90, 100)
        ]
        (link,) = [each for each in news if isinstance(each, LinkChanged)]
        assert (link.link.name, link.link.state) == ("shed", LinkState.UP)
        assert news[-1] == Missed(news[-1].at, 92)  # and two of the link's opening
        assert [each.at for each in news] == sorted(each.at for each in news)
        (line,) = listening.lines.values()
        assert line.count == 100
        Pigeon.last.arrive("loft", b"more")
        assert [type(each) for each in await anext(listening)] == [New]


async def test_a_storm_of_strangers_takes_no_place_from_what_is_bound(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listen, "_PLACES", 3)
    async with running(table) as (listening, pigeon, _):
        for number in range(50):
            pigeon.arrive(f"stranger/{number}")
        pigeon.arrive("loft", meanings=(Meaning(device=B1, value="clear"),))
        pigeon.arrive("stranger/0")
        assert len(listening.lines) == 4
        assert listening.passed_over == 47
        assert listening.lines["shed", "stranger/0", ""].count == 2
        assert ("shed", "loft", "") in listening.lines


async def test_of_what_is_long_the_first_is_kept_and_a_change_is_still_seen(
    table: Table,
) -> None:
    picture = b"x" * 1_000_000
    async with running(table) as (listening, pigeon, reader):
        for raw in (picture + b"1", picture + b"1", picture + b"2"):
            pigeon.arrive("camera", raw)
        await asyncio.sleep(1)
        (line,) = listening.lines.values()
        assert len(line.arrival.raw) == 4096
        assert line.arrival.length == 1_000_001
        assert len(repr(line.arrival.content)) < 100
        assert [each.count for each in reader.told(New)] == [1, 3]


async def test_counters_are_those_of_each_link(table: Table) -> None:
    async with running(table) as (listening, pigeon, _):
        pigeon.counters.rejected["torn"] += 2
        assert listening.counters == {"shed": {"torn": 2}}


# -- what cannot work


async def test_a_link_that_turns_out_to_be_set_up_wrongly_ends_it(table: Table) -> None:
    listening = Listening(table, ".")
    Pigeon.last.wrong = ConfigurationError("transport shed", "There is no loft.", "Build one.")
    with pytest.raises(ConfigurationError, match="There is no loft"):
        async with listening:
            await asyncio.sleep(60)
    assert [news async for news in listening], "and a reader comes to its end"


def broken(*_: object) -> Any:
    raise ZeroDivisionError("division by zero")


def half(*_: object) -> Any:
    return object()


def refusing(*_: object) -> Any:
    raise ConfigurationError("transport shed", "Pigeons know no topics.", "Leave them out.")


@pytest.mark.parametrize(
    ("way", "said"),
    [
        (broken, "cannot be listened to: ZeroDivisionError: division by zero"),
        ("not even callable", "cannot be listened to: TypeError"),
        (half, "is no transport: it gives no name, counters, open, wait_lost, send, close"),
        (refusing, "Pigeons know no topics"),
    ],
)
async def test_a_listener_of_others_that_cannot_be_used_is_named(
    table: Table, theirs: Callable[[Any], None], way: Any, said: str
) -> None:
    def make(settings: TransportSettings) -> Pigeon:
        pigeon = Pigeon(settings)
        pigeon.listener = way  # type: ignore[method-assign]
        return pigeon

    theirs(make)
    with pytest.raises(ConfigurationError, match=said) as caught:
        Listening(table, ".")
    assert caught.value.thing == "transport shed"
