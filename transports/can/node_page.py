"""The tables of the page on nodes: the keys of a node file, from its classes.

Law of this file: which page, and which class; how tables are made is said in
``signalling.layout.reference``. ``make schema`` writes them again.
"""

from __future__ import annotations

import sys
from pathlib import Path

from signalling.layout.reference import filled
from transports.can.node_model import NodeFile

__all__ = ["page_with_tables"]


def page_with_tables(page: str) -> str:
    """Return the page with its tables anew."""
    return filled(page, NodeFile, devices=False)


if __name__ == "__main__":
    for file in map(Path, sys.argv[1:]):
        file.write_text(page_with_tables(file.read_text("utf-8")), "utf-8")
