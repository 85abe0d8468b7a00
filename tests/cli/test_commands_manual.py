"""The manual of commands is true: its verbs, its columns, and what it shows of real runs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from signalling.cli import MISTAKES, VERBS, main
from signalling.table.equations import HEADINGS
from signalling.table.matrix import PAIR_COLUMNS
from signalling.table.present import COLUMNS

ROOT = Path(__file__).parents[2]
MANUAL = (ROOT / "docs" / "commands.md").read_text("utf-8")
JUNCTION = str(ROOT / "examples" / "junction.toml")
BAD = """\
[layout]
name = "Tern Sands"
practice = "uk"

[blocks]
a = {}
b = {}

[lines]
main = "a > b"

[signals]
S = { at = "a > c", aspects = 3 }
"""


def section(verb: str) -> str:
    return MANUAL.partition(f"\n## {verb}\n")[2].partition("\n## ")[0]


def shown(text: str, kind: str = "") -> str:
    """Return the first block of that kind in a text."""
    return text.partition(f"```{kind}\n")[2].partition("```")[0]


def rows(text: str) -> list[list[str]]:
    """Return the cells of a text's tables."""
    return [
        [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        for line in text.splitlines()
        if line.startswith("| ")
    ]


def test_every_verb_has_a_line_and_a_section_and_no_other() -> None:
    listed = {
        cells[0].partition("(#")[2].removesuffix(")"): cells[1]
        for cells in rows(MANUAL.partition("\n## ")[0])
        if "(#" in cells[0]
    }
    assert listed == VERBS
    for verb in VERBS:
        assert shown(section(verb)).startswith(f"signalling {verb}")


@pytest.mark.parametrize("verb", VERBS)
def test_every_option_is_named(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([verb, "--help"]) == 0
    options = set(re.findall(r"--[a-z][a-z-]+", capsys.readouterr().out)) - {"--help"}
    synopsis = shown(section(verb))
    assert set(re.findall(r"--[a-z][a-z-]+", synopsis)) == options


def test_findings_are_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bad.toml").write_text(BAD)
    assert main(["check", "bad.toml"]) == MISTAKES
    assert f"$ signalling check bad.toml\n{capsys.readouterr().out}```" in MANUAL
    assert main(["check", "bad.toml", "--json"]) == MISTAKES
    findings = json.loads(capsys.readouterr().out)
    assert json.loads(shown(section("check"), "json")) == findings
    keys = {cells[0].strip("`") for cells in rows(section("check"))} - {"key", "---"}
    assert keys == set(findings[0])


def test_the_summary_of_a_demonstration_has_the_keys_that_are_told(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["demo", "--seconds", "1", "--json"]) == 0
    told = [re.findall(r"`([a-z_]+)`", cells[0]) for cells in rows(section("demo"))]
    assert {key for keys in told for key in keys} == set(json.loads(capsys.readouterr().out))


def told_columns(part: str = "") -> dict[str, list[str]]:
    """Return by key what is told of the columns of the control table, or of the conflicts."""
    control, _, conflicts = section("table").partition("### The conflict matrix")
    text = conflicts if part else control
    return {cells[0].strip("`"): cells for cells in rows(text) if len(cells) == 4}


def test_what_is_told_of_conflicts_is_so(capsys: pytest.CaptureFixture[str]) -> None:
    told = told_columns("conflicts")
    assert list(told)[2:] == [column.key for column in PAIR_COLUMNS]
    assert main(["table", JUNCTION, "--conflicts", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)["rows"][0]
    types = {"text": str, "list of texts": list, "true or false": bool}
    for column in PAIR_COLUMNS:
        _, title, value, says = told[column.key]
        assert (title, says) == (column.heading, column.sentence)
        assert isinstance(row[column.key], types[value])


def test_every_column_is_told_as_it_is() -> None:
    told = told_columns()
    assert list(told)[2:] == [column.key for column in COLUMNS]
    for column in COLUMNS:
        _, title, _, says = told[column.key]
        assert title == column.heading
        assert says.startswith(column.sentence)


def test_a_control_table_has_the_values_that_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    types = {
        "text": str,
        "text or `null`": str | None,
        "list of texts": list,
        "list of numbers, s": list,
        "number, s, or `null`": float | None,
        "object": dict,
        "true or false": bool,
    }
    told = told_columns()
    everything = str(ROOT / "tests" / "one_of_everything.toml")
    for layout in (JUNCTION, everything):
        assert main(["table", layout, "--json"]) == 0
        printed = json.loads(capsys.readouterr().out)
        assert set(printed) == set(json.loads(shown(section("table"), "json")))
        for row in printed["rows"]:
            for key, value in row.items():
                assert isinstance(value, types[told[key][2]])  # type: ignore[arg-type]
            assert set(row["to"]) < {"signal", "buffer in", "open track beyond"}


def test_equations_are_as_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", JUNCTION, "--equations"]) == 0
    printed = capsys.readouterr().out
    told = section("table").partition("### The equations")[2]
    assert shown(told) in printed
    assert [cells[0].strip("`") for cells in rows(told)][2:] == list(HEADINGS)
