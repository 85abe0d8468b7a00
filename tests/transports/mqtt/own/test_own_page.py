"""The page a hardware maker builds from says what the program does."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from signalling.layout.words import KINDS
from transports.mqtt.options import Options
from transports.mqtt.own.addresses import ADDRESSES
from transports.mqtt.own.codec import NAMES, NodeStatus, check_sum, decode, encode
from transports.mqtt.own.conversation import PERIOD, REPEATS, TRIAL
from transports.mqtt.own.document import EXAMPLES
from transports.mqtt.own.schema import LONGEST_NAME, LONGEST_PAYLOAD, SCHEMAS
from transports.transport import TransportSettings

PAGE = (Path(__file__).parents[4] / "docs" / "mqtt-schema.md").read_text("utf-8")
OPTIONS = Options.read(TransportSettings(name="club", options={"schema": 1}, devices=()))


def section(title: str) -> str:
    return PAGE.split(f"\n## {title}\n")[1].split("\n## ")[0]


def rows(title: str, which: int = 0) -> list[list[str]]:
    """The rows of a table of a section, without its heading."""
    tables: list[list[str]] = [[]]
    for line in section(title).splitlines():
        if line.startswith("|"):
            tables[-1].append(line)
        elif tables[-1]:
            tables.append([])
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in tables[which][2:]]


def words(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


WORKED = [
    line
    for block in re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    for line in block.splitlines()
]


@pytest.mark.parametrize("line", WORKED)
def test_a_worked_example_is_what_is_sent(line: str) -> None:
    [message] = [each for each in EXAMPLES.values() if encode(each).decode() == line]
    assert decode(type(message), line.encode()) == message


def test_each_class_has_a_worked_example() -> None:
    sent = {encode(each).decode(): NAMES[type(each)] for each in EXAMPLES.values()}
    assert {sent[line] for line in WORKED} == set(NAMES.values())


def test_the_topics() -> None:
    table = {row[0].strip("`"): row[1].strip("`") for row in rows("Topics")}
    assert table == ADDRESSES


def test_the_members_that_messages_share() -> None:
    for row in rows("Messages"):
        [member] = words(row[0])
        having = {name for name, schema in SCHEMAS.items() if member in schema["properties"]}
        assert having == (set(SCHEMAS) if row[1] == "all" else set(words(row[1])))
    assert f"at most {LONGEST_PAYLOAD} bytes" in section("Messages")
    assert f"{LONGEST_PAYLOAD} bytes" in section("Trouble")


def test_the_check_sums() -> None:
    for data, crc, _ in rows("Check sum"):
        assert check_sum(data.strip("`").encode()).decode() == crc.strip("`")


def test_the_times() -> None:
    times = {row[0]: row[1] for row in rows("Times")}
    assert times["time to live, of orders (in `ttl`) and of reports"].startswith(
        f"{OPTIONS.within} s"
    )
    again = f"{PERIOD * 1000:.0f} ms"
    assert times["everything is said again every"].startswith(again)
    assert OPTIONS.within == PERIOD * REPEATS
    trial = times["a board that is new must be alone of its name for"]
    assert trial.startswith(f"{TRIAL} s")


def test_the_words_of_reports() -> None:
    table = {words(row[0])[0]: words(row[1]) for row in rows("Report", 1)}
    assert {kind: set(said) for kind, said in table.items()} == {
        name: set(kind.reports) for name, kind in KINDS.items() if kind.reports
    }
    status = [member for row in rows("Report") for member in words(row[0])]
    assert status == list(SCHEMAS["report"]["properties"]["status"]["properties"])
    assert f"up to {LONGEST_NAME} letters" in section("Report")
    assert NodeStatus(serial="x", start="0" * 16, firmware="1").supply is None


def test_the_words_of_orders() -> None:
    described = SCHEMAS["order"]["properties"]["orders"]["properties"]
    table = {words(row[0])[0]: words(row[1]) for row in rows("Order")}
    assert set(table) == set(described)
    for kind in set(table) - {"signal"}:
        assert table[kind] == list(KINDS[kind].orders)
    members = described["signal"]["additionalProperties"]["properties"]
    assert set(members) < set(table["signal"])
    ttl = SCHEMAS["order"]["properties"]["ttl"]
    assert f"{ttl['minimum']} to {ttl['maximum']}" in section("Order")


def test_every_reason_that_is_counted_is_explained() -> None:
    explained = {reason for row in rows("Trouble") for reason in words(row[0])}
    package = Path(__file__).parents[4] / "transports" / "mqtt"
    counted: set[str] = set()
    for path in [*(package / "own").glob("*.py"), package / "payload.py"]:
        text = path.read_text("utf-8")
        counted |= set(re.findall(r'rejected\["([\w-]+)"\]', text))
        counted |= set(re.findall(r'rejected\["late" if step else "([\w-]+)"\]', text))
        counted |= set(re.findall(r'RejectedInputError\("([\w-]+)"', text))
    plain = {"no-such-place", "not-text", "unknown-value"}
    assert explained == (counted - plain) | {"late"}


def test_what_is_shown_is_json() -> None:
    for line in WORKED:
        assert json.loads(line)


def test_what_is_promised_is_tried_by_tests_that_there_are() -> None:
    tests = Path(__file__).parents[3]
    there = {
        name
        for path in tests.rglob("test_*.py")
        for name in re.findall(
            r"^(?:async )?def (test_\w+)\(", path.read_text("utf-8"), re.MULTILINE
        )
    }
    promised = rows("What is promised")
    assert len(promised) > 10
    for row in promised:
        assert words(row[2])
        assert set(words(row[2])) <= there
