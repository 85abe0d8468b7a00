"""The page a hardware maker builds from says what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.transports.can.test_protect import PUBLISHED
from transports.can.frames import decode, encode
from transports.can.protect import check_sum
from transports.can.schema import load_schema

PAGE = (Path(__file__).parents[3] / "docs" / "can-bus.md").read_text("utf-8")
SCHEMA = load_schema()


def rows(title: str) -> list[list[str]]:
    """Return the rows of the first table of a section, without its heading."""
    section = PAGE.split(f"\n## {title}\n")[1].split("\n## ")[0]
    table = [line for line in section.splitlines() if line.startswith("|")]
    end = next((at for at, line in enumerate(table[2:], 2) if line.startswith("| ---")), len(table))
    lines = table[2:end] if end == len(table) else table[2 : end - 1]
    return [[cell.strip().strip("`") for cell in line.strip("| ").split(" | ")] for line in lines]


WORKED = rows("Worked frames")


def said(text: str) -> dict[str, int]:
    return {} if text == "—" else {k: int(v) for k, v in re.findall(r"(\w+) = (\d+)", text)}


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row[0]}-{row[6]}")
def test_a_worked_frame(row: list[str]) -> None:
    name, node, group, counter, content, identifier, data = row
    encoded = encode(name, int(node), group=int(group), counter=int(counter), values=said(content))
    assert encoded == (int(identifier, 16), bytes.fromhex(data))
    frame = decode(*encoded)
    assert {name: value for name, value in frame.values().items() if value} == {
        name: value for name, value in said(content).items() if value
    }


def test_every_class_and_page_is_worked() -> None:
    assert {row[0] for row in WORKED} == set(SCHEMA.named)
    assert {row[2] for row in WORKED if row[0] == "NodeStatus"} == {"0", "1", "2", "3"}


def test_the_classes() -> None:
    described = {
        (int(number), name, sender == "controller", int(length))
        for number, name, sender, length, _ in rows("Identifiers")
    }
    assert described == {
        (shape.number, shape.name, shape.by_controller, shape.length)
        for shape in SCHEMA.shapes.values()
    }


def test_the_check_values() -> None:
    described = [(bytes.fromhex(data), int(crc, 16)) for data, crc, _ in rows("Check sum")]
    assert described == [(bytes.fromhex(data.hex()), crc) for data, crc in PUBLISHED]


def test_the_check_sum_step_by_step() -> None:
    line = next(line for line in PAGE.splitlines() if line.startswith("| check sum |"))
    steps = [int(step, 16) for step in re.findall(r"`(\w\w)`", line)]
    assert steps[0] == 0xFF
    assert steps[-1] == steps[-2] ^ 0xFF
    assert steps[-1] == check_sum(0x083, bytes.fromhex(WORKED[3][6]))


def test_the_times() -> None:
    page = dict(rows("Times"))
    periods = {shape.period for shape in SCHEMA.shapes.values() if shape.period}
    assert periods == {0.25}
    assert page["a stream of orders or reports, and `NodeStatus`, is sent again every"] == "250 ms"
    assert page["an order not repeated is no longer obeyed after"] == f"{SCHEMA.order_timeout} s"
    assert page["a report not repeated is no longer believed after"] == f"{SCHEMA.report_timeout} s"
    assert page["`Identify` lasts".strip("`")] == f"{SCHEMA.identify_seconds:.0f} s"


def test_the_ports_of_two_bits() -> None:
    table = next(
        [line.strip("| ").split(" | ") for line in block.splitlines()[2:]]
        for block in PAGE.split("\n\n")
        if block.startswith("| frame | 0 | 1 |")
    )
    described = {row[0].strip("`"): sum(cell != "-" for cell in row[1:]) for row in table}
    assert described == {
        shape.name: shape.fields["Port0"].most + 1
        for shape in SCHEMA.shapes.values()
        if "Port0" in shape.fields
    }
    numbers = {
        "not known": "unknown",
        "at rest": "rest",
        "third position": "third",
        "leave it": "leave",
    }
    for name, *cells in table:
        words = SCHEMA.named[name.strip("`")].fields["Port0"].numbers
        assert words == {
            numbers.get(cell, cell): at for at, cell in enumerate(cells) if cell != "-"
        }


def test_the_counter() -> None:
    steps = [row[0] for row in rows("Counter")]
    assert f"1 to {SCHEMA.largest_step}" in steps
    assert f"-1 to -{SCHEMA.largest_step}" in steps
    assert SCHEMA.frames_to_sync == 3  # "with the third the stream is in step"
