"""``signalling schema``, and that the schemas in ``shared/`` are what it prints."""

from __future__ import annotations

from pathlib import Path

import pytest

from signalling.cli import GOOD, main
from signalling.cli.schema import KINDS, text_of

SHARED = Path(__file__).parents[2] / "shared"


@pytest.mark.parametrize("kind", KINDS)
def test_the_shared_schema_is_up_to_date(kind: str) -> None:
    written = (SHARED / f"{kind}.schema.json").read_text("utf-8")
    assert written == text_of(kind), "write it again: make schema"


def test_it_prints_the_schema_of_layouts_where_nothing_is_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["schema"]) == GOOD
    assert capsys.readouterr().out == text_of("layout")
    assert main(["schema", "practice"]) == GOOD
    assert capsys.readouterr().out == text_of("practice")
