"""The JSON Schemas: valid themselves, true of what is sound, false of what is not."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from attrs import fields
from jsonschema import Draft202012Validator

from signalling.cli.new import STARTER
from signalling.cli.schema import KINDS, text_of
from signalling.layout.model import Layout

ROOT = Path(__file__).parents[2]
EVERYTHING = ROOT / "tests" / "one_of_everything.toml"
LAYOUTS = [EVERYTHING, STARTER, *sorted((ROOT / "examples").glob("*.toml"))]
PRACTICES = sorted((ROOT / "signalling" / "practice").glob("*.toml"))

SCHEMAS = {kind: json.loads(text_of(kind)) for kind in KINDS}


def mistakes(kind: str, data: Any) -> list[str]:
    return [each.message for each in Draft202012Validator(SCHEMAS[kind]).iter_errors(data)]


@pytest.mark.parametrize("kind", SCHEMAS)
def test_it_is_a_schema(kind: str) -> None:
    Draft202012Validator.check_schema(SCHEMAS[kind])


@pytest.mark.parametrize(
    ("kind", "file"),
    [("layout", file) for file in LAYOUTS] + [("practice", file) for file in PRACTICES],
    ids=lambda value: getattr(value, "stem", value),
)
def test_what_is_sound_fits(kind: str, file: Path) -> None:
    assert mistakes(kind, tomllib.loads(file.read_text("utf-8"))) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "Cormorant Halt"', ""),
        ('name = "Cormorant Halt"', "name = 5"),
        ("hold_off = 1.0", "hold_of = 1.0"),
        ("hold_off = 1.0", "hold_off = -1"),
        ("hold_off = 1.0", 'hold_off = "1"'),
        ("approach_time = 20", "approach_time = 0"),
        ("[blocks]", "[blokcs]"),
        ("a4 = {}", "a4 = 5"),
        ("a4 = {}", '"a 4" = {}'),
        ("a4 = {}", "a4 = { length = 0 }"),
        ('moved_by = "us"', 'moved_by = "me"'),
        ('block = "j1", ', ""),
        ("aspects = 2", "aspects = 2.5"),
        ("aspects = 2", "aspects = 1"),
        ("hidden = [4, 5.5]", "hidden = [4, 0]"),
        ("hidden = [4, 5.5]", "hidden = 4"),
        ('release = "from-danger"', 'release = "danger"'),
        ("indicator = 4", "indicator = [4]"),
        ('signals = ["S1"]', 'signals = "S1"'),
        ("speed = 200", "speed = 0"),
        ("fresh = 10", "fresh = 0"),
        ('transport = "bench"', ""),
    ],
)
def test_what_is_not_sound_does_not_fit(old: str, new: str) -> None:
    text = EVERYTHING.read_text("utf-8")
    assert old in text
    assert mistakes("layout", tomllib.loads(text.replace(old, new, 1)))


def test_it_says_what_the_classes_say() -> None:
    settings = SCHEMAS["layout"]["$defs"]["Settings"]["properties"]
    assert set(SCHEMAS["layout"]["properties"]) == {
        "layout" if each.name == "settings" else each.name for each in fields(Layout)
    }
    assert settings["hold_off"] == {
        "description": "How long a detector must read clear before its block counts as clear. "
        "In seconds.",
        "type": "number",
        "minimum": 0,
        "default": 1.5,
    }
    hidden = SCHEMAS["layout"]["$defs"]["Signal"]["properties"]["hidden"]["anyOf"]
    assert hidden == [
        {"type": "array", "items": {"type": "number", "exclusiveMinimum": 0}},
        {"type": "boolean"},
    ]
