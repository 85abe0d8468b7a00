"""Devices of others, by a DBC file of the user's own."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Order, Report
from transports.can.dbc import DbcFiles
from transports.can.foreign import ForeignIncoming, Publisher, foreign_reports, publishers
from transports.can.foreign_orders import ForeignGroup, foreign_groups
from transports.can.outgoing import CanFrame, Outgoing
from transports.transport import BoundDevice

HERE = str(Path(__file__).parent)
D1, D2 = Device("detector", "d1"), Device("detector", "d2")
M1, M2 = Device("signal", "M1"), Device("signal", "M2")
S1, S2, T1, T2 = (
    Device("stop", "S1"),
    Device("stop", "S2"),
    Device("turnout", "t1"),
    Device("turnout", "t2"),
)
OCCUPANCY = ("clear", "occupied")
ASPECTS = ("danger", "caution", "clear")
MERROW = {"dbc": "merrow.dbc"}
BITS = {"occupied": 1, "clear": 0}
SECTION_1 = MERROW | {"message": "Occupancy", "signal": "Section_1", "values": BITS}
SECTION_2 = MERROW | {
    "message": "Occupancy",
    "signal": "Section_2",
    "values": {"occupied": "Taken", "clear": "Empty"},
}


def files(folder: str = HERE, **tables: Any) -> DbcFiles:
    return DbcFiles("club", folder, tables)


def bound(device: Device, report: dict[str, Any], fresh: float | None = 2.0) -> BoundDevice:
    return BoundDevice(device=device, reports=OCCUPANCY, report=report, fresh=fresh)


class Bench:
    def __init__(
        self,
        devices: list[BoundDevice],
        known: dict[str, Publisher] | None = None,
        dbc: DbcFiles | None = None,
    ) -> None:
        self.now = 1000.0
        self.said: list[tuple[Device, str | None]] = []
        self.rejected: Counter[str] = Counter()
        self.polled: list[Publisher] = []
        known = known or {}
        self.incoming = ForeignIncoming(
            foreign_reports("club", devices, known, dbc or files()),
            known,
            say=self,
            rejected=self.rejected,
            poll=self.polled.append,
        )

    def __call__(self, report: Report) -> None:
        self.said.append((report.device, report.value))

    def take(self, identifier: int, data: str, *, extended: bool = False) -> list[Any]:
        self.said.clear()
        self.incoming.check(self.now)
        taken = self.incoming.take(identifier, bytes.fromhex(data), self.now, extended=extended)
        assert taken or not self.said
        return self.said.copy()


def test_several_signals_of_one_message() -> None:
    bench = Bench([bound(D1, SECTION_1), bound(D2, SECTION_2)])
    assert bench.take(0x610, "03 80") == [(D1, "occupied"), (D2, "occupied")]
    assert bench.take(0x610, "00 80") == [(D1, "clear"), (D2, "clear")]
    assert bench.take(0x611, "00") == []
    assert bench.take(0x610, "00 80", extended=True) == []
    assert not bench.rejected


def test_a_value_that_stands_for_no_word_is_unknown() -> None:
    bench = Bench([bound(D1, SECTION_1), bound(D2, SECTION_2)])
    assert bench.take(0x610, "05 80") == [(D1, "occupied"), (D2, None)]
    assert bench.rejected == {"unknown-value": 1}


def test_a_value_out_of_its_range_is_unknown() -> None:
    """cantools decodes what the file says there cannot be (measured with 45.1)."""
    bench = Bench([bound(D2, SECTION_2)])
    assert bench.take(0x610, "06 80") == [(D2, None)]
    assert bench.rejected == {"out-of-range": 1}


@pytest.mark.parametrize(
    ("data", "reason"), [("", "truncated"), ("01", "truncated"), ("01 80 00", "oversized")]
)
def test_another_length_makes_unknown_what_the_message_speaks_of(data: str, reason: str) -> None:
    bench = Bench([bound(D1, SECTION_1), bound(D2, SECTION_2)])
    assert bench.take(0x610, data) == [(D1, None), (D2, None)]
    assert bench.rejected == {reason: 1}


def test_several_values_of_one_word_and_numbers_in_units() -> None:
    three = MERROW | {"message": "Occupancy", "signal": "Section_3"}
    bench = Bench([bound(D1, three | {"values": {"clear": 0, "occupied": [1, 3]}})])
    said = [bench.take(0x610, f"{value << 3:02X} 80")[0][1] for value in range(4)]
    assert said == ["clear", "occupied", None, "occupied"]
    volts = MERROW | {"message": "Occupancy", "signal": "Volts"}
    bench = Bench([bound(D1, volts | {"values": {"clear": 12.8, "occupied": 5}})])
    assert bench.take(0x610, "00 80") == [(D1, "clear")]
    assert bench.take(0x610, "00 32") == [(D1, "occupied")]


def test_a_multiplexed_message_speaks_of_what_it_has() -> None:
    a = MERROW | {"message": "Contacts", "signal": "Contact_A", "values": BITS}
    b = MERROW | {"message": "Contacts", "signal": "Contact_B", "values": BITS}
    bench = Bench([bound(D1, a), bound(D2, b)])
    assert bench.take(0x615, "00 01") == [(D1, "occupied")]
    assert bench.take(0x615, "01 00") == [(D2, "clear")]
    assert bench.take(0x615, "02 00") == [(D1, None), (D2, None)]
    assert bench.rejected == {"undecodable": 1}


def test_identifiers_of_29_bits_under_a_mask() -> None:
    beam = MERROW | {"message": "Beam", "signal": "Broken", "values": BITS}
    bench = Bench([bound(D1, beam)])
    assert bench.take(0x18FF1000, "01", extended=True) == [(D1, "occupied")]
    assert bench.take(0x18FF1042, "00", extended=True) == []
    masked = files(**{"merrow.dbc": {"mask": 0x1FFFFF00}})
    # Under this mask messages of 11 bits would all be one; a file of its own is meant for it.
    with pytest.raises(ConfigurationError, match="same identifier, 600 hex under the mask"):
        Bench([bound(D1, beam)], dbc=masked)


def test_a_mask_lets_the_sender_s_address_be_any(tmp_path: Path) -> None:
    (tmp_path / "beam.dbc").write_text(
        'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 2566852608 Beam: 1 A\n'
        ' SG_ Broken : 0|2@1+ (1,0) [0|2] "" A\n'
    )
    beam = {"dbc": "beam.dbc", "message": "Beam", "signal": "Broken", "values": BITS}
    dbc = files(str(tmp_path), **{"beam.dbc": {"mask": 0x1FFFFF00}})
    bench = Bench([bound(D1, beam)], dbc=dbc)
    assert bench.take(0x18FF1042, "01", extended=True) == [(D1, "occupied")]
    assert bench.take(0x18FF1142, "01", extended=True) == []


@given(st.integers(0, 0x7FF), st.binary(max_size=8), st.booleans())
def test_whatever_arrives_raises_nothing_and_says_only_what_it_may(
    identifier: int,
    data: bytes,
    extended: bool,  # noqa: FBT001 - drawn
) -> None:
    a = MERROW | {"message": "Contacts", "signal": "Contact_A", "values": BITS}
    bench = Bench([bound(D1, a), bound(D2, SECTION_2)])
    bench.take(identifier, data.hex(), extended=extended)
    for device, value in bench.said:
        assert device in (D1, D2)
        assert value in (None, *OCCUPANCY)


# -- how long a report holds


def test_a_report_must_say_how_long_it_holds() -> None:
    with pytest.raises(ConfigurationError, match=r"Nothing says how long.*fresh = 2.*publisher"):
        foreign_reports("club", [bound(D1, SECTION_1, fresh=None)], {}, files())


@pytest.fixture
def shed() -> dict[str, Publisher]:
    table = MERROW | {
        "message": "Heartbeat",
        "within": 1.0,
        "poll": {"message": "Query", "signals": {"Kind": 3, "Reserved": 0}},
    }
    return publishers("club", {"shed": table}, files())


def test_reports_hold_as_long_as_the_publisher_is_heard(shed: dict[str, Publisher]) -> None:
    bench = Bench([bound(D1, SECTION_1 | {"publisher": "shed"}, fresh=None)], shed)
    assert bench.take(0x610, "00 80") == [(D1, "clear")]
    for _ in range(10):
        bench.now += 0.9
        assert bench.take(0x611, "07") == []
    assert bench.incoming.next_deadline == pytest.approx(bench.now + 1.0)
    bench.now += 1.1
    bench.incoming.check(bench.now)
    assert bench.said == [(D1, None)]
    # A heartbeat alone does not bring the old report back; the publisher is asked.
    assert len(bench.polled) == 1
    assert bench.take(0x611, "07") == []
    assert len(bench.polled) == 2
    assert bench.polled[0].poll == CanFrame(0x612, b"\x03\x00")


def test_a_publisher_that_falls_silent_takes_its_devices_with_it(
    shed: dict[str, Publisher],
) -> None:
    bench = Bench([bound(D1, SECTION_1 | {"publisher": "shed"}, fresh=None)], shed)
    bench.take(0x610, "00 80")
    bench.said.clear()
    bench.incoming.check(bench.now + 0.99)
    assert bench.said == []
    bench.incoming.check(bench.now + 1.01)
    assert bench.said == [(D1, None)]


def test_a_defective_heartbeat_is_no_sign_of_life(shed: dict[str, Publisher]) -> None:
    bench = Bench([bound(D1, SECTION_1 | {"publisher": "shed"}, fresh=None)], shed)
    bench.take(0x610, "00 80")
    bench.now += 0.9
    bench.take(0x611, "07 07")
    assert bench.rejected == {"oversized": 1}
    bench.said.clear()
    bench.incoming.check(bench.now + 0.2)
    assert bench.said == [(D1, None)]


# -- orders


def order(device: Device, words: tuple[str, ...], **table: Any) -> BoundDevice:
    return BoundDevice(device=device, orders=words, order=MERROW | table)


HEAD_1 = order(
    M1,
    ASPECTS,
    message="Signals",
    signal="Head_1",
    values={"danger": "Red", "caution": "Yellow", "clear": "Green"},
)
HEAD_2 = order(
    M2,
    ASPECTS,
    message="Signals",
    signal="Head_2",
    values={"danger": 0, "caution": 1, "clear": 5},
    others={"Speed": 30},
)


def drained(outgoing: Outgoing) -> list[tuple[int, str]]:
    found = []
    while (frame := outgoing.next_frame()) is not None:
        outgoing.gone()
        found.append((frame.identifier, frame.data.hex(" ").upper()))
    return found


def test_all_signals_of_a_message_go_together() -> None:
    outgoing = Outgoing((), foreign_groups("club", [HEAD_1, HEAD_2], files()))
    outgoing.begin()
    assert drained(outgoing) == []  # no all-danger of ours for foreign devices
    outgoing.put([Order(M1, "clear")])
    # Head_2 at danger, Dim as the file begins, Speed (30 - 10) / 2.
    assert drained(outgoing) == [(0x613, "02 28 0A")]
    outgoing.put([Order(M2, "clear"), Order(M1, "caution")])
    assert drained(outgoing) == [(0x613, "51 28 0A")]
    outgoing.put([Order(M2, "danger")])
    assert drained(outgoing) == [(0x613, "01 28 0A")]


def test_a_multiplexed_message_goes_in_parts() -> None:
    stops = {"applied": 0, "lifted": 1}
    a = order(S1, ("applied", "lifted"), message="Outputs", signal="Stop_A", values=stops)
    b = order(S2, ("applied", "lifted"), message="Outputs", signal="Stop_B", values=stops)
    motor = order(
        T1,
        ("normal", "reverse"),
        message="Outputs",
        signal="Motor",
        values={"normal": 1, "reverse": 2},
        leave=0,
    )
    outgoing = Outgoing((), foreign_groups("club", [a, b, motor], files()))
    outgoing.put([Order(S1, "lifted"), Order(S2, "lifted")])
    assert drained(outgoing) == [(0x614, "01 01"), (0x614, "02 01")]
    outgoing.put([Order(T1, "reverse")])
    assert drained(outgoing) == [(0x614, "02 05")]


def test_a_message_waits_while_a_turnout_would_be_moved_by_chance() -> None:
    lies = {"normal": 1, "reverse": 2}
    t1 = order(T1, ("normal", "reverse"), message="Signals", signal="Head_1", values=lies)
    t2 = order(T2, ("normal", "reverse"), message="Signals", signal="Head_2", values=lies)
    outgoing = Outgoing((), foreign_groups("club", [t1, t2], files()))
    outgoing.put([Order(T1, "reverse")])
    assert drained(outgoing) == []
    outgoing.put([Order(T2, "normal")])
    assert drained(outgoing) == [(0x613, "12 28 00")]


def test_urgent_ones_go_before_others() -> None:
    lies = {"normal": 1, "reverse": 2}
    turnout = order(T1, ("normal", "reverse"), message="Query", signal="Kind", values=lies, leave=5)
    groups = foreign_groups("club", [turnout, HEAD_1], files())
    assert [group.urgency for group in groups] == [7, 2]


# -- mistakes


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"dbc": "nowhere.dbc"}, r"nowhere\.dbc cannot be read: No such file"),
        ({"dbc": "."}, "cannot be read"),
        ({"dbc": "test_foreign.py"}, "cannot be used"),
        ({"dbc": 5}, "dbc is 5"),
        ({"message": "Occupation"}, "no message 'Occupation'.*Occupancy, Heartbeat"),
        ({"signal": "Section_9"}, "no signal 'Section_9'.*Section_1, Section_2"),
        ({"signal": None}, "signal is None"),
        ({"values": {"occupied": 2, "clear": 0}}, "Section_1 cannot be 2.*1 bits.*0 to 1"),
        ({"values": {"occupied": 0.5, "clear": 0}}, r"cannot be 0\.5"),
        ({"values": {"occupied": "Taken", "clear": 0}}, "no value called 'Taken'.*none"),
        ({"values": {"occupied": 1, "clear": 1}}, "1 stands for both"),
        ({"values": {"occupied": 1, "free": 0}}, "values has free.*clear, occupied"),
        ({"values": 5}, "values is 5"),
        ({"values": {"occupied": None, "clear": 0}}, "None is no number and no name"),
        ({"values": {}, "pointer": "/x"}, "pointer means nothing here"),
        ({"publisher": "barn"}, "no publisher 'barn'.*none"),
    ],
)
def test_a_report_that_cannot_be(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said) as caught:
        foreign_reports("club", [bound(D1, SECTION_1 | table)], {}, files())
    assert caught.value.thing.startswith("transport club")
    assert caught.value.remedy


def test_without_values_the_file_s_names_must_be_ours() -> None:
    table = {key: value for key, value in SECTION_2.items() if key != "values"}
    with pytest.raises(ConfigurationError, match=r"called 'clear'.*Empty, Taken, Fault"):
        foreign_reports("club", [bound(D1, table)], {}, files())


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"values": {"danger": 0, "caution": 1}}, "does not say what clear is"),
        ({"values": {"danger": 0, "caution": 1, "clear": 1}}, "sent alike"),
        ({"values": {"danger": 0, "caution": 1, "clear": 9}}, "Head_1 cannot be 9"),
        ({"leave": 3}, "leave means nothing here"),
        ({"others": 3}, "others is 3"),
        ({"others": {"Dimm": 3}}, "no signal 'Dimm'"),
        ({"others": {"Dim": 0}}, "Dim cannot be 0"),
        ({"others": {"Head_1": 0}}, "Head_1 is bound, or given a value, already"),
        ({"retain": True}, "retain means nothing here"),
    ],
)
def test_an_order_that_cannot_be(table: dict[str, Any], said: str) -> None:
    wrong = BoundDevice(device=M1, orders=ASPECTS, order=HEAD_1.order | table)
    with pytest.raises(ConfigurationError, match=said):
        foreign_groups("club", [wrong], files())


def test_two_orders_in_one_signal_are_refused() -> None:
    both = BoundDevice(device=M2, orders=ASPECTS, order=HEAD_1.order)
    with pytest.raises(ConfigurationError, match="signal M2: The signal Head_1 is bound"):
        foreign_groups("club", [HEAD_1, both], files())


def test_two_values_for_one_signal_are_refused() -> None:
    other = BoundDevice(device=M1, orders=ASPECTS, order=HEAD_1.order | {"others": {"Speed": 12}})
    with pytest.raises(ConfigurationError, match="Speed is given two values"):
        foreign_groups("club", [HEAD_2, other], files())


def test_a_signal_that_nobody_gives_a_value() -> None:
    kind = order(T1, ("normal", "reverse"), message="Query", signal="Reserved", leave=0)
    values = {"normal": 0, "reverse": 0}
    wrong = BoundDevice(device=T1, orders=kind.orders, order=kind.order | {"values": values})
    with pytest.raises(ConfigurationError, match="sent alike"):
        foreign_groups("club", [wrong], files())
    values = {"normal": 1, "reverse": 2}
    right = BoundDevice(
        device=T1,
        orders=kind.orders,
        order={**kind.order, "signal": "Reserved", "values": values, "leave": 0},
    )
    with pytest.raises(ConfigurationError, match=r"what the signal Kind is to be.*Kind = "):
        foreign_groups("club", [right], files())


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, "It has no within"),
        ({"within": 0}, "within is 0"),
        ({"within": True}, "within is True"),
        ({"within": float("inf")}, "within is inf"),
        ({"within": 1, "topic": "x"}, "topic means nothing here"),
        ({"within": 1, "message": "Hart"}, "no message 'Hart'"),
        ({"within": 1, "poll": 5}, "poll: It is 5"),
        ({"within": 1, "poll": {"message": "Query", "signals": 3}}, "signals is 3"),
        ({"within": 1, "poll": {"message": "Query"}}, "Query cannot be made"),
        ({"within": 1, "poll": {"message": "Query", "signals": {"Kind": 9}}}, "Kind cannot be 9"),
        ({"within": 1, "poll": {"message": "Query", "payload": 1}}, "payload means nothing"),
    ],
)
def test_a_publisher_that_cannot_be(table: dict[str, Any], said: str) -> None:
    beat = MERROW | {"message": "Heartbeat"}
    with pytest.raises(ConfigurationError, match=said):
        publishers("club", {"shed": beat | table}, files())


# -- files


BROKEN = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 1552 Overlap: 1 A
 SG_ One : 0|4@1+ (1,0) [0|15] "" A
 SG_ Two : 2|4@1+ (1,0) [0|15] "" A
"""


