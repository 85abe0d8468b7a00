"""The README shows real output and real files."""

from __future__ import annotations

from tests.readme import PART, README, parts, renewed


def test_every_part_is_as_a_user_gets_it() -> None:
    text = README.read_text("utf-8")
    assert sorted(found[2] for found in PART.finditer(text)) == sorted(parts())
    assert renewed(text) == text
