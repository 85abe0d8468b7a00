"""What the documents show is true: layouts check, commands run, links lead somewhere.

Law of this file: nothing of any one document. A new page under ``docs/`` is
taken in as it is.
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from attrs import fields, frozen

from signalling.cli import VERBS, _parser, main
from signalling.layout.model import Layout
from signalling.layout.shape import key_of
from signalling.practice.load import load_practice
from transports.can.node_file import node_file_from

ROOT = Path(__file__).parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
FOR_USERS = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]

BASE = """
[layout]
name = "Gannet Point"
[blocks]
d1 = {}
d2 = {}
d3 = {}
j1 = {}
d4 = {}
q1 = {}
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d1 > d2 > d3 > j1[t1 normal] > d4 > d1"
quay = "d3 > j1[t1 reverse] > q1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d3 > j1", aspects = 4, routes = { quay = { indicator = 4 } } }
M3 = { at = "d4 > d1", aspects = 3 }
[stops]
S2 = { signal = "M2" }
[transports.club]
kind = "mqtt"
"""
"""What surrounds a snippet that is not a whole layout file."""

TABLES = {key_of(each) for each in fields(Layout)}


@frozen
class Block:
    """A fenced block of a page."""

    page: Path
    line: int
    kind: str
    text: str

    def __str__(self) -> str:
        return f"{self.page.relative_to(ROOT)}:{self.line}"


def blocks_of(pages: list[Path]) -> Iterator[Block]:
    for page in pages:
        kind, start, lines = None, 0, []
        for number, line in enumerate(page.read_text("utf-8").splitlines(), 1):
            if not line.lstrip().startswith("```"):
                lines.append(line)
            elif kind is None:
                kind, start, lines = line.strip()[3:], number, []
            else:
                yield Block(page, start, kind, "".join(f"{each}\n" for each in lines))
                kind = None
        assert kind is None, f"{page}: the block of line {start} has no end"


BLOCKS = list(blocks_of(PAGES))


def of_kind(*kinds: str) -> list[Block]:
    return [block for block in BLOCKS if block.kind in kinds]


# -- layouts and practices ---------------------------------------------------------------------


def as_toml(value: Any) -> str:
    """A value as TOML has it on one line."""
    match value:
        case dict():
            pairs = (f"{json.dumps(key)} = {as_toml(each)}" for key, each in value.items())
            return f"{{ {', '.join(pairs)} }}"
        case list():
            return f"[{', '.join(as_toml(each) for each in value)}]"
        case _:
            return json.dumps(value)


def completed(text: str) -> dict[str, Any]:
    """A snippet, or a snippet with the base around it where it describes no track of its own."""
    data = tomllib.loads(text)
    if {"layout", "blocks", "lines"} <= data.keys():
        return data
    base = tomllib.loads(BASE)
    for table, entries in data.items():
        both = isinstance(entries, dict) and isinstance(base.get(table), dict)
        base[table] = {**base[table], **entries} if both else entries
    return base


def findings(data: dict[str, Any], folder: Path, environment: pytest.MonkeyPatch) -> list[str]:
    """What ``check`` prints of a layout, where the files and names that it refers to are there."""
    for options in data.get("transports", {}).values():
        for key in list(options):
            if key.endswith("_env"):
                environment.setenv(options[key], "known")
            elif key in ("ca_file", "cert_file", "key_file"):
                del options[key]  # certificates have tests of their own
                options["tls"] = True
            elif key.endswith("_file"):
                (folder / options[key]).write_text("known")
    for dbc in (ROOT / "tests").rglob("*.dbc"):
        shutil.copy(dbc, folder)
    file = folder / "layout.toml"
    file.write_text("".join(f"{table} = {as_toml(each)}\n" for table, each in data.items()))
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        main(["check", str(file)])
    return printed.getvalue().splitlines()


def is_layout(block: Block) -> bool:
    return tomllib.loads(block.text).keys() <= TABLES


@pytest.mark.parametrize("block", of_kind("toml"), ids=str)
def test_a_snippet_checks_without_errors(
    block: Block, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = re.match(r"# (\S+\.toml)\n", block.text)
    if "board" in tomllib.loads(block.text):
        node_file_from(block.text)
        return
    if not is_layout(block):
        assert name is not None, "a practice says its file's name in its first line"
        (tmp_path / name[1]).write_text(block.text)
        load_practice(name[1], tmp_path)
        return
    for other in of_kind("toml"):  # files that it names are shown on the same page
        named = re.match(r"# (\S+\.toml)\n", other.text)
        if other.page == block.page and named is not None:
            (tmp_path / named[1]).write_text(other.text)
    told = findings(completed(block.text), tmp_path, monkeypatch)
    assert [line for line in told if ": error: " in line] == []
    assert "0 errors" in told[-1]


@pytest.mark.parametrize(
    "wrong",
    [
        '[signals]\nM2 = { at = "d2 > q1" }',
        '[stops]\nS = { signal = "X" }',
        "[transports.club]\nhots = 'broker'",
        "[[bindings]]\ndevice = '*'\ntransport = 'bus'",
    ],
)
def test_a_wrong_snippet_is_noticed(
    wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = findings(completed(wrong), tmp_path, monkeypatch)
    assert any(": error: " in line for line in told)


# -- commands ----------------------------------------------------------------------------------


def variants(synopsis: str) -> Iterator[str]:
    """Every command line that a synopsis stands for: ``[...]`` is optional, ``|`` is or."""
    parts = re.split(r"\[([^\]]*)\]", synopsis)
    choices = []
    for index, part in enumerate(parts):
        options = part.split(" | ") if index % 2 else [part]
        words = [
            " ".join(chosen)
            for option in options
            for chosen in product(*(word.split("|") for word in option.split()))
        ]
        choices.append(["", *words] if index % 2 else words)
    for chosen in product(*choices):
        line = " ".join(each for each in chosen if each)
        yield re.sub(r"\b[A-Z]\b", "1", line)  # a single letter stands for a number


def commands() -> Iterator[tuple[str, str]]:
    """Yield the place and the text of every command line of the pages for users."""
    for block in blocks_of(FOR_USERS):
        for offset, line in enumerate(block.text.splitlines(), 1):
            shown = re.match(r"(?:\$ )?(?:\.venv/bin/)?(signalling( .*)?)\Z", line.strip())
            if shown is not None and block.kind not in ("toml", "python", "json", "text"):
                place = f"{block.page.name}:{block.line + offset}"
                yield place, re.sub(r"\s+#.*", "", shown[1])
    for page in FOR_USERS:
        prose = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
        for span in re.findall(r"`(signalling [^`]+)`", prose):
            if len(span.split()) > 2:  # else it is a verb's name and no line to type
                yield page.name, span.replace("\\|", "|")


COMMANDS = sorted({(place, line) for place, line in commands() if " VERB" not in line})
"""Where each stands, and the line."""


def test_there_are_commands() -> None:
    assert {line.split()[1] for _, line in COMMANDS} == set(VERBS)
    assert list(variants("a [b|c] [-x | -y N] FILE")) == [
        f"a {middle}FILE"
        for middle in ("", "-x ", "-y 1 ", "b ", "b -x ", "b -y 1 ", "c ", "c -x ", "c -y 1 ")
    ]


@pytest.mark.parametrize(("place", "line"), COMMANDS)
def test_a_command_is_understood(place: str, line: str) -> None:
    for variant in variants(line):
        argv = shlex.split(variant)[1:]
        code: object = 0
        try:
            _parser(argv)[0].parse_args(argv)
        except SystemExit as end:  # also --help and --version
            code = end.code
        assert code == 0, f"{place}: {variant}"


WITH_EXAMPLES = [(place, line) for place, line in COMMANDS if "examples/" in line]


@pytest.mark.parametrize(("place", "line"), WITH_EXAMPLES)
def test_a_command_with_an_example_runs(
    place: str, line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    argv = shlex.split(line)[1:]
    if argv[0] != "run":
        with contextlib.redirect_stdout(io.StringIO()):
            assert main(argv) == 0, place
        return
    command = [sys.executable, "-u", "-m", "signalling", *argv]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout is not None
        assert process.stdout.readline(), place
        process.send_signal(signal.SIGTERM)
        process.stdout.read()
    assert process.returncode == 0, place


# -- programs ----------------------------------------------------------------------------------


@pytest.mark.parametrize("block", of_kind("python"), ids=str)
def test_a_program_compiles_and_prints_what_is_shown(
    block: Block, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code = compile(block.text, str(block), "exec", flags=ast.PyCF_ALLOW_TOP_LEVEL_AWAIT)
    after = BLOCKS[BLOCKS.index(block) + 1 :][:1]
    last = block.line + block.text.count("\n") + 1
    if after and after[0].kind == "text" and after[0].line == last + 2:
        monkeypatch.chdir(ROOT)
        exec(code, {"__name__": "shown"})  # noqa: S102 - our own page
        assert capsys.readouterr().out == after[0].text


# -- links and paths ---------------------------------------------------------------------------


def anchors(page: Path) -> set[str]:
    """The anchors of a page's headings, as they are made on the web."""
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    found = set()
    for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE):
        words = re.sub(r"[^\w\- ]", "", re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading))
        found.add(words.strip().lower().replace(" ", "-"))
    return found


