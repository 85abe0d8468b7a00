"""Write the printed documents anew: ``python -m tests.golden``, then read the diff.

Law of this file: which documents are kept, and how each is made.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from signalling.cli.table import FORMATS
from signalling.table.equations import equations
from signalling.table.load import load_table
from signalling.table.matrix import conflict_matrix
from signalling.table.present import control_table

FOLDER = Path(__file__).parent
EXAMPLES = FOLDER.parents[1] / "examples"
LAYOUTS = (
    EXAMPLES / "plain_line.toml",
    EXAMPLES / "ring.toml",
    EXAMPLES / "junction.toml",
    FOLDER.parent / "one_of_everything.toml",
)
ENDINGS = {"text": "txt", "csv": "csv", "html": "html"}


def documents() -> Iterator[tuple[str, str]]:
    """Yield the name and the text of every document."""
    for layout in LAYOUTS:
        table = load_table(layout)
        for form, ending in ENDINGS.items():
            yield f"{layout.stem}.{ending}", FORMATS[form](control_table(table))
    table = load_table(EXAMPLES / "plain_line.toml")
    yield "plain_line.equations.txt", FORMATS["text"](equations(table))
    table = load_table(LAYOUTS[-1])
    for form, ending in ENDINGS.items():
        yield f"{LAYOUTS[-1].stem}.conflicts.{ending}", FORMATS[form](conflict_matrix(table))


if __name__ == "__main__":
    for name, text in documents():
        (FOLDER / name).write_text(text, "utf-8")
