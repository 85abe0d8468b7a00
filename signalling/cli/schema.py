"""``signalling schema [layout|practice]``: print the JSON Schema of a kind of file.

Law of this file: which classes stand for which kind of file; how a schema
follows from classes is said in ``signalling.layout.schema``.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

from signalling.cli import GOOD
from signalling.layout.model import Layout
from signalling.layout.notation import NAME
from signalling.layout.schema import schema_of
from signalling.practice.schema import Practice

__all__ = ["KINDS", "add_arguments", "run", "text_of"]

KINDS: dict[str, dict[str, Any]] = {
    "layout": {"cls": Layout, "title": "A layout file", "names": NAME},
    "practice": {"cls": Practice, "title": "A practice file", "names": None},
}
"""What each kind of file is read into."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "kind", nargs="?", choices=list(KINDS), default="layout", help="layout where not given"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the schema."""
    print(text_of(arguments.kind), end="")
    return GOOD


def text_of(kind: str) -> str:
    """Return the schema of a kind of file, as it is printed."""
    return json.dumps(schema_of(**KINDS[kind]), indent=2, ensure_ascii=False) + "\n"
