"""Devices that say or are told texts: readers, and berths of trains' names, on each transport."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import Any

import pytest

from signalling.errors import ConfigurationError, RejectedInputError
from signalling.layout.words import LONGEST_TEXT, BoundDevice, Device, Order, Report
from transports.can.dbc import DbcFiles
from transports.can.foreign import foreign_reports
from transports.can.foreign_orders import ForeignGroup, foreign_groups
from transports.can.own import own_orders, own_reports
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.mqtt.own.bindings import bind
from transports.mqtt.payload import read_json
from transports.mqtt.topics import Routes, TextPublications
from transports.slots import OrderSlots
from transports.supervise import Supervisor
from transports.transport import TransportSettings

A, B = Device("berth", "a"), Device("berth", "b")
GATE = Device("reader", "gate")
M1, S1 = Device("signal", "M1"), Device("stop", "S1")


def berth(device: Device = A, **order: Any) -> BoundDevice:
    return BoundDevice(device=device, orders=("empty",), order=order, texts=True)


def reader(**report: Any) -> BoundDevice:
    return BoundDevice(device=GATE, reports=("none",), report=report, fresh=2.0, texts=True)


# -- slots and links --------------------------------------------------------------------------


def test_berths_let_everything_else_go_first() -> None:
    slots = OrderSlots(
        [
            berth(),
            berth(B),
            BoundDevice(device=M1, orders=("danger", "clear")),
            BoundDevice(device=S1, orders=("applied", "lifted")),
        ]
    )
    assert [order.device for order in slots.take(9)] == [S1, M1, A, B]
    slots.post([Order(A, "1A23"), Order(B, "2B40"), Order(M1, "clear"), Order(S1, "lifted")])
    assert [order.device for order in slots.take(9)] == [M1, S1, A, B]
    slots.post([Order(A, "empty"), Order(M1, "danger"), Order(S1, "applied")])
    assert [order.device for order in slots.take(9)] == [S1, M1, A]
    assert Order(A, "empty") in slots.restrictive()


async def test_texts_come_and_go_over_a_link() -> None:
    devices = (reader(), berth())
    bench = LoopbackBench()
    transport = LoopbackTransport(
        TransportSettings(name="bench", options={}, devices=devices), bench
    )
    said: list[Report] = []
    link = Supervisor(transport, devices, deliver=said.append)
    task = asyncio.create_task(link.run())
    await asyncio.sleep(0.1)
    link.post([Order(A, "1A23 2B40?")])
    for value in ("04:A1", "none", "x" * LONGEST_TEXT, "x" * (LONGEST_TEXT + 1), "a\nb"):
        bench.report(GATE, value)
    await asyncio.sleep(0.1)
    assert bench.orders[A] == "1A23 2B40?"
    heard = ["04:A1", "none", "x" * LONGEST_TEXT, None, None]
    assert [report.value for report in said] == heard
    assert transport.counters.rejected == {"unknown-value": 2}
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert bench.orders[A] == "empty", "nothing is known of trains when nobody looks"


# -- MQTT, in the user's own terms ---------------------------------------------------------------


def routes(*devices: BoundDevice) -> Routes:
    return Routes.make("club", "gannet", devices, (), ("gannet/controller",))


def told(text: str, **order: Any) -> bytes:
    return routes(berth(**order)).orders[A][text].payload


def test_a_berth_s_text_is_its_payload() -> None:
    assert told("1A23?") == b"1A23?"
    assert told("empty") == b"empty"
    assert told("empty", values={"empty": ""}) == b""
    assert routes(berth()).orders[A]["1A23"].topic == "gannet/order/berth/a"


def test_a_template_and_a_pointer_have_the_text_in_them() -> None:
    template = '{"block": "a", "train": "{value}"}'
    assert told("1A23", template=template) == b'{"block": "a", "train": "1A23"}'
    assert told("1A23", pointer="/train") == b'{"train":"1A23"}'


@pytest.mark.parametrize("order", [{}, {"template": '{"train": "{value}"}'}, {"pointer": "/train"}])
def test_one_who_listens_reads_it_back(order: dict[str, Any]) -> None:
    publications = routes(berth(**order)).orders[A]
    assert isinstance(publications, TextPublications)
    for text in ("1A23", "1A23? 2B40 3C50 +", "empty", 'a"b'):
        assert publications.word(publications[text].payload) == text
    for payload in (b"\xff", b"", b'{"train": 5}' if order else b"x" * 65):
        assert publications.word(payload) is None


def test_berths_need_topics_of_their_own() -> None:
    with pytest.raises(ConfigurationError, match="cannot be told from one for berth a"):
        routes(berth(topic="board"), berth(B, topic="board"))
    routes(berth(topic="board", pointer="/a"), berth(B, topic="board", pointer="/b"))


def read(payload: bytes, **report: Any) -> str | None:
    [[route]] = routes(reader(**report)).reports.values()
    return route.format.decode(payload, lambda: read_json(payload))


def test_a_reader_s_payload_is_its_text() -> None:
    assert read(b"04:A1:B2") == "04:A1:B2"
    assert read(b" 1234 ") == "1234"
    assert read(b'{"tag": "04:A1"}', pointer="/tag") == "04:A1"
    assert read(b'{"tag": 1234}', pointer="/tag") == "1234"
    assert read(b"", values={"none": ""}) == "none"


@pytest.mark.parametrize("payload", [b"x" * 65, b"\xff", b""])
def test_what_is_no_text_is_turned_away(payload: bytes) -> None:
    with pytest.raises(RejectedInputError):
        read(payload)
    with pytest.raises(RejectedInputError):
        read(b'{"tag": ["04:A1"]}', pointer="/tag")


# -- MQTT, by our own schema --------------------------------------------------------------------


def test_the_longest_texts_must_fit_into_a_node_s_message() -> None:
    few = [berth(Device("berth", f"b{number}"), node="board") for number in range(40)]
    bind("club", few)
    many = [berth(Device("berth", f"b{number}"), node="board") for number in range(60)]
    with pytest.raises(ConfigurationError, match="a message has 4096 at most"):
        bind("club", many)


# -- CAN, by a DBC file -------------------------------------------------------------------------


@pytest.fixture
def files() -> DbcFiles:
    folder = Path(__file__).parents[1] / "describe"
    return DbcFiles("club", str(folder), {})


def group(files: DbcFiles, **table: Any) -> ForeignGroup:
    order = {"dbc": "board.dbc", "message": "Berths", "others": {"Train_2": 7}, **table}
    [made] = foreign_groups("club", [berth(**order)], files)
    return made


def number(made: ForeignGroup, text: str) -> int:
    made.put(Order(A, text))
    frame = made.frame()
    assert frame is not None
    return int.from_bytes(frame.data[:2], "little")


def test_a_train_s_number_goes_into_a_frame(files: DbcFiles) -> None:
    values = {"empty": 0, "1A23": 123, "*": 65535}
    made = group(files, signal="Train_1", values=values)
    assert number(made, "empty") == 0
    assert number(made, "1A23") == 123
    assert number(made, "4711") == 4711, "a number stands for itself"
    for text in ("2B40", "1A23?", "4711?", "1A23 2B40", "123", "0", "70000"):
        assert number(made, text) == 65535, "and whatever has none, or another's, for others"


def test_what_a_signal_cannot_say_is_among_the_others(files: DbcFiles) -> None:
    order = {"dbc": "board.dbc", "message": "Berths", "others": {"Train_1": 7}}
    [made] = foreign_groups(
        "club", [berth(**order, signal="Train_2", values={"empty": 0, "*": 1})], files
    )
    made.put(Order(A, "10000"))
    frame = made.frame()
    assert frame is not None
    assert int.from_bytes(frame.data[2:], "little") == 1


@pytest.mark.parametrize("values", [None, {"empty": 0}, {"*": 1}, 5])
def test_all_texts_must_have_a_number(files: DbcFiles, values: object) -> None:
    table = {} if values is None else {"values": values}
    with pytest.raises(ConfigurationError, match=r'"\*" for all that have no number'):
        group(files, signal="Train_1", **table)


def test_two_texts_with_one_number_are_refused(files: DbcFiles) -> None:
    with pytest.raises(ConfigurationError, match="sent alike"):
        group(files, signal="Train_1", values={"empty": 0, "*": 0})


def test_a_berth_waits_for_all_else(files: DbcFiles) -> None:
    made = group(files, signal="Train_1", values={"empty": 0, "*": 1})
    assert made.put(Order(A, "4711")) == (True, False)
    assert made.put(Order(A, "empty")) == (True, False)


def test_a_reader_s_number_is_its_text(files: DbcFiles) -> None:
    table = {"dbc": "board.dbc", "message": "Tag", "signal": "Number", "values": {"none": 0}}
    [report] = foreign_reports("club", [reader(**table)], {}, files)
    assert report.word({"Number": 0}) == "none"
    assert report.word({"Number": 4711}) == "4711"


# -- CAN, by our own schema ---------------------------------------------------------------------


def test_our_own_frames_carry_no_names() -> None:
    with pytest.raises(ConfigurationError) as caught:
        own_orders("club", [berth(node=3, port=0)])
    assert "no frame for this of a berth" in caught.value.reason
    assert "DBC file" in caught.value.remedy
    with pytest.raises(ConfigurationError, match="no frame for this of a reader"):
        own_reports("club", [reader(node=3, port=0)])
