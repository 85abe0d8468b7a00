"""``signalling table FILE``: print the control table, or the equations, of a layout.

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
from signalling.errors import UnreadableFileError
from signalling.table.equations import equations
from signalling.table.load import load_table
from signalling.table.present import control_table
from signalling.table.sheet import Sheet, as_csv, as_json
from signalling.table.sheet_html import as_html
from signalling.table.sheet_text import as_text, heading

__all__ = ["FORMATS", "add_arguments", "run"]

FORMATS: dict[str, Callable[[Sheet], str]] = {
    "text": as_text,
    "csv": as_csv,
    "html": as_html,
    "json": as_json,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--equations",
        action="store_true",
        help="print the equations that run instead of the control table that they are made from",
    )
    parser.add_argument(
        "--format",
        choices=FORMATS,
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

    Raises ``LayoutError`` with what ``check`` would print where that has an error, and
    ``UnreadableFileError`` where a file cannot be read or written.
    """
    table = load_table(arguments.file)
    sheet = equations(table) if arguments.equations else control_table(table)
    output = arguments.output
    ending = Path(output).suffix.removeprefix(".") if output else ""
    form = arguments.format or (ending if ending in FORMATS else "text")
    if output:
        _write(Path(output), FORMATS[form](sheet), Path(arguments.file))
        print(f"Wrote {output}.")
    elif form == "text" and sys.stdout.isatty():
        _show(sheet, get_terminal_size().columns)
    else:
        sys.stdout.write(FORMATS[form](sheet))
    return GOOD


def _show(sheet: Sheet, width: int) -> None:
    """Print a sheet on a terminal: as a grid where it is one and fits, else as text."""
    from rich.console import Console

    from signalling.cli.grid import grid, grid_width

    if sheet.headings or grid_width(sheet) > width:
        sys.stdout.write(as_text(sheet, width))
        return
    print("\n".join(heading(sheet, width)))
    Console(file=sys.stdout, width=width, highlight=False).print(grid(sheet))


def _write(path: Path, text: str, layout: Path) -> None:
    if path.exists() and path.samefile(layout):
        raise UnreadableFileError(
            str(path), "This is the layout file itself.", "Choose another name."
        )
    try:
        path.write_text(text, "utf-8", newline="")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableFileError(
            str(path), f"It cannot be written: {reason}.", "Choose another name or folder."
        ) from None
