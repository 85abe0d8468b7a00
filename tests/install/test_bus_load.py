from __future__ import annotations

from fractions import Fraction

import pytest
from attrs import evolve
from hypothesis import assume, given
from hypothesis import strategies as st

from signalling.install.bus_load import (
    Message,
    bit_time,
    exact_response,
    frame_bits,
    instances,
    load,
    sufficient_response,
)

US = 1_000
MS = 1_000_000


# -- frames


@pytest.mark.parametrize(
    ("data", "extended", "bits"),
    [(0, False, 55), (8, False, 135), (0, True, 80), (8, True, 160)],
)
def test_the_longest_frame_is_as_published(*, data: int, extended: bool, bits: int) -> None:
    # Davis, Burns, Bril, Lukkien 2007, equation 1: 55 + 10 s and 80 + 10 s bits for s bytes.
    assert frame_bits(data, extended=extended) == bits


@pytest.mark.parametrize("data", [-1, 9])
def test_a_frame_with_other_data_is_refused(data: int) -> None:
    with pytest.raises(ValueError, match=f"from 0 to 8 bytes of data, not {data}"):
        frame_bits(data, extended=False)


def on_the_wire(identifier: int, data: bytes, *, extended: bool) -> int:
    """The bits of a frame made bit by bit, and of the gap after it (ISO 11898-1)."""
    field = f"{identifier:029b}"
    head = f"0{field[:11]}11{field[11:]}000" if extended else f"0{identifier:011b}000"
    bits = head + f"{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
    crc = 0
    for bit in bits:
        crc = (crc << 1) ^ (0x4599 if (crc >> 14) != int(bit) else 0)
        crc &= 0x7FFF
    stuffed = ""
    for bit in bits + f"{crc:015b}":
        stuffed += bit
        if len(stuffed) >= 5 and len(set(stuffed[-5:])) == 1:
            stuffed += "10"[int(bit)]
    return len(stuffed + "1" + "01" + "1111111" + "111")


FRAMES = st.booleans().flatmap(
    lambda extended: st.tuples(
        st.integers(0, 2**29 - 1 if extended else 2**11 - 1),
        st.one_of(
            st.binary(max_size=8), st.sampled_from([b"\0" * 8, b"\xff" * 8, b"\x78\x78\x78\x78"])
        ),
        st.just(extended),
    )
)


@given(FRAMES)
def test_no_frame_is_longer(frame: tuple[int, bytes, bool]) -> None:
    identifier, data, extended = frame
    # Without stuffing 47 or 67 bits and the data.
    shortest = (67 if extended else 47) + 8 * len(data)
    longest = frame_bits(len(data), extended=extended)
    assert shortest <= on_the_wire(identifier, data, extended=extended) <= longest


def test_stuffing_comes_near_the_longest() -> None:
    # Each byte ends with the two bits that the next one continues: one stuff bit in four.
    length = on_the_wire(0b00000101111, b"\x3c" * 8, extended=False)
    assert length == frame_bits(8, extended=False) - 4


@pytest.mark.parametrize(
    ("bitrate", "time"), [(125_000, 8 * US), (1_000_000, US), (83_333, 12_001)]
)
def test_a_bit_takes_its_time_rounded_up(bitrate: int, time: int) -> None:
    assert bit_time(bitrate) == time


