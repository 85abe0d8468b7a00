"""Everything there is to say about a file: the reader's findings, the practice's, the table's."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.errors import Finding, Severity, UnreadableFileError
from signalling.layout.read import examine_text
from signalling.practice.load import load_practice
from signalling.table import check as checks
from signalling.table.check import check_file, check_reading
from signalling.table.devices import bindings, devices

EVERYTHING = (Path(__file__).parents[1] / "one_of_everything.toml").read_text("utf-8")


def findings_of(text: str, folder: str | Path = ".") -> tuple[Finding, ...]:
    return check_reading(examine_text(text, "halt.toml", str(folder)))


def errors(findings: tuple[Finding, ...]) -> list[Finding]:
    return [each for each in findings if each.severity is Severity.ERROR]


def test_the_layout_with_one_of_everything_has_no_mistake() -> None:
    """It has what ``check`` warns of, too: that is one of everything."""
    assert errors(findings_of(EVERYTHING)) == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("aspects = 2 }\n", "aspects = 7 }\n", ("signal S5", "no head of 7", "2, 3 and 4", "S5 =")),
        ('"two-yellow"', '"twoyellow"', ("signal S4", '"twoyellow"', "`two-yellow`?", "S4 =")),
        (
            'aspects = 2, head = "two-yellow"',
            'aspects = 3, head = "two-yellow"',
            (
                "signal S4",
                "Head two-yellow has 2 aspects, and the signal says 3",
                "`aspects = 2`",
                "S4 =",
            ),
        ),
        (
            "indicator = 4",
            "indicator = 7",
            ("route S2/quay", "no route indicator 7", "6 or", "= 7"),
        ),
        ('"P"', '"PQ"', ("route S3/pit", 'no route indicator "PQ"', "single letter", "routes.pit")),
        (
            "override = true",
            'override = true\nspeed = "swift"',
            ("route S2/quay", 'no speed "swift"', "slow", 'speed = "swift"'),
        ),
        (
            'aspects = 2, distant = ["S2", "S3"]',
            'aspects = 3, distant = ["S2", "S3"]',
            ("signal V2", "no distant head of 3 aspects", "Write one of 2", "V2 ="),
        ),
        (
            'aspects = 2, distant = ["S2", "S3"]',
            'aspects = 2, head = "two", distant = true',
            ("signal V2", "Head two is not that of a distant signal", "one of distant", "V2 ="),
        ),
        (
            'aspects = 2, head = "two-yellow"',
            'aspects = 2, head = "distant"',
            ("signal S4", "Head distant is that of a distant signal", "`distant = true`", "S4 ="),
        ),
        ('"uk"', '"ku"', ("practice ku", "no such practice", "uk", 'practice = "ku"')),
        ('"uk"', '"my.toml"', ("practice my.toml", "no such file", "uk", 'practice = "my.toml"')),
    ],
)
def test_what_the_practice_does_not_have(
    tmp_path: Path, old: str, new: str, said: tuple[str, str, str, str]
) -> None:
    thing, message, remedy, at = said
    text = EVERYTHING.replace(old, new, 1)
    assert text != EVERYTHING
    (finding,) = findings_of(text, tmp_path)
    assert finding.severity is Severity.ERROR
    assert (finding.file, finding.thing) == ("halt.toml", thing)
    assert message in finding.message
    assert remedy in finding.remedy
    assert finding.line is not None
    assert at in text.splitlines()[finding.line - 1]


def test_a_mistake_in_a_practice_of_ones_own_is_told_with_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "mine"\ntitle = 5\n')
    found = findings_of(EVERYTHING.replace('"uk"', '"mine.toml"'), tmp_path)
    assert found
    assert {finding.file for finding in found} == {str(tmp_path / "mine.toml")}


WHIRLPOOL = """\
[layout]
name = "Whirlpool"
[blocks]
a = {}
b = {}
c = {}
d = {}
[turnouts]
t = { block = "b" }
[lines]
into = "a > b[t normal] > c"
round = "b[t reverse] > c > d > b[t reverse]"
[signals]
S1 = { at = "a > b" }
"""


def test_what_only_the_whole_track_shows_is_told_of_a_sound_file() -> None:
    (finding,) = findings_of(WHIRLPOOL)
    assert (finding.file, finding.line, finding.thing) == ("halt.toml", 14, "signal S1")
    assert finding.severity is Severity.ERROR


def test_what_follows_from_a_file_is_not_worked_out_while_it_has_mistakes() -> None:
    (finding,) = findings_of(WHIRLPOOL.replace("d = {}", "d = { length = 0 }"))
    assert finding.thing == "block d"


def test_a_pass_added_to_the_list_is_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def always(layout: Any, practice: Any, findings: Any) -> None:
        findings.warning(("layout",), layout.settings.name, practice.name, "Nothing.")

    monkeypatch.setattr(checks, "PASSES", (*checks.PASSES, always))
    found = [(finding.thing, finding.message) for finding in findings_of(EVERYTHING)]
    assert ("Cormorant Halt", "uk") in found


def test_check_file_reads_a_file(tmp_path: Path) -> None:
    file = tmp_path / "halt.toml"
    file.write_text(EVERYTHING, encoding="utf-8")
    assert check_file(file)[0].file == str(file)
    assert errors(check_file(file)) == []
    with pytest.raises(UnreadableFileError):
        check_file(tmp_path)


def test_what_is_not_toml_is_told_alone() -> None:
    (finding,) = findings_of("x")
    assert finding.line == 1


@pytest.mark.parametrize(
    "file", sorted(Path(__file__).parents[2].glob("examples/*.toml")), ids=lambda file: file.name
)
def test_examples_have_no_mistakes_and_nothing_to_warn_of(file: Path) -> None:
    assert [each for each in check_file(file) if each.severity is not Severity.NOTE] == []


# Layouts in a muddle: whatever is sound also compiles, and every device has its values.

BLOCKS = [f"b{number}" for number in range(6)]
NAMES = st.sampled_from(["S1", "S2", "S3"])
PATHS = st.lists(
    st.builds(
        lambda block, lie: f"{block}{lie}",
        st.sampled_from(BLOCKS),
        st.sampled_from(["", "", "", "[t1 normal]", "[t1 reverse]", "[t2 reverse]"]),
    ),
    min_size=1,
    max_size=7,
).map(" > ".join)
JOINTS = st.builds("{} > {}".format, st.sampled_from(BLOCKS), st.sampled_from(BLOCKS))


def table(keys: Any, optional: dict[str, Any], **required: Any) -> Any:
    entry = st.fixed_dictionaries(required, optional=optional)
    return st.dictionaries(keys, entry, max_size=3)


MUDDLES = st.fixed_dictionaries(
    {
        "layout": st.just({"name": "Muddle"}),
        "blocks": st.just({block: {} for block in BLOCKS}),
        "lines": st.dictionaries(st.sampled_from(["m", "n"]), PATHS, min_size=1),
        "signals": table(
            NAMES,
            {
                "aspects": st.integers(2, 4),
                "overlap": PATHS,
                "hidden": st.just([5]),
                "lamps_proved": st.booleans(),
                "routes": table(
                    st.sampled_from(["m", "n"]),
                    {
                        "indicator": st.sampled_from([1, 2, "A"]),
                        "override": st.booleans(),
                        "indicator_proved": st.booleans(),
                        "release": st.sampled_from(["from-danger", "from-caution"]),
                    },
                ),
            },
            at=JOINTS,
        ),
    },
    optional={
        "turnouts": table(
            st.sampled_from(["t1", "t2"]),
            {"lock": st.booleans(), "moved_by": st.sampled_from(["us", "others"])},
            block=st.sampled_from(BLOCKS),
        ),
        "detectors": table(st.sampled_from(["e", "f"]), {}, at=JOINTS),
        "stops": table(st.just("p"), {"section": st.sampled_from(BLOCKS)}, signal=NAMES),
        "danger": table(st.just("d"), {"press": st.booleans()}, signals=st.lists(NAMES)),
        "bindings": st.just([{"device": ["detector *", "signal *"], "transport": "bench"}]),
        "transports": st.just({"bench": {"kind": "loopback"}}),
    },
)


def written(value: Any) -> str:
    match value:
        case dict():
            return f"{{ {', '.join(f'{key} = {written(each)}' for key, each in value.items())} }}"
        case list():
            return f"[{', '.join(map(written, value))}]"
        case _:
            return json.dumps(value)


@given(MUDDLES)
def test_a_muddle_is_told_or_compiles(data: dict[str, Any]) -> None:
    text = "\n".join(f"{key} = {written(value)}" for key, value in data.items())
    reading = examine_text(text, "muddle.toml")
    check_reading(reading)
    if not reading.findings.sound:
        return
    assert reading.layout is not None
    practice = load_practice("uk")
    known = {each.device: each for each in devices(reading.layout, practice)}
    for carried in bindings(reading.layout, practice).values():
        for bound in carried:
            assert set(bound.reports) <= set(known[bound.device].reports)
            assert set(bound.orders) <= set(known[bound.device].orders)
