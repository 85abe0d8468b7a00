"""Every example runs as it stands: layouts are checked, printed and run, scripts are run."""

from __future__ import annotations

import asyncio
import runpy
import sys
from pathlib import Path

import pytest

from signalling import Interlocking, PacedLoop, Severity, check_file, load_table

EXAMPLES = Path(__file__).parent.parent / "examples"
LAYOUTS = sorted(EXAMPLES.glob("*.toml"))


def test_the_examples_are_those_that_the_readme_names() -> None:
    assert [path.name for path in LAYOUTS] == [
        "junction.toml",
        "plain_line.toml",
        "ring.toml",
        "station.toml",
    ]


@pytest.mark.parametrize("file", LAYOUTS, ids=lambda path: path.name)
def test_a_layout_checks_clean_and_starts_at_danger(file: Path) -> None:
    assert [each for each in check_file(file) if each.severity is not Severity.NOTE] == []
    table = load_table(file)
    now = Interlocking(table).snapshot()
    assert set(now.aspects.values()) == {"danger"}
    assert all(now.stops.values())


def test_an_existing_program_with_signalling(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    script = EXAMPLES / "existing_program.py"
    assert len(script.read_text("utf-8").splitlines()) < 30

    def run(main: object) -> None:
        loop = PacedLoop(None)
        try:
            loop.run_until_complete(main)  # type: ignore[arg-type]
        finally:
            loop.close()

    monkeypatch.setattr(asyncio, "run", run)
    monkeypatch.setattr(sys, "argv", [str(script)])
    runpy.run_path(str(script), run_name="__main__")
    lines = capsys.readouterr().out.splitlines()
    start = ["stop brake2: applied", *(f"signal U{number}: danger" for number in (1, 2, 3))]
    assert lines[:4] == start
    steps = [line for line in lines[4:-4] if line.startswith("signal U3")]
    assert steps == [
        f"signal U3: {aspect}" for aspect in ("caution", "preliminary-caution", "clear", "danger")
    ]
    assert lines[-4:] == start
