"""``signalling new [FILE]``: write a layout file with comments to start from.

Law of this file: it copies ``starter.toml`` and never writes over anything.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from signalling.cli import GOOD
from signalling.errors import UnreadableFileError

__all__ = ["STARTER", "add_arguments", "run"]

STARTER = Path(__file__).with_name("starter.toml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        default="layout.toml",
        help="the file to write (layout.toml where not given), or - to print it",
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the starter file. Raises ``UnreadableFileError`` where it cannot be written."""
    text = STARTER.read_text("utf-8")
    if arguments.file == "-":
        sys.stdout.write(text)
        return GOOD
    try:
        with Path(arguments.file).open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise UnreadableFileError(
            arguments.file, "There is such a file already.", "Choose another name, or remove it."
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableFileError(
            arguments.file, f"It cannot be written: {reason}.", "Choose another name or folder."
        ) from None
    print(f"Wrote {arguments.file}. Describe your track in it, and say after each change:")
    print(f"  signalling check {arguments.file}")
    return GOOD
