"""What listening prints: for people, for programs, and whatever a stranger sends."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.cli.listen_text import (
    as_events,
    as_lines,
    begun,
    begun_event,
    raw,
    said,
    summary_events,
    summary_lines,
    where,
)
from signalling.cli.printable import printable
from signalling.controller.listen import Line, LinkChanged, Missed, New, Settled
from signalling.layout.words import Device, Report
from transports.link import LinkState, LinkStatus
from transports.listen import Arrival, Meaning
from transports.transport import LinkCounters

D1, M1 = Device("detector", "d1"), Device("signal", "M1")
BELL = "\x1b[2J\x07\u202e"
"""Clears a terminal, rings it, and turns the direction of writing round."""


def arrival(**more: Any) -> Arrival:
    return Arrival(**{"place": "shed/1", "raw": b"ON", "text": True, **more})


class Ear:
    """What there is to say of a listening."""

    names = ("club", "bus")
    deaf = ("hut",)

    def __init__(self, *arrivals: Arrival) -> None:
        self.lines = {
            ("club", each.place, each.part): Line("club", each, 3, 1.5, 1.0) for each in arrivals
        }
        self.passed_over = 0
        self.counters: dict[str, dict[str, int]] = {"club": {}, "bus": {}}
        self.not_heard: list[tuple[Device, str]] = []

    def unheard(self) -> Any:
        return iter(self.not_heard)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (arrival(), "bound to nothing"),
        (arrival(kept=True), "bound to nothing; retained"),
        (arrival(meanings=(Meaning(device=D1, value="clear"),)), "detector d1: clear"),
        (
            arrival(meanings=(Meaning(device=D1, value=None, reason="not-json: no"),)),
            "detector d1: ? (not-json: no)",
        ),
        (
            arrival(meanings=(Meaning(device=M1, order=True, value="danger"),)),
            "order to signal M1: danger",
        ),
        (arrival(reason="check-sum"), "turned away (check-sum)"),
        (
            arrival(message="Report", values={"A": 1.5, "B": "on"}, unbound=("A", "B")),
            "Report A=1.5 B=on; bound to nothing",
        ),
        (
            arrival(
                message="Report",
                values={"A": 1, "B": [True]},
                unbound=("B",),
                meanings=(Meaning(device=D1, value="clear"),),
            ),
            "detector d1: clear; bound to nothing: B=[true]",
        ),
        (
            arrival(message="controller", values={"says": "online"}, known=True),
            "controller says=online",
        ),
    ],
)
def test_what_something_says(given: Arrival, words: str) -> None:
    assert said(given) == words


def test_what_has_changed_stands_first() -> None:
    values = {"A": 1, "B": 2, "C": 3}
    stranger = arrival(message="Report", values=values, unbound=tuple(values))
    assert said(stranger, ("B",)) == "Report B=2 - as before: A=1 C=3; bound to nothing"
    assert said(stranger, tuple(values)) == "Report A=1 B=2 C=3; bound to nothing"
    half = arrival(
        message="Report",
        values=values,
        unbound=("A", "B"),
        meanings=(Meaning(device=D1, value="clear"),),
    )
    assert said(half, ("B", "C")) == "detector d1: clear; bound to nothing: B=2 - as before: A=1"


def test_what_arrived_is_shown_as_text_or_in_hexadecimal() -> None:
    assert raw(arrival(), 60) == "ON"
    assert raw(arrival(raw=b""), 60) == "(empty)"
    assert raw(arrival(raw=b"a\xff\nb"), 60) == r"a\xff\nb"
    assert raw(arrival(raw=b"\x01\xab", text=False), 60) == "01 AB"
    assert raw(arrival(raw=b"x" * 100), 10) == "xxxxxxx..."
    assert where(arrival(part="page 1")) == "shed/1 page 1"


def test_what_strangers_send_does_nothing_to_a_terminal() -> None:
    bad = arrival(
        place=BELL,
        part=BELL,
        raw=BELL.encode(),
        message=BELL,
        values={BELL: BELL},
        unbound=(BELL,),
        reason=BELL,
    )
    link = LinkStatus(
        name="club",
        state=LinkState.LOST,
        since=0.0,
        error=BELL,
        failures=1,
        waiting=0,
        counters=LinkCounters(),
        heard={},
    )
    news = [New(1.0, "club", bad, 1), LinkChanged(1.0, link)]
    for line in (*as_lines(news), *summary_lines(Ear(bad))):  # type: ignore[arg-type]
        assert line.isprintable(), line
    for event in as_events(news):
        assert json.dumps(event).isprintable()


@given(st.text())
def test_a_text_is_printable_and_says_the_same(text: str) -> None:
    printed = printable(text)
    assert printed.isprintable()
    if text.isprintable():
        assert printed == text


@given(st.binary(max_size=50), st.booleans(), st.integers(4, 60))
def test_any_payload_is_one_line_of_no_more_than_its_room(
    payload: bytes,
    text: bool,  # noqa: FBT001
    room: int,
) -> None:
    shown = raw(arrival(raw=payload, text=text), max(room, 10))
    assert shown.isprintable()
    assert len(shown) <= max(room, 10)


def test_lines_for_people() -> None:
    news = [
        New(1.25, "club", arrival(), 7),
        Settled(2.0, Report(D1, None)),
        Settled(2.5, Report(D1, "clear")),
        Missed(3.0, 9),
    ]
    assert list(as_lines(news)) == [
        "     1.250      7 x  club  shed/1  ON  bound to nothing",
        "     2.000  detector d1: not known any more",
        "     2.500  detector d1: clear",
        "     3.000  9 lines before these were left out: more came than was read",
    ]
    assert begun(Ear(), "Gannet Point") == (  # type: ignore[arg-type]
        "Gannet Point: listening to club, bus, without a word. hut cannot be listened to."
    )


def test_the_summary_has_what_is_bound_first_and_what_was_not_heard() -> None:
    ear = Ear(
        arrival(place="a/stranger"),
        arrival(place="z/1", meanings=(Meaning(device=D1, value="clear"),)),
        arrival(place="x" * 5000),
    )
    ear.passed_over = 4
    ear.not_heard = [(M1, "bus")]
    ear.counters = {"club": {"torn": 2, "check-sum": 1}, "bus": {}}
    lines = list(summary_lines(ear))  # type: ignore[arg-type]
    assert lines[1].startswith("      3 x  club  z/1   ")
    assert lines[1].endswith("  detector d1: clear")
    assert lines[2].startswith("      3 x  club  a/stranger   ")
    assert len(lines[2]) < 120, "one long place makes no other line long"
    assert lines[4:] == [
        "      4 x  at more places than can be remembered",
        "",
        "Nothing was heard of: signal M1 (bus).",
        "Turned away on club: check-sum 1, torn 2.",
    ]
    assert list(summary_lines(Ear())) == ["Nothing arrived."]  # type: ignore[arg-type]


def test_objects_for_programs() -> None:
    ear = Ear(arrival(meanings=(Meaning(device=D1, value="clear"),)))
    assert begun_event(ear, "Gannet Point") == {  # type: ignore[arg-type]
        "at": 0.0,
        "event": "started",
        "layout": "Gannet Point",
        "transports": ("club", "bus"),
        "deaf": ("hut",),
    }
    (event,) = as_events([New(1.25, "club", arrival(values={"V": 1}, unbound=("V",)), 7)])
    assert event == {
        "at": 1.25,
        "event": "arrival",
        "transport": "club",
        "place": "shed/1",
        "part": "",
        "raw": "ON",
        "length": 2,
        "kept": False,
        "message": "",
        "values": {"V": 1},
        "devices": [],
        "unbound": ["V"],
        "bound": False,
        "reason": "",
        "changes": [],
        "count": 7,
    }
    total, stopped = summary_events(ear, 9.0)  # type: ignore[arg-type]
    assert {key: total[key] for key in ("event", "count", "last", "bound")} == {
        "event": "total",
        "count": 3,
        "last": 1.5,
        "bound": True,
    }
    assert total["devices"] == [
        {"kind": "detector", "name": "d1", "order": False, "value": "clear", "reason": ""}
    ]
    assert stopped == {
        "at": 9.0,
        "event": "stopped",
        "unheard": [],
        "turned_away": {"club": {}, "bus": {}},
        "passed_over": 0,
    }


def test_values_for_which_json_has_no_word_are_texts() -> None:
    """A float of a DBC file can be NaN (IEEE 754), which JSON (RFC 8259, section 6) has not."""
    values = {"V": math.nan, "W": -math.inf, "X": b"\x01", "Y": {"Z": (1, math.inf)}}
    (event,) = as_events([New(0.0, "bus", arrival(message="m", values=values, unbound=("V",)), 1)])
    text = json.dumps(event, allow_nan=False)
    assert json.loads(text)["values"] == {
        "V": "nan",
        "W": "-inf",
        "X": "b'\\x01'",
        "Y": {"Z": [1, "inf"]},
    }
    assert "V=nan" in said(arrival(message="m", values=values, unbound=("V",)))
