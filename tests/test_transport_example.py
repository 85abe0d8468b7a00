"""The example of a transport by somebody else: installed as they would, found by its kind."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
EXAMPLE = ROOT / "examples" / "tcp_transport"
MODULE, TESTS, LAYOUT = "tcp_lines.py", "test_tcp_lines.py", "layout.toml"


def run(*command: str, path: list[Path], cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, path))}
    return subprocess.run(
        [sys.executable, "-m", *command],
        env=environment,
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which pip has installed the example, from its own project file."""
    project = shutil.copytree(EXAMPLE, tmp_path_factory.mktemp("project") / "project")
    target = tmp_path_factory.mktemp("installed")
    pip = run(
        *("pip", "install", "--quiet", "--no-index", "--no-deps", "--no-build-isolation"),
        *("--target", str(target), str(project)),
        path=[],
        cwd=project,
    )
    assert pip.returncode == 0, pip.stderr
    assert (target / MODULE).is_file()
    return target


def test_its_kind_is_found_once_it_is_installed(installed: Path, tmp_path: Path) -> None:
    layout = shutil.copy(EXAMPLE / LAYOUT, tmp_path)
    before = run("signalling", "check", str(layout), path=[ROOT], cwd=tmp_path)
    assert "There is no kind of transport 'tcp-lines'" in before.stdout
    assert before.returncode == 1
    after = run("signalling", "check", str(layout), path=[ROOT, installed], cwd=tmp_path)
    assert after.returncode == 0, after.stdout
    assert "0 errors, 0 warnings" in after.stdout


def test_what_it_refuses_is_told_when_the_file_is_checked(installed: Path, tmp_path: Path) -> None:
    layout = tmp_path / LAYOUT
    layout.write_text((EXAMPLE / LAYOUT).read_text("utf-8").replace("port = 7070", "prot = 7070"))
    checked = run("signalling", "check", str(layout), path=[ROOT, installed], cwd=tmp_path)
    assert "transport quay: It takes a host and a port, and not {'prot': 7070}." in checked.stdout
    assert checked.returncode == 1


def test_its_own_tests_pass_as_its_author_runs_them(installed: Path, tmp_path: Path) -> None:
    tests = shutil.copy(EXAMPLE / TESTS, tmp_path)
    own = run(
        # No plugin for asyncio is needed.
        *("pytest", "-q", "-p", "no:cacheprovider", "-p", "no:asyncio", "-W", "error", str(tests)),
        path=[installed, ROOT],
        cwd=tmp_path,
    )
    assert own.returncode == 0, own.stdout
    assert " passed" in own.stdout


def test_it_is_about_sixty_lines() -> None:
    text = (EXAMPLE / MODULE).read_text("utf-8")
    body = text.partition("class TcpLines:")[2].splitlines()
    assert 50 < sum(bool(line.strip()) for line in body) < 75


@pytest.mark.parametrize("part", [MODULE, TESTS])
def test_the_page_shows_it_as_it_is(part: str) -> None:
    text = (EXAMPLE / part).read_text("utf-8")
    if part == TESTS:  # of the tests, the call of the checks
        text = "@contextlib" + text.partition("@contextlib")[2].partition("\n\n\ndef test_what")[0]
    page = (ROOT / "docs" / "transports.md").read_text("utf-8")
    shown = page.partition(f"<!-- {part} -->\n```python\n")[2].partition("\n```\n<!--")[0]
    assert shown.strip() == text.strip()
