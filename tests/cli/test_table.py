"""``signalling table``: which table, in which form, to where, and what it says of mistakes."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from signalling.cli import GOOD, MISTAKES, UNUSABLE, main
from signalling.cli.table import _show
from signalling.table.equations import equations
from signalling.table.present import control_table
from signalling.table.sheet import Column, Sheet
from tests.rig import ring_text, table_from

ROOT = Path(__file__).parents[2]
JUNCTION = str(ROOT / "examples" / "junction.toml")
GOLDEN = ROOT / "tests" / "golden"
WRONG = """\
[layout]
name = "Wrong"
[blocks]
a = {}
b = {}
[lines]
main = "a > b > c"
[signals]
S = { at = "a > b", aspects = 7 }
"""


@pytest.mark.parametrize(("form", "ending"), [("text", "txt"), ("csv", "csv"), ("html", "html")])
def test_each_form_is_printed(capsys: pytest.CaptureFixture[str], form: str, ending: str) -> None:
    assert main(["table", JUNCTION, "--format", form]) == GOOD
    assert capsys.readouterr().out == (GOLDEN / f"junction.{ending}").read_text("utf-8")


def test_text_is_the_form_where_none_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", JUNCTION]) == GOOD
    assert capsys.readouterr().out == (GOLDEN / "junction.txt").read_text("utf-8")


@pytest.mark.parametrize("asked", [["--format", "json"], ["--json"]])
def test_json_has_a_row_for_each_route(
    capsys: pytest.CaptureFixture[str], asked: list[str]
) -> None:
    assert main(["table", JUNCTION, *asked]) == GOOD
    printed = json.loads(capsys.readouterr().out)
    assert (printed["kind"], printed["layout"]) == ("control-table", "Gannet Point")
    assert [row["route"] for row in printed["rows"]] == [
        "M1/main",
        "M2/main",
        "M2/quay",
        "M3/main",
    ]
    assert printed["rows"][2]["blocks"] == ["j1", "q1"]
    assert {column["key"] for column in printed["columns"]} == set(printed["rows"][0])


def test_equations_are_printed_in_each_form(capsys: pytest.CaptureFixture[str]) -> None:
    said = {}
    for form in ("text", "csv", "html", "json"):
        assert main(["table", JUNCTION, "--equations", "--format", form]) == GOOD
        said[form] = capsys.readouterr().out
    assert "\nsignal M2 off =\n    route M2/main off\n    or route M2/quay off\n" in said["text"]
    assert "(after 1.5 s) =\n    detector d1=clear\n" in said["text"]
    assert "(at first yes) =\n" in said["text"]
    rows = list(csv.DictReader(io.StringIO(said["csv"])))
    assert [row["Is"] for row in rows if row["Name"] == "signal M2 off"] == [
        "route M2/main off or route M2/quay off"
    ]
    assert "<pre>route M2/main off\nor route M2/quay off</pre>" in said["html"]
    shapes = {row["name"]: row["is"] for row in json.loads(said["json"])["rows"]}
    assert shapes["signal M2 off"] == {"any": ["route M2/main off", "route M2/quay off"]}


def test_a_file_is_written_in_the_form_of_its_ending(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for ending, kept in (("csv", "csv"), ("html", "html"), ("txt", "txt"), ("", "txt")):
        path = tmp_path / f"table.{ending}".rstrip(".")
        assert main(["table", JUNCTION, "--output", str(path)]) == GOOD
        assert path.read_bytes() == (GOLDEN / f"junction.{kept}").read_bytes()
        assert capsys.readouterr().out == f"Wrote {path}.\n"
    path = tmp_path / "table.html"
    assert main(["table", JUNCTION, "--output", str(path), "--format", "csv"]) == GOOD
    assert path.read_bytes() == (GOLDEN / "junction.csv").read_bytes()


def test_mistakes_are_told_as_check_tells_them_and_no_table_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(WRONG)
    assert main(["check", str(path)]) == MISTAKES
    findings = capsys.readouterr().out.splitlines()[:-1]  # the last line counts them
    output = tmp_path / "table.csv"
    assert main(["table", str(path), "--output", str(output)]) == MISTAKES
    said = capsys.readouterr()
    assert said.err.splitlines() == findings
    assert len(findings) > 1
    assert said.out == ""
    assert not output.exists()


def test_what_only_the_whole_track_shows_is_a_mistake_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "endless.toml"
    path.write_text(
        '[layout]\nname = "Endless"\n[blocks]\na = {}\nb = {}\nc = {}\n[lines]\n'
        'ring = "a > b > c > a"\nback = "a > b"\n[signals]\nS = { at = "b > a" }\n'
    )
    code = main(["check", str(path)])
    findings = capsys.readouterr().out.splitlines()[:-1]
    assert main(["table", str(path)]) == code
    if code == MISTAKES:
        assert capsys.readouterr().err.splitlines() == findings


@pytest.mark.parametrize("name", ["absent.toml", "."])
def test_an_unreadable_file(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert main(["table", str(tmp_path / name)]) == UNUSABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("signalling: ")
    assert len(said.err.splitlines()) == 1


def test_a_misspelt_option_is_answered_with_the_usage_of_the_verb(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["table", JUNCTION, "--confict"]) == UNUSABLE
    said = capsys.readouterr().err
    assert said.startswith("usage: signalling table ")
    assert "--confict" in said


def test_conflicts_are_printed_in_each_form(capsys: pytest.CaptureFixture[str]) -> None:
    said = {}
    for form in ("text", "csv", "html", "json"):
        assert main(["table", JUNCTION, "--conflicts", "--format", form]) == GOOD
        said[form] = capsys.readouterr().out
    assert "M2/main\n  M2/quay  same signal, turnout t1, track j1\n" in said["text"]
    cells = {row["Route"]: row for row in csv.DictReader(io.StringIO(said["csv"]))}
    assert cells["M2/quay"]["M2/main"] == "same signal; turnout t1; track j1"
    assert cells["M2/quay"]["M3/main"] == ""
    assert "<li>" in said["html"]
    assert [(row["route"], row["with"]) for row in json.loads(said["json"])["rows"]] == [
        ("M2/main", "M2/quay")
    ]


def test_an_unknown_form_is_a_mistake_of_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", JUNCTION, "--format", "word"]) == UNUSABLE
    assert "invalid choice" in capsys.readouterr().err


def test_the_layout_file_is_never_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "layout.toml"
    path.write_text(ring_text([3, 3, 3]))
    os.link(path, tmp_path / "other-name.csv")
    for output in ("layout.toml", "other-name.csv"):
        assert main(["table", str(path), "--output", str(tmp_path / output)]) == UNUSABLE
        assert "This is the layout file itself." in capsys.readouterr().err
    assert path.read_text() == ring_text([3, 3, 3])


@pytest.mark.parametrize("output", ["absent/table.csv", ".", "table\0.csv"])
def test_a_file_that_cannot_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], output: str
) -> None:
    assert main(["table", JUNCTION, "--output", f"{tmp_path}/{output}"]) == UNUSABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert "It cannot be written" in said.err


@pytest.mark.real_time
def test_every_run_prints_the_same() -> None:
    printed = set()
    for seed in ("1", "2"):
        for options in ([], ["--equations", "--format", "json"]):
            done = subprocess.run(
                [sys.executable, "-m", "signalling", "table", JUNCTION, *options],
                env={**os.environ, "PYTHONHASHSEED": seed},
                capture_output=True,
                check=True,
                cwd=ROOT,
            )
            printed.add(done.stdout)
    assert len(printed) == 2


# -- on a terminal ---------------------------------------------------------------------------


@pytest.fixture
def on_terminal(capsys: pytest.CaptureFixture[str]) -> Callable[[Sheet, int], list[str]]:
    """Return the lines that a terminal of some width shows."""

    def show(sheet: Sheet, width: int) -> list[str]:
        _show(sheet, width)
        return capsys.readouterr().out.splitlines()

    return show


def test_a_wide_terminal_gets_a_grid_and_a_narrow_one_records(
    on_terminal: Callable[[Sheet, int], list[str]],
) -> None:
    sheet = control_table(table_from(ring_text([4, 3, 3])))
    wide, narrow = on_terminal(sheet, 160), on_terminal(sheet, 50)
    assert any("│ S0/main │ b2 > b0 │" in line for line in wide)
    assert not any("│" in line for line in narrow)
    assert "S0/main" in narrow
    assert max(map(len, wide)) <= 160
    assert max(map(len, narrow)) <= 50


def test_a_grid_is_printed_only_where_no_cell_is_broken(
    on_terminal: Callable[[Sheet, int], list[str]],
) -> None:
    sheet = control_table(table_from(ring_text([4, 3, 3])))
    width = next(width for width in range(40, 300) if "│" in "".join(on_terminal(sheet, width)))
    lines = on_terminal(sheet, width)
    for text in ("preliminary-caution: clear", "caution: preliminary-caution", "S2/main"):
        assert any(text in line for line in lines)


def test_equations_are_no_grid_however_wide_a_terminal_is(
    on_terminal: Callable[[Sheet, int], list[str]],
) -> None:
    assert "signal S0 off =" in on_terminal(equations(table_from(ring_text([4, 3, 3]))), 5000)


def test_a_terminal_that_is_asked_for_gets_its_own_width(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("TERM", "xterm")
    assert main(["table", JUNCTION]) == GOOD
    assert "│ M1/main │" in capsys.readouterr().out


def test_marks_of_the_terminal_library_are_plain_text(
    on_terminal: Callable[[Sheet, int], list[str]],
) -> None:
    name = Column(key="name", title="Name", sentence="It is so.")
    sheet = Sheet(
        kind="kind",
        layout="[bold]\x1b[31m:smile:",
        practice="uk",
        title="Title",
        notes=("[red]note[/]",),
        columns=(name,),
        names="name",
        parts="name",
        headings={},
        rows=({"name": "[/]x[link=y]:heart:"},),
    )
    for lines in (on_terminal(sheet, 100), on_terminal(sheet, 20)):
        text = "".join(lines)
        assert "[bold]\ufffd[31m:smile:: title" in text
        assert "[red]note[/]" in text
        assert "[/]x[link=y]:heart:" in text


def test_the_terminal_library_is_loaded_for_a_grid_only() -> None:
    code = (
        "import sys; from signalling.cli import main; "
        f"main(['table', {JUNCTION!r}]); sys.exit('rich' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=ROOT)
