"""The practice in the manual is a whole and right one, and the manual names every key."""

from __future__ import annotations

import re
from pathlib import Path

import attrs
import pytest

from signalling.practice.load import load_practice
from signalling.practice.schema import Aspect, Head, Indicator, Practice, Shown, Speed

MANUAL = (Path(__file__).parents[2] / "docs" / "practice.md").read_text("utf-8")


def test_the_example_is_a_practice_beside_a_layout(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(# merrow\.toml\n.*?)```", MANUAL, re.DOTALL)
    (tmp_path / "merrow.toml").write_text(example)
    practice = load_practice("merrow.toml", tmp_path)
    assert practice.head_name(3) == "three"
    assert practice.head_name(2, "terminal") == "terminal"
    assert practice.knows_indicator("left")


@pytest.mark.parametrize("cls", [Practice, Aspect, Head, Shown, Indicator, Speed])
def test_every_key_is_in_the_manual(cls: type[attrs.AttrsInstance]) -> None:
    for each in attrs.fields(cls):
        assert re.search(rf"`\[*{each.name}\b", MANUAL), each.name