def test_signals_that_overlap_are_refused_unless_asked_for_and_then_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "odd.dbc").write_text(BROKEN)
    table = {"dbc": "odd.dbc", "message": "Overlap", "signal": "Two", "values": BITS}
    with pytest.raises(ConfigurationError, match=r"overlapping.*strict = false"):
        foreign_reports("club", [bound(D1, table)], {}, files(str(tmp_path)))
    lenient = files(str(tmp_path), **{"odd.dbc": {"strict": False}})
    assert foreign_reports("club", [bound(D1, table)], {}, lenient)
    assert "odd.dbc is read with strict = false" in caplog.text


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"strict": "no"}, "strict is 'no'"),
        ({"mask": 0}, "mask is 0"),
        ({"mask": "0x7F"}, "mask is '0x7F'"),
        ({"encoding": "x"}, "encoding means nothing here"),
    ],
)
def test_what_is_said_of_a_file_is_checked(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigurationError, match=said):
        foreign_reports("club", [bound(D1, SECTION_1)], {}, files(**{"merrow.dbc": table}))


def test_two_messages_with_one_identifier_are_refused(tmp_path: Path) -> None:
    """cantools only logs a warning."""
    (tmp_path / "twice.dbc").write_text(
        BROKEN.replace("Two : 2|4", "Two : 4|4")
        + 'BO_ 1552 Again: 1 A\n SG_ Three : 0|4@1+ (1,0) [0|15] "" A\n'
    )
    table = {"dbc": "twice.dbc", "message": "Overlap", "signal": "Two", "values": BITS}
    with pytest.raises(ConfigurationError, match="Overlap and Again have the same identifier"):
        foreign_reports("club", [bound(D1, table)], {}, files(str(tmp_path)))


def test_groups_are_what_outgoing_takes() -> None:
    (group,) = foreign_groups("club", [HEAD_1], files())
    assert isinstance(group, ForeignGroup)
    assert group.devices == {M1}
