"""What a frame says, told to one who listens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.words import BoundDevice, Device, Report
from transports.can.bindings import Bindings
from transports.can.frames import encode
from transports.can.options import Options
from transports.can.outgoing import CanFrame
from transports.can.protect import Sequence
from transports.can.reading import FrameReader
from transports.listen import Arrival, Meaning
from transports.transport import LinkCounters, TransportSettings

HERE = str(Path(__file__).parent)
D1, D2, M1, S1 = (
    Device("detector", "d1"),
    Device("detector", "d2"),
    Device("signal", "M1"),
    Device("stop", "S1"),
)
VALUES = ("clear", "occupied")
OWN = (
    BoundDevice(device=D1, reports=VALUES, report={"node": 3, "port": 0}),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order={"node": 3, "port": 0}),
    BoundDevice(device=S1, orders=("applied", "lifted"), order={"node": 3, "port": 0}),
)
MERROW = {"dbc": "merrow.dbc"}
SECTION_1 = {"message": "Occupancy", "signal": "Section_1", "values": {"occupied": 1, "clear": 0}}
HEAD_1 = {
    "message": "Signals",
    "signal": "Head_1",
    "values": {"danger": "Red", "caution": "Yellow", "clear": "Green"},
}
FOREIGN = (
    BoundDevice(device=D1, reports=VALUES, report={**MERROW, **SECTION_1}, fresh=2),
    BoundDevice(device=M1, orders=("danger", "caution", "clear"), order={**MERROW, **HEAD_1}),
)


class Rig:
    """One opening, the time in hand, and a node's streams."""

    def __init__(self, devices: tuple[BoundDevice, ...], **options: Any) -> None:
        table = {"interface": "virtual", "channel": "none", **options}
        settings = TransportSettings(name="bus", options=table, devices=devices, folder=HERE)
        self.said: list[Report] = []
        self.counters = LinkCounters()
        bindings = Bindings(settings, Options.read(settings))
        self.reader = FrameReader("bus", bindings, self.said.append, self.counters)
        self.now = 1000.0
        self.sequences: dict[tuple[str, int, int], Sequence] = {}

    def __call__(self, identifier: int, data: bytes, *, extended: bool = False) -> Arrival:
        return self.reader.read(CanFrame(identifier, data, extended=extended), self.now)

    def say(
        self, name: str, node: int = 3, group: int = 0, times: int = 1, **values: int
    ) -> Arrival:
        sequence = self.sequences.setdefault((name, node, group), Sequence())
        for _ in range(times):
            frame = encode(name, node, group=group, counter=sequence.counter, values=values)
            sequence.advance()
            arrival = self(*frame)
        return arrival

    def settle(self) -> None:
        """Let node 3 say who it is for as long as it takes to be known."""
        self.say("NodeStatus", times=3, Serial=17)
        self.now += 0.5
        self.say("NodeStatus", Serial=17)


# -- our own schema


def test_a_report_is_told_raw_and_decoded_and_why_it_does_not_count_yet() -> None:
    rig = Rig(OWN)
    arrival = rig(*encode("DetectorReport", 3, counter=0, values={"Port0": 2}))
    assert (arrival.place, arrival.message, arrival.text) == ("203", "DetectorReport", False)
    assert arrival.raw == encode("DetectorReport", 3, counter=0, values={"Port0": 2})[1]
    (meaning,) = arrival.meanings
    assert (meaning.device, meaning.value) == (D1, "occupied")
    assert meaning.reason == "node 3 is not yet known to be one board"
    assert rig.said == []
    rig.settle()
    (meaning,) = rig.say("DetectorReport", Port0=2, times=3).meanings
    assert meaning == Meaning(device=D1, value="occupied")
    assert rig.said == [Report(D1, "occupied")]
    rig.reader.check(rig.now + 60)
    assert rig.said[-1] == Report(D1, None)


def test_a_counter_that_counts_on_is_nothing_new() -> None:
    rig = Rig(OWN)
    rig.settle()
    first = rig.say("DetectorReport", times=3, Port0=1)
    again = rig.say("DetectorReport", Port0=1)
    assert first.raw != again.raw
    assert first.content == again.content
    assert again.content != rig.say("DetectorReport", Port0=2).content


def test_orders_of_who_runs_the_layout_are_told_and_no_second_controller_is_seen() -> None:
    rig = Rig(OWN)
    arrival = rig.say("SignalOrder", Aspect0=2)
    assert arrival.meanings == (Meaning(device=M1, order=True, value="clear"),)
    assert rig.say("StopOrder", Port0=1).meanings[0].value == "lifted"
    assert rig.say("AllDanger", node=0).bound
    assert not rig.counters.rejected


def test_ports_of_a_bound_node_that_nothing_is_bound_to_are_named() -> None:
    arrival = Rig(OWN).say("DetectorReport", Port0=1, Port5=2)
    assert arrival.unbound == ("Port5",)
    assert dict(arrival.values) == {"node": 3, "Port0": "clear", "Port5": "occupied"}


