"""``signalling check``: its lines, its JSON, its exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from signalling.cli import GOOD, MISTAKES, UNUSABLE, main

WRONG = """\
[layout]
name = "Tern Point"
[blocks]
a = {}
b = { lenght = 1 }
c = {}
[lines]
main = "a > b"
[signals]
S1 = { at = "a > b", aspects = 9 }
"""


@pytest.fixture
def wrong(tmp_path: Path) -> Path:
    file = tmp_path / "tern.toml"
    file.write_text(WRONG)
    return file


def test_findings_by_line_and_a_last_line_of_counts(
    wrong: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(wrong)]) == MISTAKES
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert lines[0] == (
        f'{wrong}:5: error: block b: There is no key "lenght" here. Did you mean `length`?'
    )
    assert lines[1].startswith(f"{wrong}:6: warning: block c: No line runs through it")
    assert lines[2].startswith(f"{wrong}:10: error: signal S1: Practice uk has no head of 9")
    assert lines[3:] == [f"{wrong}: 2 errors, 1 warning"]
    assert said.err == ""


def test_json_is_a_list_of_findings(wrong: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--json", str(wrong)]) == MISTAKES
    found = json.loads(capsys.readouterr().out)
    assert [set(each) for each in found] == [
        {"severity", "file", "line", "thing", "message", "remedy"}
    ] * 3
    assert found[0] == {
        "severity": "error",
        "file": str(wrong),
        "line": 5,
        "thing": "block b",
        "message": 'There is no key "lenght" here.',
        "remedy": "Did you mean `length`?",
    }


def test_warnings_alone_are_good(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "tern.toml"
    file.write_text(WRONG.replace("lenght", "length").replace("aspects = 9", "aspects = 3"))
    assert main(["check", str(file)]) == GOOD
    assert "0 errors, 1 warning" in capsys.readouterr().out


def test_a_file_without_mistakes_in_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "tern.toml"
    text = WRONG.replace("lenght", "length").replace("aspects = 9", "aspects = 3")
    file.write_text(text.replace("c = {}\n", ""))
    assert main(["check", str(file), "--json"]) == GOOD
    assert not [each for each in json.loads(capsys.readouterr().out) if each["severity"] != "note"]


def test_what_cannot_be_read_is_one_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    binary = tmp_path / "binary"
    binary.write_bytes(bytes(range(256)))
    for file in (tmp_path / "none.toml", tmp_path, binary):
        assert main(["check", str(file)]) == UNUSABLE
        said = capsys.readouterr()
        assert said.out == ""
        assert said.err.startswith(f"signalling: {file}: ")
        assert said.err.count("\n") == 1


def test_what_cannot_be_read_is_one_finding_in_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--json", str(tmp_path)]) == UNUSABLE
    said = capsys.readouterr()
    assert said.err == ""
    (found,) = json.loads(said.out)
    assert (found["severity"], found["file"], found["line"]) == ("error", str(tmp_path), None)
    assert found["message"] == "It is a folder."


def test_a_file_that_is_not_toml_has_one_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "bad.toml"
    file.write_text("[layout]\nname = \n")
    assert main(["check", str(file)]) == MISTAKES
    first, last = capsys.readouterr().out.splitlines()
    assert first.startswith(f"{file}:2: error: file: This is not TOML")
    assert last == f"{file}: 1 error, 0 warnings"
