"""From a layout file to its compiled table, or to everything that is wrong with it.

Law of this file: joining only; reading, checking and compiling are each done where they belong.
"""

from __future__ import annotations

import os

from signalling.errors import LayoutError, Severity
from signalling.layout.read import examine_layout
from signalling.practice.load import load_practice
from signalling.table.check import check_reading
from signalling.table.table import Table, compile_table

__all__ = ["load_table"]


def load_table(file: str | os.PathLike[str]) -> Table:
    """Return the compiled table of a layout file.

    Raises ``UnreadableFileError``, and ``LayoutError`` with every finding where
    any is an error.
    """
    reading = examine_layout(file)
    findings = check_reading(reading)
    if reading.layout is None or any(each.severity is Severity.ERROR for each in findings):
        raise LayoutError(findings)
    layout = reading.layout
    return compile_table(layout, load_practice(layout.settings.practice, reading.folder))
