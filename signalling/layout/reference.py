"""The tables of a reference page of a kind of file, from its schema.

Law of this file: it puts into Markdown what the schema says; no sentence about
any key is written here. In a page, ``<!-- keys of NAME -->`` begins the table
of a class's keys, ``<!-- kinds of device -->`` that of what can be bound, and
``<!-- end -->`` ends either; all else there is written by hand. ``make schema``
writes the tables of our own page anew.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from signalling.layout.model import Layout
from signalling.layout.schema import schema_of
from signalling.layout.words import KINDS

__all__ = ["filled"]

_TABLE = re.compile(r"(<!-- (keys of \w+|kinds of device) -->\n).*?(<!-- end -->)", re.DOTALL)

_NOUNS = {
    "string": ("text", "texts"),
    "integer": ("whole number", "whole numbers"),
    "number": ("number", "numbers"),
    "object": ("table", "tables"),
}


def filled(page: str, cls: type, *, devices: bool = True) -> str:
    """Return a page with the tables of ``cls`` and of each class within it anew.

    ``devices`` says whether the page has the table of what can be bound, too.
    Raises ``ValueError`` when the page has not one place for each of them.
    """
    schema = schema_of(cls=cls, title="", names=None)
    tables = {}
    if devices:
        tables["kinds of device"] = _table(("kind", "reports", "orders", "is"), _kinds())
    for name, each in {cls.__name__: schema, **schema["$defs"]}.items():
        tables[f"keys of {name}"] = _table(("key", "value", "without it", "meaning"), _rows(each))
    places = [match[2] for match in _TABLE.finditer(page)]
    if sorted(places) != sorted(tables):
        raise ValueError(f"the page has places for {sorted(places)}, not for {sorted(tables)}")
    return _TABLE.sub(lambda match: f"{match[1]}\n{tables[match[2]]}\n{match[3]}", page)


def _table(heading: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    lines = (heading, ("---",) * len(heading), *rows)
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


def _kinds() -> Iterator[tuple[str, ...]]:
    for kind in KINDS.values():
        yield (
            f"`{kind.name}`",
            _words(kind.reports, more=kind.open_reports),
            _words(kind.orders, more=kind.open_orders),
            kind.sentence,
        )


def _words(words: tuple[str, ...], *, more: bool) -> str:
    return ", ".join([*(f"`{word}`" for word in words), *(["and more"] if more else [])])


def _rows(schema: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    for key, said in schema["properties"].items():
        if key in schema.get("required", ()):
            without = "required"
        else:
            without = f"`{json.dumps(said['default'])}`" if "default" in said else ""
        yield f"`{key}`", _value(said), without, said["description"].replace("|", r"\|")


def _value(said: Mapping[str, Any], *, many: bool = False) -> str:
    """Return what kind of value a schema asks for."""
    match said:
        case {"anyOf": kinds}:
            return ", or ".join(_value(kind) for kind in kinds)
        case {"enum": words}:
            return " or ".join(f"`{json.dumps(word)}`" for word in words)
        case {"type": "boolean"}:
            return "`true` or `false`"
        case {"type": "array", "items": items}:
            return f"list of {_value(items, many=True)}"
        case {"type": "object", "additionalProperties": dict() as each}:
            return f"{_value(each, many=True)} by name"
    return _NOUNS[said.get("type", "object")][many] + _limits(said)


def _limits(said: Mapping[str, Any]) -> str:
    if "exclusiveMinimum" in said:
        return f" above {said['exclusiveMinimum']}"
    return f", {said['minimum']} or more" if "minimum" in said else ""


def _main(files: list[str]) -> None:
    for file in files:
        page = Path(file)
        page.write_text(filled(page.read_text("utf-8"), Layout), "utf-8")


if __name__ == "__main__":
    _main(sys.argv[1:])
