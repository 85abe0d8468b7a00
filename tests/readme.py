"""The parts of the README that are output or files: ``python -m tests.readme`` writes them again.

Law of this file: each part is what a user gets who does what the README says.
"""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

from signalling.cli import main

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
PART = re.compile(r"(<!-- (\w+) -->\n```(\w*)\n)(.*?)(```\n<!-- /\2 -->)", re.DOTALL)


def parts() -> dict[str, str]:
    """Return what belongs in each part, by its name."""
    return {
        "demo": output("demo", "--seconds", "600"),
        "junction": bare(ROOT / "examples" / "junction.toml"),
        "table": table(),
        "program": (ROOT / "examples" / "existing_program.py").read_text("utf-8"),
    }


def output(*arguments: str) -> str:
    """Return what the command prints."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(io.StringIO()):
        assert main(list(arguments)) == 0
    return printed.getvalue().rstrip() + "\n"


def table() -> str:
    """Return the rows of signal M2 from the printed table of the junction."""
    text = output("table", str(ROOT / "examples" / "junction.toml"))
    _, _, rest = text.partition("M2/main\n")
    rows, _, _ = rest.partition("\nM3/main")
    return f"$ signalling table examples/junction.toml\n...\nM2/main\n{rows}"


def bare(file: Path) -> str:
    """Return a TOML file without its comments and blank lines."""
    lines = (re.sub(r"\s*#.*", "", line) for line in file.read_text("utf-8").splitlines())
    return "".join(f"{line}\n" for line in lines if line)


def renewed(text: str) -> str:
    """Return the README with every part as it is now."""
    known = parts()
    return PART.sub(lambda found: found[1] + known[found[2]] + found[5], text)


if __name__ == "__main__":
    README.write_text(renewed(README.read_text("utf-8")), "utf-8")
