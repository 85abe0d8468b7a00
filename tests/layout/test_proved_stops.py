"""What is said of a stop that is to be proved, and that nothing is heard of."""

from __future__ import annotations

import pytest

from signalling.layout.read import examine_text

LAYOUT = """
[layout]
name = "Tern Sands"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
A = { at = "a > b" }
[stops]
S = { signal = "A", proved = true }
[transports.club]
kind = "loopback"
[[bindings]]
device = ["detector *", "signal *"]
transport = "club"
"""


@pytest.mark.parametrize(
    ("proved", "consequence"),
    [
        ("true", "applied, and signals that lead to signal A stay at danger."),
        ("false", "applied."),
    ],
)
def test_what_follows_where_no_binding_names_it(proved: str, consequence: str) -> None:
    text = LAYOUT.replace("proved = true", f"proved = {proved}")
    (finding,) = examine_text(text, "tern.toml", ".").findings.sorted()
    assert finding.thing == "stop S"
    assert finding.message == (
        f"No binding names it, so it stays as it is without power, {consequence}"
    )
