"""Node files: what is read, every mistake with its line, and the page that shows one."""

from __future__ import annotations

import tomllib
from pathlib import Path

import attrs
import pytest
from jsonschema import Draft202012Validator

from signalling.cli.schema import text_of
from signalling.errors import ConfigurationError, LayoutError, UnreadableFileError
from tests.transports.can.node_vectors import EVERYTHING
from transports.can import node_model
from transports.can.node_board import make_node, serial_of
from transports.can.node_file import checked_number, node_file_from, read_node_file
from transports.can.node_model import NodeFile
from transports.can.node_page import page_with_tables

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "examples" / "node" / "node.toml"
PAGE = (ROOT / "docs" / "node.md").read_text("utf-8")

GOOD = """\
[board]
serial = 7
identify = 26
[pins]
active_low = [4]
pull_up = [23]
[signals.0]
aspects = [[4], [17], [27]]
indicator = { 1 = 22 }
[stops]
0 = { lift = 16 }
[turnouts]
0 = { move_normal = 20, move_reverse = 21, pulse = 0.2 }
[detectors]
0 = { clear = 23 }
"""


def test_the_example_is_what_the_page_shows() -> None:
    shown = PAGE.partition("```toml\n# node.toml\n")[2].partition("```")[0]
    assert tomllib.loads(shown) == tomllib.loads(EXAMPLE.read_text("utf-8"))
    read = read_node_file(EXAMPLE)
    assert read == node_file_from(shown)
    assert read.signals["0"].aspects == ((4,), (17,), (27,))
    assert set(read.outputs).isdisjoint(read.read)


def test_the_tables_of_the_page_are_up_to_date() -> None:
    assert page_with_tables(PAGE) == PAGE, "write it again: make schema"


def test_every_pin_is_found() -> None:
    assert node_file_from(GOOD).outputs == (4, 16, 17, 20, 21, 22, 26, 27)
    assert node_file_from(GOOD).read == (23,)
    text = "".join(f"{line}\n" for line in _as_toml(EVERYTHING))
    everything = node_file_from(text)
    assert everything.outputs == (*range(1, 15), 25)
    assert everything.read == tuple(range(30, 44))


def _as_toml(board: dict[str, dict[str, object]]) -> list[str]:
    """Write a board as a node file, each value on a line of its own."""
    lines = []
    for table, things in board.items():
        for key, value in things.items():
            if isinstance(value, dict):
                lines += [f"{table}.{key}.{each} = {_value(what)}" for each, what in value.items()]
            else:
                lines.append(f"{table}.{key} = {_value(value)}")
    return lines


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {each}" for key, each in value.items()) + " }"
    return str(value)