@pytest.mark.parametrize("devices", [OWN, ()])
def test_a_node_that_no_binding_names_is_found(devices: tuple[BoundDevice, ...]) -> None:
    rig = Rig(devices)
    status = rig.say("NodeStatus", node=9, Serial=0xC0FFEE)
    assert (status.values["node"], status.values["Serial"]) == (9, 0xC0FFEE)
    assert not status.bound
    report = rig.say("DetectorReport", node=9, Port2=2)
    assert (report.bound, report.reason, report.unbound) == (False, "", ("Port2",))
    assert not rig.counters.rejected, "what is bound to nothing is not turned away"


def test_a_frame_of_ours_that_is_damaged_is_turned_away() -> None:
    rig = Rig(OWN)
    identifier, data = encode("DetectorReport", 3, counter=0, values={})
    arrival = rig(identifier, data[:-1] + bytes([data[-1] ^ 1]))
    assert arrival.reason.startswith("crc")
    assert rig.counters.rejected == {"crc": 1}


@pytest.mark.parametrize(("identifier", "extended"), [(0x7A0, False), (0x18F00503, True)])
@pytest.mark.parametrize("devices", [OWN, FOREIGN, ()])
def test_other_frames_are_bound_to_nothing(
    devices: tuple[BoundDevice, ...],
    identifier: int,
    extended: bool,  # noqa: FBT001
) -> None:
    rig = Rig(devices)
    arrival = rig(identifier, b"\x01\x02", extended=extended)
    assert arrival.place == f"{identifier:08X}" if extended else f"{identifier:03X}"
    assert (arrival.raw, arrival.bound, arrival.reason) == (b"\x01\x02", False, "")
    assert not rig.counters.rejected


# -- foreign devices


def test_a_foreign_report_is_told_raw_in_units_and_decoded() -> None:
    rig = Rig(FOREIGN)
    arrival = rig(0x610, b"\x03\x7d")
    assert arrival.message == "Occupancy"
    assert dict(arrival.values) == {
        "Section_1": 1,
        "Section_2": "Taken",
        "Section_3": 0,
        "Volts": 12.5,
    }
    assert arrival.meanings == (Meaning(device=D1, value="occupied"),)
    assert arrival.unbound == ("Section_2", "Section_3", "Volts")
    assert arrival.bound
    assert rig.said == [Report(D1, "occupied")]


def test_a_foreign_order_is_told() -> None:
    arrival = Rig(FOREIGN)(0x613, b"\x02\x28\x00")
    assert arrival.meanings == (Meaning(device=M1, order=True, value="clear"),)
    assert arrival.unbound == ()
    stranger = Rig(FOREIGN)(0x613, b"\x05\x28\x00")
    assert stranger.meanings == (
        Meaning(device=M1, order=True, value=None, reason="unknown-value"),
    )


def test_a_foreign_frame_of_another_length_is_turned_away() -> None:
    rig = Rig(FOREIGN)
    (meaning,) = rig(0x610, b"\x01").meanings
    assert (meaning.value, meaning.reason) == (None, "truncated")
    assert rig.said == [Report(D1, None)]


def test_messages_of_a_file_that_the_table_names_are_decoded_without_a_binding() -> None:
    rig = Rig((), dbc={"merrow.dbc": {}})
    arrival = rig(0x610, b"\x01\x00")
    assert (arrival.message, arrival.bound) == ("Occupancy", False)
    assert arrival.values["Section_1"] == 1
    assert "Section_1" in arrival.unbound
    assert not arrival.reason
    short = rig(0x610, b"\x01")
    assert (short.message, short.reason) == ("Occupancy", "truncated")


def test_parts_of_a_multiplexed_message_are_places_of_their_own() -> None:
    rig = Rig((), dbc={"merrow.dbc": {}})
    first, second = rig(0x615, b"\x00\x01"), rig(0x615, b"\x01\x01")
    assert (first.part, second.part) == ("Page 0", "Page 1")
    assert first.unbound == ("Contact_A",)


def test_a_message_by_which_a_publisher_is_known_is_bound() -> None:
    publishers = {"shed": {**MERROW, "message": "Heartbeat", "within": 1.0}}
    report = {**MERROW, **SECTION_1, "publisher": "shed"}
    rig = Rig((BoundDevice(device=D1, reports=VALUES, report=report),), publishers=publishers)
    arrival = rig(0x611, b"\x05")
    assert (arrival.message, arrival.bound) == ("Heartbeat", True)
    rig(0x610, b"\x01\x00")
    assert rig.reader.next_deadline == rig.now + 1.0
    rig.reader.check(rig.now + 1.1)
    assert rig.said == [Report(D1, "occupied"), Report(D1, None)]


@given(
    st.sampled_from([OWN, FOREIGN, ()]),
    st.integers(0, 0x7FF) | st.sampled_from([0x183, 0x610, 0x613, 0x615]),
    st.binary(max_size=8),
)
def test_no_frame_is_too_much(
    devices: tuple[BoundDevice, ...], identifier: int, data: bytes
) -> None:
    rig = Rig(devices, dbc={"merrow.dbc": {}})
    arrival = rig(identifier, data)
    assert arrival.raw == data
    assert set(arrival.unbound) <= set(arrival.values)
    for meaning in arrival.meanings:
        assert meaning.value is not None or meaning.reason
