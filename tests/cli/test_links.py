"""How the state of a link is told."""

from __future__ import annotations

from signalling.cli.links import link_event, link_line
from signalling.layout.words import Device
from transports.link import LinkState, LinkStatus
from transports.transport import LinkCounters


def status(state: LinkState, *unreached: str) -> LinkStatus:
    return LinkStatus(
        name="bus",
        state=state,
        since=0.0,
        error="",
        failures=0,
        waiting=0,
        counters=LinkCounters(),
        heard={},
        unreached=frozenset(Device("signal", name) for name in unreached),
    )


def test_a_link_that_is_up_says_to_what_orders_do_not_get_through() -> None:
    event = link_event(1.5, status(LinkState.UP, "M2", "M1"))
    assert event == {
        "at": 1.5,
        "event": "link",
        "name": "bus",
        "state": "up",
        "error": "",
        "unreached": ["signal M1", "signal M2"],
    }
    assert link_line(event) == "link bus: up; orders do not get through to signal M1, signal M2"


def test_one_that_is_not_up_says_no_more_than_that() -> None:
    event = link_event(1.5, status(LinkState.LOST, "M1"))
    assert event["unreached"] == []
    assert link_line(event) == "link bus: lost"


def test_many_devices_are_counted() -> None:
    event = link_event(1.5, status(LinkState.UP, *(f"M{number}" for number in range(1, 9))))
    assert link_line(event).endswith("signal M4, signal M5 and 3 more")
