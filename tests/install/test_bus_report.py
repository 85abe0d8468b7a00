from __future__ import annotations

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from signalling.install.bus_report import Stream, bus_report

FRAME = 135 * 8e-6
"""Seconds of a frame of 8 bytes with an identifier of 11 bits, at 125 kbit/s, at the worst."""


def stream(identifier: int, kind: str = "orders", **other: object) -> Stream:
    values = {"data": 8, "period": 0.25, "gap": 0.01} | other
    return Stream(kind=kind, identifier=identifier, **values)  # type: ignore[arg-type]


def test_one_stream_waits_for_its_gap_and_its_own_repetition() -> None:
    found = bus_report([stream(1)], 125_000)
    assert found.load_at_rest == pytest.approx(FRAME / 0.25)
    assert found.load == pytest.approx(2 * FRAME / 0.25)
    (only,) = found.classes
    assert only.longest == pytest.approx(0.01 + 2 * FRAME)
    assert (only.kind, only.streams, only.fits) == ("orders", 1, True)
    assert found.fits


def test_what_is_urgent_waits_for_one_frame_that_is_not() -> None:
    found = bus_report([stream(9, "reports"), stream(1), stream(8, "reports")], 125_000)
    assert [each.kind for each in found.classes] == ["orders", "reports"]
    assert [each.streams for each in found.classes] == [1, 2]
    orders, reports = found.classes
    assert orders.longest == pytest.approx(0.01 + 3 * FRAME)
    assert reports.longest == pytest.approx(0.01 + 6 * FRAME)
    assert orders.load + reports.load == pytest.approx(found.load)


def test_frames_of_one_identifier_wait_for_each_other() -> None:
    found = bus_report([stream(1), stream(1)], 125_000)
    assert found.classes[0].longest == pytest.approx(0.01 + 4 * FRAME)


def test_what_is_sent_on_demand_is_no_load_at_rest() -> None:
    found = bus_report([stream(0, "all-danger", period=None, gap=0.0, data=4)], 125_000)
    assert found.load_at_rest == 0
    assert found.load == pytest.approx(95 * 8e-6)
    assert found.classes[0].longest == pytest.approx(95 * 8e-6)


def test_long_identifiers_yield_to_short_ones_that_begin_alike() -> None:
    streams = [
        stream(0x100 << 18, "long", extended=True),
        stream(0x100, "short"),
        stream((0x0FF << 18) + 5, "longer", extended=True),
    ]
    assert [each.kind for each in bus_report(streams, 125_000).classes] == [
        "longer",
        "short",
        "long",
    ]


def test_a_bus_that_is_too_slow_does_not_fit() -> None:
    streams = [stream(number, f"class {number}") for number in range(30)]
    assert bus_report(streams, 125_000).fits
    slow = bus_report(streams, 20_000)
    assert slow.load > 1
    assert not slow.fits
    # What is urgent still gets through, as its share is small.
    assert slow.classes[0].fits
    assert slow.classes[0].longest is not None
    assert not slow.classes[-1].fits
    assert slow.classes[-1].longest is None


def test_a_bound_that_is_later_than_the_next_frame_does_not_fit() -> None:
    streams = [stream(number, f"class {number}", gap=0.2) for number in range(30)]
    last = bus_report(streams, 125_000).classes[-1]
    assert last.longest is not None
    assert last.longest > 0.25
    assert not last.fits


def test_more_changes_are_more_load() -> None:
    one, ten = (bus_report([stream(1)], 125_000, changes) for changes in (1, 10))
    assert one.load_at_rest == ten.load_at_rest
    assert ten.load - ten.load_at_rest == pytest.approx(10 * (one.load - one.load_at_rest))


@pytest.mark.parametrize("changes", [0, -1, float("nan")])
def test_changes_below_0_are_refused(changes: float) -> None:
    with pytest.raises(ValueError, match="changes a second are above 0"):
        bus_report([stream(1)], 125_000, changes)


def test_a_large_bus_is_worked_out_and_the_order_of_streams_means_nothing() -> None:
    streams = [
        stream(number << 7 | node, f"class {number}", period=1.0 + number)
        for node in range(1, 128)
        for number in range(5)
    ]
    found = bus_report(streams, 500_000, changes=1)
    assert found.fits
    waits = [each.longest for each in found.classes]
    assert waits == sorted(waits, key=lambda wait: wait or 0)
    assert bus_report(streams[::-1], 500_000, changes=1) == found
    assert bus_report([evolve(streams[0], data=0), *streams[1:]], 500_000, 1).load < found.load


