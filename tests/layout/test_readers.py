"""Readers in a layout file, and what is wrong with them."""

from __future__ import annotations

import pytest

from signalling.layout.model import Layout
from signalling.layout.read import examine_text

RING = """
[layout]
name = "Tern Sands"
[blocks]
a = {}
b = {}
c = {}
[lines]
ring = "a > b > c > a"
[signals]
A = { at = "a > b" }
"""


def layout_of(text: str) -> Layout:
    reading = examine_text(text)
    assert reading.findings.sound
    assert reading.layout is not None
    return reading.layout


@pytest.mark.parametrize(
    ("settings", "readers", "describes"),
    [
        ("", "", False),
        ("", '[readers]\ngate = { block = "a" }', True),
        ("describer = true", "", True),
        ("describer = false", '[readers]\ngate = { at = "b > a" }', False),
    ],
)
def test_names_are_kept_where_that_is_asked_for(
    settings: str, readers: str, *, describes: bool
) -> None:
    text = RING.replace('name = "Tern Sands"', f'name = "Tern Sands"\n{settings}') + readers
    assert layout_of(text).describes is describes


@pytest.mark.parametrize(
    ("reader", "severity", "message", "remedy"),
    [
        ("{}", "error", "It does not say where it reads.", "Give `block`"),
        ('{ block = "a", at = "a > b" }', "error", "It has both `block` and `at`.", "Give `block`"),
        ('{ block = "z" }', "error", "There is no block z.", "Describe it in [blocks]"),
        ('{ at = "a" }', "error", "is not a joint", "Write the block in rear"),
        ('{ at = "a > z" }', "error", "There is no block z.", "Describe it"),
        ('{ block = "a", reads = { x = "a b" } }', "error", "'a b' is no name", "another name"),
        ('{ block = "a", reads = { x = "empty" } }', "error", "can be called 'empty'", "another"),
        ('{ block = "a", reads = { "" = "1A23" } }', "error", "1 to 64 characters", "says of"),
        ('{ block = "a", reads = 5 }', "error", "where a table is expected", "Write a table"),
        ('{ block = "a", tags = {} }', "error", 'no key "tags"', "the keys here are"),
    ],
)
def test_mistakes(reader: str, severity: str, message: str, remedy: str) -> None:
    [finding] = examine_text(f"{RING}[readers]\ngate = {reader}\n").findings.sorted()
    assert finding.severity == severity
    assert message in finding.message
    assert remedy in finding.remedy
    assert finding.line == 13


def test_readers_to_whom_nobody_listens() -> None:
    text = RING.replace("[blocks]", "describer = false\n[blocks]")
    [finding] = examine_text(f'{text}[readers]\ngate = {{ block = "a" }}\n').findings.sorted()
    assert (finding.severity, finding.thing) == ("warning", "[readers]")
    assert "nobody listens" in finding.message


BOUND = """
[transports.club]
kind = "loopback"
[[bindings]]
device = ["detector *", "signal *"]
transport = "club"
"""


def test_a_reader_that_no_binding_names() -> None:
    text = RING + '[readers]\ngate = { block = "a" }\n' + BOUND
    [finding] = examine_text(text).findings.sorted()
    assert (finding.severity, finding.thing) == ("warning", "reader gate")
    assert "nothing is known of what it reads" in finding.message


def test_a_berth_need_not_be_bound() -> None:
    text = RING.replace("[blocks]", "describer = true\n[blocks]") + BOUND
    assert examine_text(text).findings.sorted() == ()


def test_berths_that_the_layout_does_not_have() -> None:
    text = RING + BOUND.replace('"signal *"', '"signal *", "berth a"')
    [finding] = examine_text(text).findings.sorted()
    assert "The layout has no berth a." in finding.message
    assert "It has no berth at all." in finding.remedy
