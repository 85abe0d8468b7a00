"""A practice by its name: shipped with the library, or a file beside the layout.

Law of this file: from a name to a ``Practice`` that keeps every rule of
``rules``, or to one error with all the mistakes. Which practices are shipped
is which ``.toml`` files stand beside this one.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from signalling.errors import Finding, LayoutError, Severity, UnreadableFileError
from signalling.layout.findings import Findings, did_you_mean, listed
from signalling.layout.place import KeyPath, locate
from signalling.layout.shape import Misfit, structure_rest
from signalling.layout.source import parse_toml, read_text
from signalling.practice.rules import Mistake, mistakes
from signalling.practice.schema import Practice

__all__ = ["load_practice", "read_practice", "shipped"]

SUFFIX = ".toml"


@cache
def shipped() -> tuple[str, ...]:
    """Return the names of the practices that come with the library."""
    return tuple(sorted(path.stem for path in Path(__file__).parent.glob(f"*{SUFFIX}")))


def load_practice(name: str, folder: str | Path = ".") -> Practice:
    """Return the practice of that name.

    ``name`` is a shipped practice's, such as ``uk``, or the path of a practice file,
    ending in ``.toml``, from ``folder``: the one that the layout file is in.

    Raises ``LayoutError`` with every mistake of the file. Where ``name`` itself is the
    mistake (there is no such practice, or the file cannot be read), the one finding has
    an empty ``file``, since only the caller knows where the name is written.
    """
    if name.endswith(SUFFIX):
        file = str(Path(folder) / name)
        try:
            text = read_text(file)
        except UnreadableFileError as error:
            raise _unusable(
                name,
                f"The practice file {file} cannot be used. {error.reason}",
                "Name a practice file by its path from the layout file, or one of the shipped "
                f"practices: {listed(shipped())}.",
            ) from None
        return read_practice(text, file)
    if name in shipped():
        return _shipped(name)
    raise _unusable(
        name,
        "There is no such practice.",
        did_you_mean(name, shipped(), "Write the name of a shipped one, or the path of your own.")
        + f" Shipped practices are {listed(shipped())}; a file of your own is named with its "
        f"`{SUFFIX}`, as in `{name or 'mine'}{SUFFIX}`.",
    )


@cache
def _shipped(name: str) -> Practice:
    file = str(Path(__file__).parent / f"{name}{SUFFIX}")
    return read_practice(read_text(file), file)


def read_practice(text: str, file: str) -> Practice:
    """Return the practice that a TOML text describes; ``file`` is what findings call it.

    Raises ``LayoutError`` with every mistake of the text.
    """
    findings = Findings(file, locate(text))
    data = parse_toml(text, findings)
    if data is None:
        raise LayoutError(findings.sorted())
    practice, misfits = structure_rest(data, Practice)
    for misfit in misfits:
        findings.error(misfit.path, _thing(misfit.path, data), misfit.reason, misfit.remedy)
    if practice is not None:
        for mistake in _mistakes_of_the_rest(practice, misfits):
            findings.error(mistake.path, mistake.thing, mistake.message, mistake.remedy)
        if findings.sound:
            return practice
    raise LayoutError(findings.sorted())


def _mistakes_of_the_rest(practice: Practice, misfits: tuple[Misfit, ...]) -> Iterator[Mistake]:
    """Return the rules broken, less those that may only follow from what had to be left out."""
    left_out = {misfit.drop[:2] for misfit in misfits}
    sections = {place[0] for place in left_out}
    for mistake in mistakes(practice, aspects_known="aspects" not in sections):
        of_all_heads = mistake.path == ("heads",) or mistake.path[-1] == "default"
        if mistake.path[:2] not in left_out and not (of_all_heads and "heads" in sections):
            yield mistake


def _thing(path: KeyPath, data: dict[str, Any]) -> str:
    match path:
        case ("heads", str(name), *_):
            return f"head {name}"
        case ("indicators", str(name), *_):
            return f"indicator {name}"
        case ("speeds", str(name), *_):
            return f"speed {name}"
        case ("aspects", int(index), *_):
            aspect = data["aspects"][index]
            given = aspect.get("name") if isinstance(aspect, dict) else None
            return f"aspect {given}" if isinstance(given, str) else f"aspect number {index + 1}"
    return "practice"


def _unusable(name: str, reason: str, remedy: str) -> LayoutError:
    thing = f"practice {name}"
    return LayoutError(
        [Finding(severity=Severity.ERROR, thing=thing, message=reason, remedy=remedy)]
    )