def test_a_bit_rate_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0 bit/s, not 0"):
        bit_time(0)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"wire": 0}, "wire is above 0, not 0"),
        ({"period": 0}, "period is above 0, not 0"),
        ({"jitter": -1}, "jitter is not negative"),
    ],
)
def test_a_message_that_cannot_be_is_refused(wrong: dict[str, int], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        Message(**({"name": "x", "wire": 1, "period": 1} | wrong))  # type: ignore[arg-type]


# -- published examples


def made(*rows: tuple[float, int], bitrate: int = 125_000) -> list[Message]:
    """Messages of these periods in ms and data bytes, with 11-bit identifiers."""
    return [
        Message.of(
            str(place), data=data, extended=False, period=round(period * MS), bitrate=bitrate
        )
        for place, (period, data) in enumerate(rows)
    ]


def exact(messages: list[Message]) -> list[float | None]:
    times = (exact_response(messages, place, 8 * US) for place in range(len(messages)))
    return [None if time is None else time / MS for time in times]


def sufficient(messages: list[Message]) -> list[float | None]:
    times = (sufficient_response(messages, place, 8 * US) for place in range(len(messages)))
    return [None if time is None else time / MS for time in times]


COUNTEREXAMPLE = made((2.5, 7), (3.5, 7), (3.5, 7))
"""Davis, Burns, Bril, Lukkien 2007, tables 2 and 3: frames of 1 ms at 125 kbit/s."""


def test_the_counterexample_of_the_paper() -> None:
    assert exact(COUNTEREXAMPLE) == [2.0, 3.0, 3.5]
    assert float(load(COUNTEREXAMPLE)) == pytest.approx(0.971, abs=0.0005)
    # The third is late by its deadline of 3.25 ms, which the analysis of 1994
    # missed: it looked at the first instance only.
    assert [time / MS for time in instances(COUNTEREXAMPLE, 2, 8 * US)] == [3.0, 3.5]


PERIODS = (50, 5, 5, 5, 5, 5, 10, 10, 10, 10, 50, 100, 100, 100, 1000, 1000, 1000)
BYTES = (1, 2, 1, 2, 1, 2, 6, 1, 2, 3, 1, 4, 1, 1, 3, 1, 1)
SEVENTEEN = made(*zip(PERIODS, BYTES, strict=True))
"""The SAE class C set packed into seventeen messages, deadline-monotonic.

A public course file (github.com/Javitsao/Introduction-to-Intelligent-Vehicles,
hw1/input.dat); its sufficient times are known from memory and were worked out
again, the exact ones were worked out.
"""


def test_the_seventeen_messages() -> None:
    assert float(load(SEVENTEEN)) == pytest.approx(0.881, abs=0.0005)
    assert sufficient(SEVENTEEN) == [
        *(1.44, 2.04, 2.56, 3.16, 3.68, 4.28, 5.2, 8.4, 9.0, 9.68, 10.2),
        *(19.36, 19.8, 20.32, 29.4, 29.76, 30.28),
    ]
    assert exact(SEVENTEEN) == [
        *(1.44, 2.04, 2.56, 3.16, 3.68, 4.28, 5.04, 8.4, 9.0, 9.68, 10.2),
        *(19.28, 19.8, 20.32, 29.24, 29.76, 29.76),
    ]


def test_the_seventeen_messages_by_the_priorities_of_the_file() -> None:
    places = (11, 4, 3, 6, 1, 5, 9, 2, 7, 8, 13, 16, 12, 0, 15, 10, 14)
    by_priority = [each for _, each in sorted(zip(places, SEVENTEEN, strict=True))]
    assert exact(by_priority) == [
        *(1.44, 1.96, 2.48, 3.0, 3.6, 4.2, 4.8, 5.4, 8.92, 9.68, 10.2),
        *(19.12, 19.64, 20.16, 29.08, 29.76, 29.76),
    ]


# -- no bound


def test_a_full_bus_has_no_bound_for_what_is_urgent_last() -> None:
    messages = [*COUNTEREXAMPLE, *made((3.5, 7))]
    assert load(messages) > 1
    # The new last one holds up the one before it, and is never sure to go itself.
    assert exact(messages) == [2.0, 3.0, 7.0, None]
    assert sufficient(messages)[3] is None


def test_a_bus_that_is_just_full_has_no_bound() -> None:
    messages = made((2, 7), (2, 7))
    assert load(messages) == 1
    assert exact(messages) == [2.0, None]


def test_the_sufficient_test_says_nothing_of_what_waits_for_its_next() -> None:
    messages = made((2.5, 7), (3.5, 7), (3.25, 7))
    assert sufficient(messages) == [2.0, 3.0, None]


# -- what must hold of any set

BIT = 1


@st.composite
def sets(draw: st.DrawFn) -> list[Message]:
    count = draw(st.integers(1, 6))
    return [
        Message(
            name=str(place),
            wire=draw(st.integers(55, 160)),
            period=draw(st.integers(200, 4000)),
            jitter=draw(st.integers(0, 600)),
        )
        for place in range(count)
    ]


@given(sets())
def test_the_exact_time_is_never_above_the_sufficient_one(messages: list[Message]) -> None:
    for place in range(len(messages)):
        bound = sufficient_response(messages, place, BIT)
        if bound is not None:
            time = exact_response(messages, place, BIT)
            assert time is not None
            assert time <= bound


def at_most(less: int | None, more: int | None) -> bool:
    """Whether a time is no longer than another; no bound is the longest."""
    return more is None or (less is not None and less <= more)


@given(sets(), st.data())
def test_more_jitter_or_more_load_never_shortens_a_wait(
    messages: list[Message], data: st.DataObject
) -> None:
    changed = data.draw(st.integers(0, len(messages) - 1))
    each = messages[changed]
    worse = evolve(
        each,
        wire=each.wire + data.draw(st.integers(0, 60)),
        jitter=each.jitter + data.draw(st.integers(0, 300)),
        period=each.period - data.draw(st.integers(0, 99)),
    )
    after = [*messages[:changed], worse, *messages[changed + 1 :]]
    assert load(after) >= load(messages)
    for place in range(len(messages)):
        for times in (exact_response, sufficient_response):
            assert at_most(times(messages, place, BIT), times(after, place, BIT))


@given(sets(), st.data())
def test_one_more_message_never_shortens_a_wait(
    messages: list[Message], data: st.DataObject
) -> None:
    new = data.draw(st.integers(0, len(messages)))
    after = [*messages[:new], Message(name="new", wire=100, period=900), *messages[new:]]
    assert load(after) == load(messages) + Fraction(1, 9)
    for place in range(len(messages)):
        for times in (exact_response, sufficient_response):
            now = times(after, place + (place >= new), BIT)
            assert at_most(times(messages, place, BIT), now)


def run(messages: list[Message], queued: list[list[int]], causes: list[list[int]]) -> list[int]:
    """A bus, run: the longest time from cause to the end of its frame, of each message."""
    worst = [0] * len(messages)
    waiting: list[list[tuple[int, int]]] = [
        list(zip(times, because, strict=True))
        for times, because in zip(queued, causes, strict=True)
    ]
    now = 0
    while any(waiting):
        ready = [place for place, queue in enumerate(waiting) if queue and queue[0][0] <= now]
        if not ready:
            now = min(queue[0][0] for queue in waiting if queue)
            continue
        place = min(ready)
        _, cause = waiting[place].pop(0)
        now += messages[place].wire
        worst[place] = max(worst[place], now - cause)
    return worst


@given(sets(), st.data())
def test_no_run_of_a_bus_takes_longer(messages: list[Message], data: st.DataObject) -> None:
    assume(load(messages) < 1)
    causes, queued = [], []
    for each in messages:
        start = data.draw(st.integers(0, 300))
        late = data.draw(st.sampled_from((0, each.jitter)))
        times = [start + number * each.period for number in range(12)]
        causes.append(times)
        # Only the first comes late, so that those after it are close: the worst for others.
        queued.append([times[0] + late, *(max(time, times[0] + late) for time in times[1:])])
    for place, time in enumerate(run(messages, queued, causes)):
        bound = exact_response(messages, place, BIT)
        assert bound is not None
        assert time <= bound


def test_the_worst_case_of_the_paper_happens_in_a_run() -> None:
    # All three just queued together: the second instance of the third takes 3.5 ms.
    times = [[0, 2500, 5000], [0, 3500], [0, 3500]]
    messages = [Message(name=each.name, wire=1000, period=1) for each in COUNTEREXAMPLE]
    assert run(messages, times, times)[2] == 3500
