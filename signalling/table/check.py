"""Everything there is to say about a layout file: the reader's findings, then each pass's.

Law of this file: which passes there are and in what order. ``PASSES`` run
whenever the practice could be loaded; ``SOUND_PASSES`` only on a layout
without errors, since they work out what follows from it.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from signalling.errors import EquationError, Finding, LayoutError
from signalling.layout.findings import Findings
from signalling.layout.model import Layout
from signalling.layout.read import Reading, examine_layout
from signalling.practice.load import load_practice
from signalling.practice.schema import Practice
from signalling.table.check_heads import check_heads

__all__ = ["PASSES", "SOUND_PASSES", "Pass", "check_file", "check_reading"]

Pass = Callable[[Layout, Practice, Findings], None]
"""Says what is wrong, and goes on."""


def check_file(file: str | os.PathLike[str]) -> tuple[Finding, ...]:
    """Return everything there is to say about a layout file, in the order of its lines.

    Raises ``UnreadableFileError`` when there is no text to read.
    """
    return check_reading(examine_layout(file))


def check_reading(reading: Reading) -> tuple[Finding, ...]:
    """Return everything there is to say about a layout that was read."""
    layout, findings = reading.layout, reading.findings
    practice = _practice(reading) if layout is not None else None
    if layout is not None and practice is not None:
        for each in PASSES:
            each(layout, practice, findings)
        if findings.sound:
            for each in SOUND_PASSES:
                each(layout, practice, findings)
    return findings.sorted()


def _practice(reading: Reading) -> Practice | None:
    """Return the layout's practice, or ``None`` after saying why there is none."""
    name = reading.layout.settings.practice if reading.layout is not None else ""
    try:
        return load_practice(name, reading.folder)
    except LayoutError as error:
        for finding in error.findings:
            if finding.file:
                reading.findings.extend([finding])
            else:  # the name itself is wrong, so its place is in the layout file
                reading.findings.add(
                    finding.severity,
                    ("layout", "practice"),
                    finding.thing,
                    finding.message,
                    finding.remedy,
                )
    return None


def _check_table(layout: Layout, practice: Practice, findings: Findings) -> None:
    """Say what only the whole track shows, once the control table is made."""
    from signalling.table.check_buttons import check_buttons  # noqa: PLC0415 - sound files only
    from signalling.table.check_track import check_track  # noqa: PLC0415 - sound files only
    from signalling.table.table import compile_table  # noqa: PLC0415 - sound files only

    try:
        table = compile_table(layout, practice)
    except EquationError as error:
        findings.error(
            ("layout", "practice"),
            f"practice {practice.name}",
            f"The signals' aspects cannot be worked out: {error}.",
            "Correct the practice, so that no aspect rests on itself.",
        )
        return
    for problem in table.problems:
        findings.add(problem.severity, problem.path, problem.thing, problem.message, problem.remedy)
    check_track(table, findings)
    check_buttons(table, findings)


PASSES: tuple[Pass, ...] = (check_heads,)
SOUND_PASSES: tuple[Pass, ...] = (_check_table,)
