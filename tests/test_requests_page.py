"""The page on requests says what the program does."""

from __future__ import annotations

import json
import re
from pathlib import Path

from jsonschema import Draft7Validator

from signalling.controller import serving
from signalling.core.buttons import BOUNCE
from signalling.layout.asking import Stage
from signalling.layout.model import Button
from transports import desk
from transports.mqtt.requests import SCHEMAS, SETTLE

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "requests.md").read_text("utf-8")


def rows(section: str) -> list[list[str]]:
    text = PAGE.split(f"\n## {section}\n")[1].split("\n## ")[0]
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in lines]


def test_every_outcome_is_told() -> None:
    told = [row[0].strip("`") for row in rows("Outcomes")[1:] if row[0].startswith("`")]
    assert sorted(told) == sorted(Stage)


def test_the_figures() -> None:
    each, all_of = desk._EACH_AT_ONCE, desk.ALL_AT_ONCE
    assert (
        f"One asker may ask {each:g} times at once and {desk._EACH:g} times a second, all of a "
        f"link together {all_of:g} times and {desk._ALL:g}." in PAGE
    )
    assert f"older than {desk.OLDEST:g} s is refused" in PAGE
    assert f"The last {desk._REMEMBERED} are remembered." in PAGE
    assert f"Of one link {serving._MOST} are followed at one time" in PAGE
    assert SETTLE == 1
    assert f"known to be released for {BOUNCE / 1e9:g} s" in PAGE
    assert f"`within` seconds, {Button().within:g} unless" in PAGE


def test_every_reason_that_is_counted_is_told() -> None:
    told = {word for row in rows("Over a link") for word in re.findall(r"`([\w-]+)`", row[0])}
    files = [ROOT / "transports" / name for name in ("desk.py", "asking.py", "mqtt/requests.py")]
    text = "".join(path.read_text("utf-8") for path in files)
    counted = set(re.findall(r'rejected\["([\w-]+)"\]', text))
    counted |= set(re.findall(r'RejectedInputError\("([\w-]+)"', text))
    assert counted <= told


def test_the_messages_that_are_shown_are_right() -> None:
    for topic, _, payload in rows("In plain JSON over MQTT")[2:]:
        name = topic.strip("`").rpartition("/")[2]
        Draft7Validator(SCHEMAS[name]).validate(json.loads(payload.strip("`")))
    [sent] = re.findall(r"-t gannet/request -m '(.*)'", PAGE)
    Draft7Validator(SCHEMAS["request"]).validate(json.loads(sent))
