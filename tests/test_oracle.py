"""The oracle against the published sentences, and its two ways against each other."""

from __future__ import annotations

from itertools import product

import pytest

from tests import oracle

R, Y, YY, G = "danger", "caution", "preliminary-caution", "clear"


# Sequences seen by a driver, G Y R and G YY Y R: Network Rail, safety jargon buster,
# "four-aspect signal". Two aspects say nothing of the next signal (from memory).
@pytest.mark.parametrize(
    ("aspects", "shown"), [(2, [G, G, G, R]), (3, [G, G, Y, R]), (4, [G, YY, Y, R])]
)
def test_sequence_before_a_train_and_before_a_buffer_stop(aspects: int, shown: list[str]) -> None:
    assert oracle.chain([aspects] * 4, [False, False, False, True], "open") == shown
    assert oracle.chain([aspects] * 4, [False, False, False, True], "buffer") == shown
    assert oracle.chain([aspects] * 3, [False] * 3, "buffer") == shown[:3]
    assert oracle.chain([aspects] * 3, [False] * 3, "open") == [G, G, G]


def test_mixed_line() -> None:
    """Each by the next signal's aspect, from the far end: R, Y, YY, G; a 3 beyond Y is green."""
    assert oracle.chain([4, 3, 4, 4, 2], [False, False, False, False, True]) == [G, G, YY, Y, R]
    assert oracle.ring([4, 4, 3, 2], [False, False, False, True]) == [G, YY, Y, R]
    assert oracle.ring([4, 2, 3, 4], [True, False, False, False]) == [R, G, G, Y]
    assert oracle.ring([2, 3, 4], [False, False, False]) == [G, G, G]
    assert oracle.ring([4], [False]) == [G]
    assert oracle.ring([4], [True]) == [R]


@pytest.mark.parametrize("size", range(3, 9))
@pytest.mark.parametrize("aspects", [3, 4])
def test_counting_and_walking_agree_on_rings(size: int, aspects: int) -> None:
    for occupied in product([False, True], repeat=size):
        walked = oracle._ring_by_walking([aspects] * size, occupied)
        assert oracle.ring([aspects] * size, occupied) == walked


@pytest.mark.parametrize("aspects", [3, 4])
@pytest.mark.parametrize(("end", "beyond"), [("buffer", R), ("open", G)])
def test_counting_and_walking_agree_on_chains(aspects: int, end: str, beyond: str) -> None:
    for size in range(1, 8):
        for occupied in product([False, True], repeat=size):
            walked = oracle._chain_by_walking([aspects] * size, occupied, beyond)
            assert oracle.chain([aspects] * size, occupied, end) == walked  # type: ignore[arg-type]