@pytest.mark.parametrize(
    ("old", "new", "line", "thing", "said"),
    [
        ("serial = 7", "serial = 0", 2, "board", "must be 1 or more"),
        ("serial = 7", "serial = 4294967296", 2, "board", "The serial is 4294967296"),
        ("serial = 7", 'serial = "7"', 2, "board", "where a whole number is expected"),
        ("serial = 7", "seriel = 7", 2, "board", "There is no key"),
        ("[board]", "[bord]", 1, "node", "There is no key"),
        ("identify = 26", "identify = 128", 3, "board", "There is no pin 128"),
        ("identify = 26", "identify = -1", 3, "board", "There is no pin -1"),
        ("identify = 26", "identify = 16", 11, "stop 0", "Pin 16 is identify of board already"),
        ("identify = 26", "identify = 23", 15, "detector 0", "Pin 23 is identify of board"),
        ("active_low = [4]", "active_low = [5]", 5, "pins", "Pin 5 does nothing"),
        ("pull_up = [23]", "pull_up = [4]", 6, "pins", "Pin 4 is no input"),
        ("pull_up = [23]", "pull_up = [23]\npull_down = [23]", 7, "pins", "high and low"),
        ("[signals.0]", "[signals.64]", 7, "signal 64", "There is no such port"),
        ("[signals.0]", "[signals.M1]", 7, "signal M1", "There is no such port"),
        ("[signals.0]", "[signals.00]", 7, "signal 00", "There is no such port"),
        ("[[4], [17], [27]]", "[[4]]", 8, "signal 0", "It has 1 aspect."),
        ("[[4], [17], [27]]", "[[], [4]]", 8, "signal 0", "Aspect 0 (danger) lights no lamp"),
        ("[[4], [17], [27]]", "[[4], []]", 8, "signal 0", "Aspect 1 lights no lamp"),
        ("[[4], [17], [27]]", "[[4], [4]]", 8, "signal 0", "Aspect 1 lights what danger lights"),
        ("[[4], [17], [27]]", "[4, 17, 27]", 8, "signal 0", "where a list in brackets"),
        ("{ 1 = 22 }", "{ 8 = 22 }", 9, "signal 0", "has no position 8"),
        ("{ 1 = 22 }", "{ left = 22 }", 9, "signal 0", "has no position left"),
        ("0 = { lift = 16 }", "256 = { lift = 16 }", 11, "stop 256", "There is no such port"),
        ("0 = { lift = 16 }", "0 = { applied = 16 }", 11, "stop 0", "The key `lift` is missing"),
        (", move_reverse = 21", "", 13, "turnout 0", "It is moved one way only"),
        ("pulse = 0.2", "pulse = 0", 13, "turnout 0", "must be more than 0"),
        ("pulse = 0.2", "pulse = 90", 13, "turnout 0", "It would be moved for 90 s"),
        (GOOD, "[board]\nserial = 7\n", None, "node", "It has nothing to do"),
        (GOOD, "[board\n", 1, "file", "This is not TOML"),
    ],
)
def test_a_mistake(old: str, new: str, line: int | None, thing: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(LayoutError) as caught:
        node_file_from(GOOD.replace(old, new))
    findings = caught.value.findings
    told = {(each.line, each.thing) for each in findings if said in each.message}
    assert told == {(line, thing)}
    assert all(each.remedy and each.file == "node.toml" for each in findings)


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(LayoutError) as caught:
        node_file_from(GOOD.replace("serial = 7", "serial = 0").replace("lift = 16", "lift = 200"))
    assert [each.thing for each in caught.value.findings] == ["board", "stop 0"]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match=r"no such file\. Name a node file"):
        read_node_file(tmp_path / "node.toml")


def test_the_schema_fits_what_is_sound_and_nothing_else() -> None:
    import json

    validator = Draft202012Validator(json.loads(text_of("node")))
    for good in (GOOD, EXAMPLE.read_text("utf-8")):
        assert list(validator.iter_errors(tomllib.loads(good))) == []
    for old, new in (("serial = 7", "serial = 0"), ("[signals.0]", "[signals.M1]")):
        assert list(validator.iter_errors(tomllib.loads(GOOD.replace(old, new))))


def test_every_class_has_its_sentences() -> None:
    classes = [getattr(node_model, name) for name in node_model.__all__]
    for cls in classes:
        for each in attrs.fields(cls):
            assert each.metadata["sentence"].endswith(".")


@pytest.mark.parametrize("number", [-1, 0, 128])
def test_a_number_that_there_is_not(number: int) -> None:
    with pytest.raises(ConfigurationError, match="Give it one from 1 to 127"):
        checked_number(number)
    assert checked_number(127) == 127


def test_the_serial_is_the_file_s_or_made_from_the_chip_s(tmp_path: Path) -> None:
    chip = tmp_path / "serial-number"
    assert serial_of(node_file_from(GOOD), chip) == 7
    other = node_file_from(GOOD.replace("serial = 7\n", ""))
    for nothing in (None, b"", b"\0"):
        if nothing is not None:
            chip.write_bytes(nothing)
        with pytest.raises(ConfigurationError, match=r"\[board\] and serial = \d+"):
            serial_of(other, chip)
    serials = set()
    for number in (b"10000000abcdef01\0", b"10000000abcdef02\0"):
        chip.write_bytes(number)
        serials.add(serial_of(other, chip))
        assert serial_of(other, chip) in serials
    assert len(serials) == 2
    assert all(0 < serial < 1 << 32 for serial in serials)


def test_every_start_has_counters_of_its_own() -> None:
    file = node_file_from(GOOD)
    frames = {make_node(file, 3, 7, (0, 1, 0), 0).frame(0) for _ in range(20)}
    assert len(frames) > 1


def test_nothing_of_a_file_is_needed() -> None:
    assert NodeFile().outputs == ()
