"""The command as a whole: verbs, exit codes, and ends without tracebacks."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import signalling
from signalling import cli
from signalling.cli import GOOD, INTERRUPTED, PIPE_CLOSED, UNUSABLE, VERBS, main

ROOT = Path(__file__).parents[2]


def started(*words: str, **options: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "signalling", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == GOOD
    assert capsys.readouterr().out == f"signalling {signalling.__version__}\n"


def test_help_names_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == GOOD
    text = " ".join(capsys.readouterr().out.split())
    assert "0 good, 1 findings of severity error, 2 usage or unreadable file" in text
    for name, sentence in VERBS.items():
        assert name in text
        assert sentence in text


@pytest.mark.parametrize("name", VERBS)
def test_every_verb_has_its_module_and_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    module = import_module(f"signalling.cli.{name}")
    assert callable(module.run)
    assert main([name, "--help"]) == GOOD
    assert f"usage: signalling {name}" in capsys.readouterr().out


@pytest.mark.parametrize("argv", [[], ["zork"], ["check"], ["check", "--zork", "x"], ["--zork"]])
def test_wrong_usage(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == UNUSABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert "usage: signalling" in said.err


def test_ctrl_c_is_said_and_no_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(_: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "_run", interrupted)
    assert main(["check", "x"]) == INTERRUPTED
    assert capsys.readouterr().err == "signalling: stopped\n"


def test_a_reader_that_goes_away_is_no_failure(tmp_path: Path) -> None:
    # More than a pipe holds, so that writing goes on after the reader has gone.
    blocks = "\n".join(f"b{number} = {number}" for number in range(5000))
    file = tmp_path / "long.toml"
    file.write_text(f"[blocks]\n{blocks}\n")
    with started("check", str(file)) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.wait() == PIPE_CLOSED
        assert process.stderr.read() == ""


def test_names_that_the_terminal_cannot_show_are_shown_another_way(tmp_path: Path) -> None:
    file = tmp_path / "möwe.toml"
    file.write_text('[blocks]\n"möwe ☃" = 1\n', encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    with started("check", str(file), env=environment) as process:
        out, err = process.communicate()
    assert process.returncode == 1
    assert err == ""
    assert r"m\xf6we \u2603" in out


def test_check_needs_no_heavy_library() -> None:
    # A small file is answered at once; what draws and what connects is for other verbs. (The
    # file names a transport, which is made to see whether it can be, so asyncio is there.)
    heavy = ["rich", "aiomqtt", "paho", "importlib.metadata", "difflib", "json.tool"]
    program = (
        "import sys\n"
        "from signalling.cli import main\n"
        "code = main(['check', 'examples/plain_line.toml'])\n"
        f"found = [name for name in {heavy!r} if name in sys.modules]\n"
        "assert not found, found\n"
        "raise SystemExit(code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
