"""Which wrong bits the check sum finds, with the hexadecimal digits in which it is written.

Of the sum itself it is published how many wrong bits it finds. Here it stands in
the payload as a text, in which one wrong bit can be several of the sum: `a` and
`c` differ in one bit, and ten and twelve in two. So it is worked out here, by
what each single bit does to the sum.
"""

from __future__ import annotations

import re
from itertools import combinations, product
from pathlib import Path

from transports.mqtt.own.codec import check_sum
from transports.mqtt.own.schema import LONGEST_PAYLOAD

PAGE = (Path(__file__).parents[4] / "docs" / "mqtt-schema.md").read_text("utf-8")
DIGITS = "0123456789abcdef"
POLYNOMIAL = 0xEDB88320
"""That of the page, reflected."""


def of_single_bits(count: int) -> list[int]:
    """What a wrong bit does to the sum, by how many bits come after it in the data."""
    wrong, found = 1, []
    for _ in range(count + 1):
        found.append(wrong)
        wrong = wrong >> 1 ^ (POLYNOMIAL if wrong & 1 else 0)
    return found[1:]


def of_digits(bits: int) -> set[int]:
    """What so many wrong bits in one digit of the text can do to the sum."""
    return {
        (a ^ b) << 4 * place
        for (a, said), (b, read) in product(enumerate(DIGITS), repeat=2)
        if (ord(said) ^ ord(read)).bit_count() == bits
        for place in range(8)
    }


def test_what_single_bits_do() -> None:
    data, ours = bytes(40), of_single_bits(320)
    for place in range(320):
        wrong = bytearray(data)
        wrong[place // 8] ^= 1 << place % 8
        step = int(check_sum(data), 16) ^ int(check_sum(bytes(wrong)), 16)
        assert step == ours[319 - place]


def test_any_two_wrong_bits_are_found_and_any_three_in_most_messages() -> None:
    of_bits = of_single_bits(8 * LONGEST_PAYLOAD)
    place_of = {step: place for place, step in enumerate(of_bits)}
    # Two in the data; one in the data and one in the digits.
    assert len(place_of) == len(of_bits)
    one, two = of_digits(1), of_digits(2)
    assert not one & set(of_bits)
    # One in the data, and two in the digits.
    two |= {a ^ b for a, b in combinations(one, 2)}
    assert not two & set(of_bits)
    # Two in the data, and one in the digits. Three in the data are found: those of the published
    # polynomial differ in four bits at least, up to 91607 bits (Koopman, "32-bit cyclic redundancy
    # codes for internet applications", 2002; from memory).
    shortest = min(
        place
        for step in one
        for place, other in enumerate(of_bits)
        if place_of.get(other ^ step, place) < place
    )
    [said] = re.findall(r"any three in one of up to (\d+) bytes", PAGE)
    assert int(said) == shortest // 8
