"""Reading a layout file: what cannot be read, what is read all the same, what is implied."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from signalling.errors import LayoutError, SignallingError, UnreadableFileError
from signalling.layout.model import Detector
from signalling.layout.read import examine_layout, examine_text, read_layout
from signalling.layout.source import LARGEST

EVERYTHING = (Path(__file__).parents[1] / "one_of_everything.toml").read_text("utf-8")

SMALL = """\
[layout]
name = "Tern Point"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
S1 = { at = "a > b" }
"""


def refused(file: Path | str) -> UnreadableFileError:
    with pytest.raises(UnreadableFileError) as caught:
        examine_layout(file)
    assert str(file) in str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value


def test_no_such_file(tmp_path: Path) -> None:
    error = refused(tmp_path / "none.toml")
    assert error.reason == "There is no such file."
    assert "signalling new" in error.remedy


def test_a_folder(tmp_path: Path) -> None:
    assert refused(tmp_path).reason == "It is a folder."


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert refused(pipe).reason == "It is not an ordinary file."


def test_a_name_that_no_file_can_have() -> None:
    assert "cannot be read" in refused("a" * 5000).reason
    assert "cannot be read" in refused("a\0b").reason


def test_a_file_of_a_hundred_million_bytes(tmp_path: Path) -> None:
    large = tmp_path / "large.toml"
    with large.open("wb") as stream:
        stream.truncate(100_000_000)
    error = refused(large)
    assert f"more than {LARGEST:,} bytes" in error.reason


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"\x7fELF\x02\x01\x01\0\0\0", "It is not text."),
        ('[layout]\nname = "x"\n'.encode("utf-16"), "It is not text."),
        (b'[layout]\nname = "M\xf6we"\n', "It is not text in UTF-8: line 2 has other bytes."),
    ],
)
def test_bytes_that_are_not_text(tmp_path: Path, content: bytes, reason: str) -> None:
    file = tmp_path / "layout.toml"
    file.write_bytes(content)
    assert refused(file).reason == reason


def test_the_mark_and_line_ends_of_some_editors_are_taken(tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert read_layout(file).settings.name == "Tern Point"


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("[layout]\nname = \n", 2, "not TOML: invalid value"),
        ("[layout]\nname = x\n", 2, "not TOML: invalid value"),
        ("[layout\nname = 1\n", 1, "not TOML: expected ']'"),
        ("[layout]\nname = 'x\n", 2, "not TOML"),
        ("[blocks]\nd1 = {}\n\nd1 = {}\n", 4, "given twice"),
        ("[blocks]\nd1 = {}\n[blocks]\n", 3, "given twice"),
        ("[lines]\nmain = 'a'\n[lines.main]\n", 3, "given twice"),
        ("[signals]\nM1 = {}\n[signals.M1.routes.a]\n", 3, "given twice"),
        ("[layout]\nname = '''\n\n\n", 4, "not TOML"),
        ("a = [1,\n", 1, "not TOML"),
        (f"a = {'9' * 5000}\n", 1, "not TOML"),
        ("[layout]\na = " + "[" * 100_000, 2, "more than 32 deep"),
        ("[layout]\n" + "a." * 100_000 + "a = 1", 2, "more than 32 deep"),
    ],
)
def test_a_text_that_is_not_toml_is_one_finding(text: str, line: int, message: str) -> None:
    reading = examine_text(text, "halt.toml")
    assert reading.layout is None
    (finding,) = reading.findings.sorted()
    assert (finding.file, finding.line, finding.thing) == ("halt.toml", line, "file")
    assert message in finding.message
    assert finding.remedy
    assert len(str(finding)) < 300


def test_what_stands_in_braces_is_said_to_be_closed() -> None:
    (finding,) = examine_text("[signals]\nM1 = {}\n[signals.M1.routes.a]\n").findings.sorted()
    assert "nothing can be added elsewhere to what stands in braces" in finding.remedy


def test_an_empty_file_is_told_what_a_layout_needs() -> None:
    said = [finding.thing for finding in examine_text("").findings.sorted()]
    assert said == ["layout", "[blocks]", "[lines]", "[signals]"]


def test_all_mistakes_of_a_file_come_in_one_run_in_the_order_of_its_lines() -> None:
    text = SMALL.replace("a = {}", "a = { length = true }").replace("b = {}", "b = { lenght = 1 }")
    text += (
        'S2 = { at = "b > c", aspects = "x" }\nS3 = { at = 5 }\n[stops]\ns = { signal = "S4" }\n'
    )
    reading = examine_text(text)
    said = [(finding.line, finding.thing) for finding in reading.findings.sorted()]
    assert said == [
        (4, "block a"),
        (5, "block b"),
        (10, "signal S2"),
        (10, "signal S2"),
        (11, "signal S3"),
        (13, "stop s"),
    ]
    with pytest.raises(LayoutError) as caught:
        reading.findings.raise_errors()
    assert caught.value.findings == reading.findings.sorted()


def test_what_fits_is_kept_beside_what_does_not() -> None:
    text = SMALL.replace("b = {}", "b = { length = 5, hold_off = -1 }") + "S2 = { aspects = 4 }\n"
    layout = examine_text(text).layout
    assert layout is not None
    assert layout.blocks["b"].length == 5
    assert layout.blocks["b"].hold_off is None
    assert list(layout.signals) == ["S1"]


def test_a_wrong_name_does_not_hide_the_other_settings() -> None:
    text = SMALL.replace('"Tern Point"', '5\npractice = "house"')
    reading = examine_text(text, "some/where/tern.toml")
    assert reading.layout is not None
    assert reading.layout.settings.practice == "house"
    assert reading.layout.settings.name == "tern"
    assert [finding.line for finding in reading.findings.sorted()] == [2]


def test_places_of_bindings_hold_when_one_before_them_is_left_out() -> None:
    text = SMALL + '[[bindings]]\ndevice = 5\n[[bindings]]\ndevice = "signal *"\ntransport = "x"\n'
    said = [(finding.line, finding.thing) for finding in examine_text(text).findings.sorted()]
    assert said == [(10, "binding 1"), (11, "binding 1"), (14, "binding 2")]


def test_what_a_bad_line_may_mean_is_not_told_again_at_its_joints() -> None:
    text = SMALL.replace('"a > b"\n[sig', '"a > bb"\n[sig') + 'S2 = { at = "b > a" }\n'
    (finding,) = examine_text(text).findings.sorted()
    assert finding.thing == "line main"


def test_warnings_do_not_refuse_a_layout(tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(SMALL + "[transports.x]\nkind = 'loopback'\n")
    reading = examine_layout(file)
    assert reading.findings.sound
    assert len(reading.findings.sorted()) == 1
    assert reading.folder == str(tmp_path)
    assert read_layout(str(file)) == reading.layout


def test_blocks_without_detectors_get_one_of_their_name() -> None:
    layout = examine_text(EVERYTHING).layout
    assert layout is not None
    own = {name for name, detector in layout.detectors.items() if detector == Detector(block=name)}
    assert own == {"a1", "a2", "j1", "a4", "q1", "x1"}
    assert layout.detectors["a1-far"] == Detector(block="a1")
    assert "a3" not in layout.detectors  # it has beams at both of its ends


def test_many_mistakes_of_one_kind_are_all_told_soon() -> None:
    blocks = "\n".join(f"b{number} = {{}}" for number in range(2000))
    signals = "\n".join(
        f's{number} = {{ at = "B{number} > B{number + 1}" }}' for number in range(500)
    )
    text = (
        f'[layout]\nname = "x"\n[blocks]\n{blocks}\n[lines]\nm = "b0 > b1"\n[signals]\n{signals}\n'
    )
    found = examine_text(text).findings.sorted()
    assert sum("There is no block" in finding.message for finding in found) == 1000


# Whatever the text, there is a reading or an error of our own, never a traceback.


def read_all_the_same(text: str) -> None:
    try:
        reading = examine_text(text, "any.toml")
    except SignallingError as error:
        pytest.fail(f"a text is always readable: {error}")
    last = len(re.split("\n", text))
    for finding in reading.findings.sorted():
        assert finding.thing
        assert finding.message
        assert finding.remedy
        assert finding.line is None or 1 <= finding.line <= last
    assert (reading.layout is None) <= (not reading.findings.sound)


@given(st.text() | st.text("[]{}=,.\"'#\n >abc1"))
def test_any_text(text: str) -> None:
    read_all_the_same(text)


PIECES = sorted(set(re.findall(r"\w+|[^\w\s]|\n", EVERYTHING)))


@given(
    st.lists(
        st.tuples(
            st.integers(0, len(EVERYTHING)),
            st.integers(0, 12),
            st.sampled_from([*PIECES, "", '"', "nan", "{}", "[]", "1e999", " > "])
            | st.text(max_size=3),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_change_to_a_layout(changes: list[tuple[int, int, str]]) -> None:
    text = EVERYTHING
    for at, cut, put in changes:
        text = text[:at] + put + text[at + cut :]
    read_all_the_same(text)


@given(st.data())
def test_any_line_moved_or_lost(data: Any) -> None:
    lines = EVERYTHING.splitlines(keepends=True)
    for _ in range(data.draw(st.integers(1, 3))):
        moved = lines.pop(data.draw(st.integers(0, len(lines) - 1)))
        if data.draw(st.booleans()):
            lines.insert(data.draw(st.integers(0, len(lines))), moved)
    read_all_the_same("".join(lines))


WORDS = st.sampled_from(
    ["a", "b", "a > b", "b > a", "a > a", "a[t normal] > b", "main", "t", "S", "us", "detector *",
     "detector a", "stop", "x", "loopback", "from-danger", "", "A b", "a > b > a", "a > c"]
)  # fmt: skip
KEYS = st.sampled_from(
    ["layout", "blocks", "turnouts", "lines", "signals", "detectors", "danger", "stops", "trains",
     "transports", "bindings", "name", "length", "block", "moved_by", "lock", "lever", "at",
     "aspects", "head", "routes", "overlap", "hidden", "indicator", "override", "release",
     "signals", "press", "hold", "signal", "section", "line", "start", "kind", "device",
     "transport", "report", "order", "fresh", "a", "b", "t", "main", "S", "A b"]
)  # fmt: skip
VALUES = st.recursive(
    WORDS | st.integers(-3, 9) | st.booleans() | st.floats(-5, 5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


def written(value: Any) -> str:
    """Return a value as TOML has it."""
    match value:
        case dict():
            inner = ", ".join(f"{json.dumps(key)} = {written(each)}" for key, each in value.items())
            return f"{{ {inner} }}"
        case list():
            return f"[{', '.join(written(each) for each in value)}]"
        case _:
            return json.dumps(value, ensure_ascii=False)


@given(st.dictionaries(KEYS, VALUES, max_size=8))
@example({"layout": {"name": "x"}, "blocks": {"a": {}}, "lines": {"main": "a > a"}})
@example(
    {"blocks": {"a": {}, "b": {}}, "lines": {"m": "a > b > a"}, "signals": {"S": {"at": "a > b"}}}
)
@example({"bindings": [{"device": [], "transport": "x"}, {"device": "detector *"}, 5]})
def test_any_tables(data: dict[str, Any]) -> None:
    read_all_the_same("\n".join(f"{key} = {written(value)}" for key, value in data.items()))
