"""``signalling schema [layout|practice|node]``: print the JSON Schema of a kind of file.

Law of this file: which classes stand for which kind of file; how a schema
follows from classes is said in ``signalling.layout.schema``.
"""

from __future__ import annotations

import argparse
import json

from attrs import frozen

from signalling.cli import GOOD
from signalling.cli.extras import load
from signalling.layout.notation import NAME
from signalling.layout.schema import schema_of

__all__ = ["KINDS", "add_arguments", "run", "text_of"]


@frozen
class _Kind:
    """A kind of file, and what it is read into."""

    module: str
    """Loaded only when its schema is asked for."""
    cls: str
    title: str
    names: str | None = None
    """The regular expression of the names of things, if any."""


KINDS = {
    "layout": _Kind("signalling.layout.model", "Layout", "A layout file", NAME),
    "practice": _Kind("signalling.practice.schema", "Practice", "A practice file"),
    "node": _Kind("transports.can.node_model", "NodeFile", "A node file", "(0|[1-9][0-9]{0,3})"),
}
"""The kinds of files."""


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
    found = KINDS[kind]
    cls = getattr(load(found.module, "can", f"schema {kind}"), found.cls)
    schema = schema_of(cls=cls, title=found.title, names=found.names)
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
