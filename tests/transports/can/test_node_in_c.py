"""The node in C: generated parts, a clean compile, and the same doings as the node in Python."""

from __future__ import annotations

import re
import subprocess
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings

from tests.transports.can.node_runs import (
    ROOT,
    SOURCES,
    Program,
    Run,
    as_lines,
    compiled,
    played,
    vectors,
)
from tests.transports.can.node_strategies import runs
from tests.transports.can.node_vectors import texts
from transports.can.node_c import NAME, generated

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SANITIZERS = ("-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
RECORDED = vectors()


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    with Program(compiled(tmp_path_factory.mktemp("node"), "-O1")) as program:
        yield program


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    """The same, stopped by the compiler's sanitizers at whatever C does not define."""
    with Program(compiled(tmp_path_factory.mktemp("watched"), *SANITIZERS)) as program:
        yield program


def test_what_is_generated_is_up_to_date() -> None:
    for name, text in generated().items():
        written = (SOURCES / name).read_text("utf-8")
        assert written == text, f"{name}: write it again: make schema"


def test_the_vectors_are_up_to_date() -> None:
    written = {
        path.name: path.read_text("utf-8") for path in (ROOT / "shared/vectors").glob("node-*")
    }
    assert written == dict(texts()), (
        "write them again, and read the diff: python -m tests.transports.can.node_vectors"
    )


@pytest.mark.parametrize("name", RECORDED)
def test_a_vector_in_python(name: str) -> None:
    run, prints = RECORDED[name]
    assert played(run) == prints


@pytest.mark.parametrize("name", RECORDED)
def test_a_vector_in_c(name: str, program: Program, watched: Program) -> None:
    run, prints = RECORDED[name]
    assert program.play(run) == prints
    assert watched.play(run) == prints


@settings(max_examples=150)
@given(run=runs())
def test_both_do_the_same(run: Run, program: Program) -> None:
    assert program.play(run) == played(run)


@settings(max_examples=50)
@given(run=runs())
def test_both_do_the_same_and_c_does_nothing_undefined(run: Run, watched: Program) -> None:
    assert watched.play(run) == played(run)


def test_a_difference_is_noticed(program: Program) -> None:
    run, prints = RECORDED["node-orders"]
    other = Run(board=run.board, happens=run.happens, start=run.start + 1)
    assert program.play(other) != prints


def test_the_sanitizers_are_at_work(tmp_path: Path) -> None:
    source = tmp_path / "wrong.c"
    source.write_text("int main(int n, char **v) { int a[2] = {0}; (void)v; return a[n + 1]; }\n")
    made = ["cc", *SANITIZERS, "-o", str(tmp_path / "wrong"), str(source)]
    assert subprocess.run(made, check=False).returncode == 0
    run = subprocess.run([tmp_path / "wrong"], check=False, capture_output=True)
    assert run.returncode != 0
    assert b"runtime error" in run.stderr or b"AddressSanitizer" in run.stderr


@pytest.mark.parametrize(
    "wrong",
    [
        {"stops": {"0": {"lift": 200}}},
        {"signals": {"0": {"aspects": [[1]]}}},
        {"detectors": {"0": {"clear": 128}}},
        {"inputs": {"0": {"rest": 3, "third": 254}}},
        {"locks": {"0": {"free": 128}}},
        {"turnouts": {"0": {"normal": 130}}},
        {"stops": {str(port): {"lift": port % 100} for port in range(33)}},
    ],
)
def test_a_board_that_cannot_be_is_refused(wrong: dict[str, object], program: Program) -> None:
    lines = as_lines(Run(board=wrong, happens=("0 begin",)))
    run = subprocess.run([program.path], check=False, input=lines, capture_output=True, text=True)
    assert run.returncode == 2
    assert "the board cannot be" in run.stderr or "too many things" in run.stderr


def test_it_needs_no_heap_and_no_floating_point() -> None:
    for path in [*SOURCES.glob("*.[ch]")]:
        text = re.sub(r"/\*.*?\*/", "", path.read_text("utf-8"), flags=re.DOTALL)
        assert not re.search(r"\b(malloc|calloc|realloc|free|float|double)\s*\(", text), path
        if not path.stem.startswith(NAME):  # what is generated declares some, and has none
            assert not re.search(r"\b(float|double)\b", text), path
        headers = set(re.findall(r"#include <(.*?)>", text))
        if path.stem != "run_vectors":
            assert headers <= {"stdint.h", "stdbool.h", "stddef.h", "string.h"}, path


def test_the_example_of_a_board_compiles_with_the_room_that_there_is_without_asking(
    tmp_path: Path,
) -> None:
    command = ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-c"]
    for path in sorted(SOURCES.glob("*.c")):
        made = [*command, "-o", str(tmp_path / path.stem), str(path)]
        run = subprocess.run(made, check=False, capture_output=True, text=True)
        assert (run.returncode, run.stderr) == (0, ""), path
