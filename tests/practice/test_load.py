"""Finding a practice by its name, and what is said of files that are none."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
import zipfile
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.errors import Finding, LayoutError
from signalling.practice.load import load_practice, read_practice, shipped
from signalling.practice.schema import Practice

SMALL = (Path(__file__).parent / "small.toml").read_text("utf-8")


def findings_of(text: str) -> tuple[Finding, ...]:
    with pytest.raises(LayoutError) as caught:
        read_practice(text, "mine.toml")
    return caught.value.findings


def test_shipped_practices() -> None:
    assert shipped() == ("house", "ks", "uk", "us")
    for name in shipped():
        assert load_practice(name).name == name
        assert load_practice(name) is load_practice(name)


def test_a_practice_beside_the_layout(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(SMALL)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "uk.toml").write_text(SMALL)
    assert load_practice("ours.toml", tmp_path).name == "small"
    assert load_practice("rules/uk.toml", str(tmp_path)).name == "small"
    assert load_practice("uk", tmp_path / "rules").name == "uk"


def test_a_changed_file_is_read_again(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(SMALL)
    load_practice("ours.toml", tmp_path)
    (tmp_path / "ours.toml").write_text(SMALL.replace('"small"', '"changed"'))
    assert load_practice("ours.toml", tmp_path).name == "changed"


@pytest.mark.parametrize("name", ["ukk", "", "../uk", "UK", "uk\0", "schema"])
def test_unknown_name(name: str) -> None:
    with pytest.raises(LayoutError) as caught:
        load_practice(name)
    (finding,) = caught.value.findings
    assert finding.thing == f"practice {name}"
    assert (finding.file, finding.line) == ("", None)
    assert "house, ks, uk and us" in finding.remedy
    assert ".toml" in finding.remedy


def test_unreadable_files(tmp_path: Path) -> None:
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with (tmp_path / "large.toml").open("wb") as large:
        large.truncate(100_000_000)
    for name, reason in {
        "absent.toml": "no such file",
        "folder.toml": "folder",
        "binary.toml": "not text",
        "large.toml": "bytes",
        "nul\0.toml": "cannot be read",
    }.items():
        with pytest.raises(LayoutError) as caught:
            load_practice(name, tmp_path)
        (finding,) = caught.value.findings
        assert reason in finding.message
        assert str(tmp_path / name) in finding.message
        assert finding.thing == f"practice {name}"
        assert (finding.file, finding.line) == ("", None)
        assert "house, ks, uk and us" in finding.remedy


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('name = "x"\ntitle = \n', 2),
        ('name = "x"\n[heads\n', 2),
        ('name = "x"\n\nsources = ["a",', 3),
        ("a = " + "[" * 100_000, 1),
    ],
)
def test_not_toml(text: str, line: int) -> None:
    (finding,) = findings_of(text)
    assert (finding.file, finding.line) == ("mine.toml", line)
    assert len(str(finding)) < 300


@pytest.mark.parametrize(
    ("old", "new", "thing"),
    [
        ('name = "small"', 'nmae = "small"', "practice"),
        ("angle = -45", "angle = -45.0", "indicator left"),
        ("aspects = 2", "aspects = true", "head pair"),
        ('lamps = ["white", "red"]', 'lamps = "white red"', "head pair"),
        ('danger = "caution"', 'danger = ["caution"]', "head quad"),
        ('clear = { lamps = ["white"] }', "clear = 2024-01-01", "head pair"),
        ("clear = { lamps = [", "clear = { flash = 1, lamps = [", "head pair"),
        ('title = "Two yellows"', "title = { gb = 1 }", "aspect attention"),
        ('name = "attention"', "name = 1", "aspect number 3"),
    ],
)
def test_wrong_shape(old: str, new: str, thing: str) -> None:
    """Named by thing and line; the sentences are tested with ``signalling.layout.shape``."""
    text = SMALL.replace(old, new, 1)
    assert text != SMALL
    line = next(number for number, line in enumerate(text.splitlines(), 1) if new in line)
    assert (thing, line) in {(finding.thing, finding.line) for finding in findings_of(text)}


def test_a_missing_key_is_told_with_its_table() -> None:
    (finding,) = findings_of(SMALL.replace('title = "Two yellows"\n', ""))
    assert finding.thing == "aspect attention"
    assert "title" in finding.message
    assert finding.line is not None
    assert SMALL.splitlines()[finding.line - 1] == "[[aspects]]"


def test_shape_and_rules_in_one_run() -> None:
    text = SMALL.replace("aspects = 2", 'aspects = 2\npole = "tall"', 1)
    text = text.replace('danger = "caution"', 'danger = "danger"', 1)
    text = text.replace("angle = 45", "angle = 400", 1)
    things = [finding.thing for finding in findings_of(text)]
    assert things == ["head pair", "head quad", "indicator right"]


def test_what_only_follows_from_another_mistake_is_not_told() -> None:
    text = SMALL.replace('name = "danger"', 'name = "halt"', 1)
    assert [finding.thing for finding in findings_of(text)] == ["aspect halt"]
    text = SMALL.replace('title = "Two yellows"', "title = 2", 1)
    assert [finding.thing for finding in findings_of(text)] == ["aspect attention"]
    text = text.replace("angle = 45", "angle = 400", 1)
    assert [finding.thing for finding in findings_of(text)] == [
        "aspect attention",
        "indicator right",
    ]
    text = SMALL.replace("aspects = 2", "aspects = []", 1)
    assert [finding.thing for finding in findings_of(text)] == ["head pair"]


# Random practices: never a traceback, always a place and a remedy.

WORDS = st.sampled_from(
    ["danger", "caution", "clear", "red", "pair", "lamps", "shows", "next", "aspects", "", "x y"]
) | st.text(st.characters(exclude_categories=["Cs"]), max_size=4)
VALUES = st.recursive(
    st.booleans() | st.integers(-400, 400) | st.floats(allow_nan=False) | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3),
    max_leaves=8,
)
KEYS = [
    "name", "title", "sources", "aspects", "heads", "indicators", "letters", "meaning", "angle",
    "default", "lamps", "colours", "shows", "next", "followed_by", "flash",
]  # fmt: skip


def as_toml(value: Any) -> str:
    """Return a value as TOML, which differs from JSON in its tables and in a few escapes."""
    match value:
        case dict():
            inner = ", ".join(f"{as_toml(key)} = {as_toml(each)}" for key, each in value.items())
            return f"{{ {inner} }}"
        case list():
            return f"[{', '.join(map(as_toml, value))}]"
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case float():
            return repr(value)
        case _:
            return json.dumps(value)


def as_file(data: dict[str, Any]) -> str:
    return "\n".join(f"{as_toml(key)} = {as_toml(value)}" for key, value in data.items())


def check(text: str) -> None:
    """Read a practice, which must give it or findings, and nothing else."""
    findings: tuple[Finding, ...] = ()
    practice: Practice | None = None
    try:
        practice = read_practice(text, "random.toml")
    except LayoutError as error:
        findings = error.findings
    assert (practice is None) == bool(findings)
    for finding in findings:
        assert finding.file == "random.toml"
        assert finding.thing
        assert finding.message
        assert finding.remedy
        assert finding.line is None or 1 <= finding.line <= text.count("\n") + 1


def test_as_file_keeps_the_data() -> None:
    data = tomllib.loads(SMALL)
    assert tomllib.loads(as_file(data)) == data
    check(as_file(data))


@settings(deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS) | WORDS, VALUES, max_size=8))
def test_random_practice(data: dict[str, Any]) -> None:
    check(as_file(data))


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_a_right_practice_with_random_changes(data: st.DataObject) -> None:
    changed = deepcopy(tomllib.loads(SMALL))
    for _ in range(data.draw(st.integers(1, 4))):
        place: Any = changed
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = data.draw(st.sampled_from(keys))
            if isinstance(place[key], dict | list) and data.draw(st.integers(0, 4)):
                place = place[key]
                continue
            change = data.draw(st.sampled_from(["remove", "replace", "swap", "rename"]))
            if change == "replace":
                place[key] = data.draw(VALUES)
            elif change == "swap":
                other = data.draw(st.sampled_from(keys))
                place[key], place[other] = place[other], place[key]
            elif change == "rename" and isinstance(place, dict):
                place[data.draw(WORDS)] = place.pop(key)
            else:
                del place[key]
            break
    check(as_file(changed))


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_random_text(text: str) -> None:
    check(text)


def test_the_files_are_in_the_wheel(tmp_path: Path) -> None:
    """A wheel without its data would fail on the user's machine only."""
    root = Path(__file__).parents[2]
    for part in ("pyproject.toml", "LICENSE"):
        shutil.copy(root / part, tmp_path)
    for part in ("signalling", "transports", "shared"):
        shutil.copytree(root / part, tmp_path / part)
    (tmp_path / "README.md").write_text("# Signalling\n")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", "dist"]
    built = subprocess.run(build, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    for name in shipped():
        assert f"signalling/practice/{name}.toml" in names
