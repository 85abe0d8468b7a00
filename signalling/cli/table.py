"""``signalling table FILE``: print the control table, the conflict matrix or the equations.

Law of this file: which of them, in which form, to where. A layout with
mistakes gets its findings, and no table.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from shutil import get_terminal_size

from signalling.cli import GOOD
from signalling.cli.extras import load
from signalling.errors import ConfigurationError, UnreadableFileError
from signalling.table.equations import equations
from signalling.table.load import load_table
from signalling.table.matrix import conflict_matrix, conflict_pairs
from signalling.table.present import control_table
from signalling.table.sheet import Sheet, as_csv, as_json
from signalling.table.sheet_html import as_html
from signalling.table.sheet_text import as_text, heading
from signalling.table.table import Table

__all__ = ["FORMATS", "PDF", "add_arguments", "run"]

FORMATS: dict[str, Callable[[Sheet], str]] = {
    "text": as_text,
    "csv": as_csv,
    "html": as_html,
    "json": as_json,
}
"""The forms that are text."""
PDF = "pdf"
"""The form that is not, which is made by a library of an extra."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--conflicts",
        action="store_true",
        help="print the conflict matrix instead: which routes never go together, and why",
    )
    which.add_argument(
        "--equations",
        action="store_true",
        help="print the equations that run instead of the control table that they are made from",
    )
    parser.add_argument(
        "--format",
        choices=(*FORMATS, PDF),
        help="how to print it; where not given, as the ending of --output says, else as text",
    )
    parser.add_argument(
        "--json",
        dest="format",
        action="store_const",
        const="json",
        help="the same as --format json",
    )
    parser.add_argument(
        "--output", metavar="PATH", help="the file to write, or write over, instead of printing"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print a table.

    Raises ``LayoutError`` with what ``check`` would print where that has an error,
    ``UnreadableFileError`` where a file cannot be read or written, and ``ConfigurationError`` for
    a PDF without a file to go to, or without the library that makes it.
    """
    output = arguments.output
    ending = Path(output).suffix.removeprefix(".").lower() if output else ""
    form = arguments.format or (ending if ending in (*FORMATS, PDF) else "text")
    if form == PDF and not output:
        raise ConfigurationError(
            "table", "A PDF is not text to print.", "Give --output and the file to write."
        )
    table = load_table(arguments.file)
    sheet = _sheet(table, arguments, form)
    if output:
        _write(Path(output), _document(sheet, form), Path(arguments.file))
        print(f"Wrote {output}.")
    elif form == "text" and sys.stdout.isatty():
        _show(sheet, get_terminal_size().columns)
    else:
        sys.stdout.write(FORMATS[form](sheet))
    return GOOD


def _sheet(table: Table, arguments: argparse.Namespace, form: str) -> Sheet:
    if arguments.equations:
        return equations(table)
    if arguments.conflicts:
        return conflict_pairs(table) if form == "json" else conflict_matrix(table)
    return control_table(table)


def _document(sheet: Sheet, form: str) -> bytes:
    if form == PDF:
        made: bytes = load("signalling.cli.pdf", PDF, "table").as_pdf(sheet)
        return made
    return FORMATS[form](sheet).encode()


def _show(sheet: Sheet, width: int) -> None:
    """Print a sheet on a terminal: as a grid where it is one and fits, else as text."""
    from rich.console import Console

    from signalling.cli.grid import grid, grid_width

    if sheet.headings or grid_width(sheet) > width:
        sys.stdout.write(as_text(sheet, width))
        return
    print("\n".join(heading(sheet, width)))
    Console(file=sys.stdout, width=width, highlight=False).print(grid(sheet))


def _write(path: Path, document: bytes, layout: Path) -> None:
    if path.exists() and path.samefile(layout):
        raise UnreadableFileError(
            str(path), "This is the layout file itself.", "Choose another name."
        )
    try:
        path.write_bytes(document)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableFileError(
            str(path), f"It cannot be written: {reason}.", "Choose another name or folder."
        ) from None
