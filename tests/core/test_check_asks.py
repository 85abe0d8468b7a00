"""What ``check`` says of the requests that buttons make."""

from __future__ import annotations

import pytest

from signalling.core.check_asks import check_asks
from signalling.layout.read import examine_text

BASE = """
[layout]
name = "Curlew Bay"
[blocks]
a = {}
b = {}
[turnouts]
t = { block = "b", moved_by = "us" }
[lines]
main = "a > b[t normal]"
[signals]
A1 = { at = "a > b" }
[buttons]
press = { ask = "ASK" }
"""


def findings(ask: str) -> list[tuple[str, str, str]]:
    reading = examine_text(BASE.replace("ASK", ask), "file.toml", ".")
    assert reading.findings.sorted() == ()
    check_asks(reading)
    return [(each.thing, each.message, each.remedy) for each in reading.findings.sorted()]


@pytest.mark.parametrize(
    "ask", ["hold all", "hold A1", "restore b", "move t reverse", "set A1/main wait", "free  all"]
)
def test_a_request_is_no_mistake(ask: str) -> None:
    assert findings(ask) == []


@pytest.mark.parametrize(
    ("ask", "message", "remedy"),
    [
        ("open the gate", "'open the gate' is not a request.", 'ask = "hold all"'),
        ("hold A11", "There is no signal A11.", "`A1`"),
        ("restore quay", "There is no block quay.", "Name a block of this file."),
        ("move x reverse", "There is no turnout x.", "Name a turnout of this file."),
    ],
)
def test_a_mistake_is_told_with_its_remedy(ask: str, message: str, remedy: str) -> None:
    [(thing, said, to_do)] = findings(ask)
    assert thing == "button press"
    assert said.startswith(message)
    assert remedy in to_do


def test_it_is_told_by_the_command(tmp_path: object, capsys: pytest.CaptureFixture[str]) -> None:
    from pathlib import Path

    from signalling.cli import main

    file = Path(str(tmp_path)) / "layout.toml"
    file.write_text(BASE.replace("ASK", "hold A11"))
    assert main(["check", str(file)]) == 1
    assert f"{file}:14: error: button press: There is no signal A11." in capsys.readouterr().out