def test_a_queue_makes_what_is_urgent_wait_for_what_is_not() -> None:
    # Of three orders, the most urgent may stand last in the queue, behind a report in between.
    streams = [
        stream(1, "urgent", queued=True),
        stream(2, "other", queued=True),
        stream(3, "report"),
        stream(4, "least", queued=True),
        stream(5, "below"),
    ]
    found = {each.kind: each.longest for each in bus_report(streams, 125_000).classes}
    everything = 0.01 + 9 * FRAME  # one frame of what is below, and two of each stream
    assert found["urgent"] == found["other"] == found["least"] == pytest.approx(everything)
    at_best = {
        each.kind: each.longest
        for each in bus_report([evolve(each, queued=False) for each in streams], 125_000).classes
    }
    assert at_best["urgent"] == pytest.approx(0.01 + 3 * FRAME)
    # What is not queued waits for no more of the queue than is more urgent.
    assert found["report"] == at_best["report"] == pytest.approx(0.01 + 7 * FRAME)
    assert found["below"] == at_best["below"] == pytest.approx(0.01 + 10 * FRAME)


def test_what_comes_out_of_a_queue_late_comes_close_together() -> None:
    # A change that waited long, its repetition, and the next change: all within a short time.
    streams = [stream(1, queued=True, gap=0.2), stream(2, "report", period=0.002)]
    found = bus_report(streams, 125_000, changes=4.9)
    free = bus_report([evolve(streams[0], queued=False), streams[1]], 125_000, changes=4.9)
    assert found.classes[1].longest is not None
    assert free.classes[1].longest is not None
    assert found.classes[1].longest >= free.classes[1].longest


def test_nothing_is_bounded_behind_a_queue_that_never_empties() -> None:
    streams = [
        stream(1, "first"),
        stream(2, "queue", queued=True),
        *(stream(3, "between") for _ in range(3)),
        *(stream(number, "queue", queued=True) for number in range(4, 200)),
    ]
    waits = {each.kind: each.longest for each in bus_report(streams, 125_000).classes}
    assert waits["queue"] is None
    assert waits["between"] is None
    assert waits["first"] is not None


def run(streams: list[Stream], starts: list[int], late: list[bool]) -> list[float]:
    """A bus at 125 kbit/s, run in microseconds: the longest wait of each stream, in seconds.

    One sender puts its frames into a queue. Each stream is repeated and changes
    together, from its start on; where it is late, its first change waits for the gap.
    """
    waiting: list[tuple[int, int, int]] = []  # when it can be sent, its stream, its cause
    for place, (each, start) in enumerate(zip(streams, starts, strict=True)):
        period = round((each.period or 1) * 1e6)
        held = start + round(each.gap * 1e6) * late[place]
        for number in range(6):
            cause = start + number * period
            waiting.append((cause, place, cause))
            waiting.append((max(cause, held), place, cause))
    waiting.sort(key=lambda frame: frame[0])
    longest = [0.0] * len(streams)
    now = 0
    while waiting:
        ready = [frame for frame in waiting if frame[0] <= now]
        queue = [frame for frame in ready if streams[frame[1]].queued][:1]
        ready = queue + [frame for frame in ready if not streams[frame[1]].queued]
        if not ready:
            now = waiting[0][0]
            continue
        frame = min(ready, key=lambda frame: streams[frame[1]].urgency)
        waiting.remove(frame)
        now += (55 + 10 * streams[frame[1]].data) * 8
        longest[frame[1]] = max(longest[frame[1]], (now - frame[2]) / 1e6)
    return longest


@given(st.data())
def test_no_run_of_a_bus_with_a_queue_takes_longer(data: st.DataObject) -> None:
    streams = [
        Stream(
            kind=str(identifier),
            identifier=identifier,
            data=data.draw(st.integers(0, 8)),
            period=0.02,
            gap=data.draw(st.sampled_from((0.0, 0.004))),
            queued=data.draw(st.booleans()),
        )
        for identifier in range(data.draw(st.integers(2, 8)))
    ]
    found = bus_report(streams, 125_000, changes=50)
    starts = [data.draw(st.integers(0, 2500)) for _ in streams]
    late = [data.draw(st.booleans()) for _ in streams]
    for each, wait in zip(found.classes, run(streams, starts, late), strict=True):
        assert each.longest is None or wait <= each.longest + 1e-9
