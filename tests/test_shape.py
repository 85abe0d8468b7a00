"""The shape of the tree: each file states its law and holds one idea; the public names are real."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import signalling
import transports

ROOT = Path(__file__).parent.parent
MODULES = sorted(
    path
    for package in ("signalling", "transports")
    for path in (ROOT / package).rglob("*.py")
    if path.name not in {"__init__.py", "__main__.py"}
)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_opens_with_its_law(path: Path) -> None:
    docstring = ast.get_docstring(ast.parse(path.read_text("utf-8")))
    assert docstring is not None
    assert "Law of this file" in docstring or path.parent.name == "cli"


def test_few_files_are_long() -> None:
    lengths = {path: len(path.read_text("utf-8").splitlines()) for path in MODULES}
    long = {str(path): length for path, length in lengths.items() if length > 400}
    assert len(long) * 10 <= len(MODULES), long


def test_every_public_name_is_there() -> None:
    for name in signalling.__all__:
        assert getattr(signalling, name) is not None
    for name in transports.__all__:
        assert getattr(transports, name) is not None
    assert set(signalling.__all__) <= set(dir(signalling))
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = signalling.no_such_name


@pytest.mark.parametrize("heavy", ["asyncio", "aiomqtt", "rich", "cattrs"])
def test_importing_the_package_loads_nothing_heavy(heavy: str) -> None:
    code = f"import sys, signalling; sys.exit({heavy!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("heavy", ["asyncio", "aiomqtt", "rich"])
def test_checking_a_file_without_transports_loads_none(heavy: str, tmp_path: Path) -> None:
    text = (ROOT / "examples" / "junction.toml").read_text("utf-8")
    file = tmp_path / "layout.toml"
    file.write_text(text[: text.index("[transports.")])
    code = (
        "import sys\n"
        "from signalling.cli import main\n"
        f"code = main(['check', {str(file)!r}])\n"
        f"sys.exit(code or {heavy!r} in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], check=False, cwd=ROOT, capture_output=True)
    assert run.returncode == 0, run


@pytest.mark.parametrize(
    "other", ["signalling.controller.controller", "transports.conformance", "signalling.describe"]
)
def test_checking_the_transports_of_a_file_runs_nothing(other: str) -> None:
    code = (
        "import sys\n"
        "from signalling.cli import main\n"
        "code = main(['check', 'examples/junction.toml'])\n"
        f"sys.exit(code or {other!r} in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], check=False, cwd=ROOT, capture_output=True)
    assert run.returncode == 0, run
