"""A layout file, read: from its name to a ``Layout`` and everything there is to say about it.

Law of this file: the order of reading. Text, tables, classes, checks: each step
adds its findings and hands on whatever fits, so that one run finds all
mistakes. What is right and wrong is said in the steps, not here.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import attrs
from attrs import frozen

from signalling.layout.findings import Findings, did_you_mean, listed
from signalling.layout.model import Layout, Settings
from signalling.layout.place import locate
from signalling.layout.scope import THINGS, Scope, thing_at
from signalling.layout.shape import key_of, structure_rest
from signalling.layout.source import parse_toml, read_text
from signalling.layout.validate import validate

__all__ = ["Reading", "examine_layout", "examine_text", "read_layout"]


@frozen
class Reading:
    """A layout file that was read, with its mistakes."""

    layout: Layout | None
    """What it describes, with everything that it implies; without the entries that could not be
    read, so fit for use only while ``findings.sound``. ``None`` where the file is not TOML."""
    findings: Findings
    """What there is to say about it. Further checks add theirs."""
    folder: str
    """The folder that the file is in; paths in the file are taken from there."""


def read_layout(file: str | os.PathLike[str]) -> Layout:
    """Return the layout that a file describes, with everything that it implies.

    Raises ``UnreadableFileError`` when there is no text to read, and
    ``LayoutError`` with all findings when any is an error.
    """
    reading = examine_layout(file)
    reading.findings.raise_errors()
    assert reading.layout is not None  # noqa: S101 - a file that is not TOML has an error
    return reading.layout


def examine_layout(file: str | os.PathLike[str]) -> Reading:
    """Return the layout that a file describes, and all its mistakes.

    Raises ``UnreadableFileError`` when there is no text to read.
    """
    name = os.fspath(file)
    return examine_text(read_text(name), name, str(Path(name).parent))


def examine_text(text: str, file: str = "layout.toml", folder: str = ".") -> Reading:
    """Return the layout that a text describes, and all its mistakes.

    ``file`` is what findings call it; paths in it are taken from ``folder``.
    """
    findings = Findings(file, locate(text))
    data = parse_toml(text, findings)
    if data is None:
        return Reading(None, findings, folder)
    scope = _scope(data, findings, Path(file).stem)
    return Reading(validate(scope), findings, folder)


def _scope(data: dict[str, Any], findings: Findings, stem: str) -> Scope:
    """Return what of the tables fits the classes; say what does not."""
    tables: dict[str, Any] = {}
    left_out: set[int] = set()
    fields = attrs.fields(attrs.resolve_types(Layout))
    for attribute in fields:
        key = key_of(attribute)
        if key not in data:
            continue
        kind: Any = attribute.type
        value, misfits = structure_rest(data[key], kind)
        for misfit in misfits:
            path = (key, *misfit.path)
            findings.error(path, thing_at(path), misfit.reason, misfit.remedy)
            match misfit.drop:
                case (int(index),):
                    left_out.add(index)
        if value is not None:
            tables[attribute.name] = value
    _unknown_tables(data, [key_of(attribute) for attribute in fields], findings)
    if "settings" not in tables:
        tables["settings"] = _stand_in(data, findings, stem)
    layout = Layout(**tables)
    names = {
        table: frozenset(data[table]) if isinstance(data.get(table), dict) else frozenset()
        for table in THINGS
    }
    positions = range(len(data["bindings"])) if "bindings" in tables else ()
    return Scope(layout, names, findings, tuple(at for at in positions if at not in left_out))


def _unknown_tables(data: dict[str, Any], known: list[str], findings: Findings) -> None:
    for key in data:
        if key not in known:
            otherwise = f"Take it out; the tables of a layout are {listed(known)}."
            findings.error(
                (key,),
                thing_at((key,)),
                "A layout has no such table.",
                did_you_mean(key, known, otherwise),
            )


def _stand_in(data: dict[str, Any], findings: Findings, stem: str) -> Settings:
    """Return settings for a file whose own cannot be used, so that the rest can be checked."""
    written = data.get("layout")
    if "layout" not in data:
        findings.error(
            (),
            "layout",
            "The file has no [layout] table.",
            f'Begin it with `[layout]` and `name = "{stem}"`.',
        )
    named = {**written, "name": stem} if isinstance(written, dict) else {"name": stem}
    settings, _ = structure_rest(named, Settings)
    assert settings is not None  # noqa: S101 - nothing but the name is required
    return settings
