"""``signalling check FILE``: say what is wrong with a layout file.

Law of this file: prints findings; which there are is worked out by
``signalling.table.check``, and by the transports themselves.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence

from signalling.cli import GOOD, MISTAKES, UNUSABLE
from signalling.errors import Finding, Severity, UnreadableFileError
from signalling.layout.read import examine_layout
from signalling.practice.load import load_practice
from signalling.table.check import check_reading

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--json",
        action="store_true",
        help="print a list of findings, each with severity, file, line, thing, message and remedy",
    )


def run(arguments: argparse.Namespace) -> int:
    """Print every finding. Raises ``UnreadableFileError``, unless JSON is asked for."""
    try:
        findings = _findings(arguments.file)
    except UnreadableFileError as error:
        if not arguments.json:
            raise
        findings = (
            Finding(
                severity=Severity.ERROR,
                thing="file",
                message=error.reason,
                remedy=error.remedy,
                file=error.file,
            ),
        )
        code = UNUSABLE
    else:
        code = MISTAKES if any(each.severity is Severity.ERROR for each in findings) else GOOD
    if arguments.json:
        print(json.dumps([finding.as_json() for finding in findings], indent=2))
    else:
        for finding in findings:
            print(finding)
        print(f"{arguments.file}: {_counts(findings)}")
    return code


def _findings(file: str) -> tuple[Finding, ...]:
    """Return everything there is to say about a file, what its transports say included."""
    reading = examine_layout(file)
    findings = check_reading(reading)
    layout = reading.layout
    if layout is None or not reading.findings.sound:
        return findings
    if layout.buttons:
        from signalling.core.check_asks import check_asks

        check_asks(reading)
    if not layout.transports or not reading.findings.sound:
        return reading.findings.sorted()
    # Only now, since it loads the transports that the layout names.
    from signalling.controller.check_links import check_links

    check_links(reading, load_practice(layout.settings.practice, reading.folder))
    return reading.findings.sorted()


def _counts(findings: Sequence[Finding]) -> str:
    """Return how many findings there are of each severity; notes only where there are some."""
    counts = []
    for severity in Severity:
        count = sum(finding.severity is severity for finding in findings)
        if count or severity is not Severity.NOTE:
            counts.append(f"{count} {severity}{'' if count == 1 else 's'}")
    return ", ".join(counts)
