"""``signalling check`` says what of the schema's tables cannot be used, and where it stands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from signalling.cli import main

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
schema = 1
[[bindings]]
device = "detector *"
transport = "club"
report = { node = "shed-1" }
[[bindings]]
device = "signal *"
transport = "club"
order = { node = "shed-1" }
"""


def findings(text: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    file = folder / "layout.toml"
    file.write_text(text)
    main(["check", str(file), "--json"])
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return found


def test_nothing_is_said_of_what_can_be_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert findings(LAYOUT, tmp_path, capsys) == []


TRANSPORT, REPORTS, ORDERS = (
    1 + LAYOUT.splitlines().index(line, start)
    for line, start in (("[transports.club]", 0), ("[[bindings]]", 0), ("[[bindings]]", 16))
)
"""Lines of the file."""

REPORT, ORDER = 'report = { node = "shed-1" }', 'order = { node = "shed-1" }'


@pytest.mark.parametrize(
    ("change", "line", "told"),
    [
        (("schema = 1", "schema = 2"), TRANSPORT, ("schema is 2", "from 1 to 1")),
        (
            ("schema = 1", "# none"),
            REPORTS,
            ("no schema in which nodes speak", "Write schema = 1"),
        ),
        (
            ("schema = 1", "schema = 1\nwithin = 0"),
            TRANSPORT,
            ("within is 0", "0.2 to 60"),
        ),
        (
            ("schema = 1", "schema = 1\npayload_limit = 9"),
            TRANSPORT,
            ("both payload_limit and schema", "without schema"),
        ),
        (
            (REPORT, 'report = { topic = "x" }'),
            REPORTS,
            ("topic does not say which node it is", REPORT),
        ),
        ((ORDER, 'order = { node = "a/b" }'), ORDERS, ("node is 'a/b'", "up to 64 letters")),
        (
            (REPORT, 'report = { node = "shed-1", name = "x" }'),
            REPORTS,
            ("'x' of node shed-1 is bound to detector a already", "a name of its own"),
        ),
    ],
)
def test_what_cannot_be_used_is_told_with_its_place(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: tuple[str, str],
    line: int,
    told: tuple[str, str],
) -> None:
    text = LAYOUT.replace(*change)
    assert text != LAYOUT
    found = [each for each in findings(text, tmp_path, capsys) if each["severity"] == "error"]
    assert told[0] in found[0]["message"]
    assert told[1] in found[0]["remedy"]
    assert found[0]["line"] == line
