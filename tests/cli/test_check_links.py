"""What ``check`` says of transports and bindings, as the transports themselves see them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from signalling.cli import MISTAKES, main

LAYOUT = """
[layout]
name = "Two blocks"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
S = { at = "a > b" }
[transports.club]
kind = "mqtt"
host = "127.0.0.1"
[[bindings]]
device = "*"
transport = "club"
[[bindings]]
device = "detector *"
transport = "club"
report = { topic = "shed/{name}", pointer = "/state" }
"""


def findings(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> list[dict[str, object]]:
    file = tmp_path / "layout.toml"
    file.write_text(text)
    code = main(["check", str(file), "--json"])
    found: list[dict[str, object]] = json.loads(capsys.readouterr().out)
    assert (code == MISTAKES) == any(each["severity"] == "error" for each in found)
    return found


def test_nothing_is_said_of_what_can_be_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert findings(LAYOUT, tmp_path, capsys) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('kind = "mqtt"', 'kind = "mqt"', "no kind of transport 'mqt'"),
        ('host = "127.0.0.1"', 'hots = "127.0.0.1"', "hots"),
        ('host = "127.0.0.1"', 'host = "127.0.0.1"\nport = "x"', "port is 'x'"),
        ('pointer = "/state"', 'pointer = "state"', "pointer"),
        ('"shed/{name}"', '"shed/#"', "#"),
        ('"shed/{name}"', '"shed/{nam}"', "stands for nothing"),
        ('"shed/{name}"', '"shed"', "would report detector a, too"),
        ('pointer = "/state"', 'publisher = "west"', "publisher 'west'"),
    ],
)
def test_what_a_transport_refuses_is_told_once_with_its_line(
    old: str,
    new: str,
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert old in LAYOUT
    text = LAYOUT.replace(old, new)
    (found,) = findings(text, tmp_path, capsys)
    lines = text.splitlines()
    of_binding = old.startswith(("pointer", '"shed'))
    header = "[[bindings]]" if of_binding else "[transports.club]"
    assert found["line"] == len(lines) - lines[::-1].index(header)
    assert words in f"{found['thing']} {found['message']}"
    assert found["remedy"]


def test_mistakes_of_two_bindings_are_told_in_one_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = LAYOUT + (
        '[[bindings]]\ndevice = "signal S"\ntransport = "club"\norder = { topic = "a/+/b" }\n'
    )
    found = findings(text.replace('"/state"', '"state"'), tmp_path, capsys)
    assert [each["severity"] for each in found] == ["error", "error"]
    assert {each["line"] for each in found} == {17, 21}
