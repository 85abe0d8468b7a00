"""``signalling new``: a starter file that is sound, and nothing ever written over."""

from __future__ import annotations

from pathlib import Path

import pytest

from signalling.cli import GOOD, UNUSABLE, main
from signalling.cli.new import STARTER
from signalling.errors import Severity
from signalling.table.check import check_file


def test_the_starter_file_has_no_mistakes() -> None:
    assert [each for each in check_file(STARTER) if each.severity is not Severity.NOTE] == []


def test_it_writes_the_file_and_says_what_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.toml"
    assert main(["new", str(file)]) == GOOD
    assert file.read_bytes() == STARTER.read_bytes()
    assert f"signalling check {file}" in capsys.readouterr().out


def test_without_a_name_it_writes_layout_toml(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["new"]) == GOOD
    assert (tmp_path / "layout.toml").read_text("utf-8") == STARTER.read_text("utf-8")


def test_a_dash_prints_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", "-"]) == GOOD
    assert capsys.readouterr().out == STARTER.read_text("utf-8")


def test_it_writes_over_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("mine")
    assert main(["new", str(file)]) == UNUSABLE
    assert file.read_text() == "mine"
    assert "There is such a file already" in capsys.readouterr().err


def test_a_place_where_nothing_can_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "none" / "mine.toml")]) == UNUSABLE
    assert "It cannot be written" in capsys.readouterr().err
