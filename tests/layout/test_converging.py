"""Lines that come together without a turnout that decides."""

from __future__ import annotations

from signalling.layout.read import examine_text

CONVERGING = """
[layout]
name = "Sprung points"
[blocks]
a = {}
b = {}
x = {}
c = {}
[lines]
upper = "a > x > c"
lower = "b > x > c"
[signals]
A = { at = "a > x", aspects = 2 }
B = { at = "b > x", aspects = 2 }
"""


def messages(text: str) -> list[str]:
    return [finding.message for finding in examine_text(text, "file.toml", ".").findings.sorted()]


def test_lines_may_come_together_over_sprung_points() -> None:
    assert messages(CONVERGING) == []


def test_a_signal_that_reads_the_other_way_needs_a_turnout() -> None:
    (message,) = messages(CONVERGING + 'C = { at = "c > x", aspects = 2 }\n')
    assert message.startswith("From c, block x leads on both to")


def test_a_line_written_the_other_way_needs_a_turnout() -> None:
    (message,) = messages(CONVERGING.replace("b > x > c", "c > x > b"))
    assert "block x leads on both" in message