def links(page: Path) -> Iterator[str]:
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if not re.match(r"[a-z]+:", target):
            yield target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    wrong = []
    for target in links(page):
        path, _, anchor = target.partition("#")
        to = page.parent / path if path else page
        if not to.exists() or (anchor and anchor not in anchors(to)):
            wrong.append(target)
    assert wrong == []


def test_every_page_for_users_is_linked_to() -> None:
    reached: set[Path] = set()
    waiting = [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        if page in reached or page.suffix != ".md" or not page.is_file():
            continue
        reached.add(page)
        waiting += [
            (page.parent / target.partition("#")[0]).resolve()
            for target in links(page)
            if target.partition("#")[0]
        ]
    assert reached >= set(FOR_USERS)


CODE = re.compile(r"`(?!build/)([a-z_\d./-]+(?:/|\.(?:py|toml|md|json)))`")
"""A path in the text: a folder, or a file in one; not one with a word in capitals for any name."""


@pytest.mark.parametrize("page", [ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("0*.md"))])
def test_paths_that_contributors_are_told_of_are_there(page: Path) -> None:
    places = (ROOT, ROOT / "signalling", page.parent)
    told = {path for path in CODE.findall(page.read_text("utf-8")) if "/" in path}
    assert {path for path in told if not any((at / path).exists() for at in places)} == set()


# -- decision records --------------------------------------------------------------------------

RECORDS = sorted((ROOT / "docs" / "decisions").glob("*.md"))


def test_records_are_numbered_without_gaps() -> None:
    assert [int(path.name[:4]) for path in RECORDS] == list(range(1, len(RECORDS) + 1))


@pytest.mark.parametrize("page", RECORDS, ids=lambda page: page.name)
def test_a_record_has_its_parts_and_is_under_a_page(page: Path) -> None:
    text = page.read_text("utf-8")
    number = int(page.name[:4])
    assert re.match(rf"# {number:04}: \S.*\n\nDate: \d{{4}}-\d\d-\d\d\n", text)
    parts = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert parts == ["Context", "Decision", "Consequences", "Not chosen"]
    assert len(text.split()) < 600
