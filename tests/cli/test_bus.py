from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from signalling.cli import GOOD, MISTAKES, UNUSABLE, main
from signalling.install.bus_cable import CABLES
from signalling.install.cautions import CAUTIONS

MANUAL = (Path(__file__).parents[2] / "docs" / "commands.md").read_text("utf-8")
SECTION = MANUAL.partition("\n## bus\n")[2].partition("\n## ")[0]
LAYOUT = SECTION.partition("```toml\n")[2].partition("```")[0]


@pytest.fixture
def teal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The layout of the manual, in the folder that the command runs in."""
    monkeypatch.chdir(tmp_path)
    Path("teal.toml").write_text(LAYOUT, "utf-8")
    return Path("teal.toml")


def printed(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = GOOD) -> str:
    assert main(["bus", *arguments]) == code
    return capsys.readouterr().out


def as_json(
    capsys: pytest.CaptureFixture[str], *arguments: str, code: int = GOOD
) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(printed(capsys, *arguments, "--json", code=code))
    return found


def test_it_is_as_the_manual_shows(teal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert f"$ signalling bus teal.toml\n{printed(capsys, str(teal))}```" in SECTION
    shown = json.loads(SECTION.partition("```json\n")[2].partition("```")[0])
    found = as_json(capsys, str(teal))
    shown["buses"][0]["frames"] += found["buses"][0]["frames"][1:]  # the manual shows the first
    assert found == shown


def test_the_manual_has_the_cables() -> None:
    lines = {
        f"| {f'{each.bitrate // 1000} kbit/s' if each.bitrate < 1_000_000 else '1 Mbit/s'} "
        f"| {each.bus:g} m | {each.stub:g} m | {each.stubs:g} m |"
        for each in CABLES
    }
    assert lines <= set(SECTION.splitlines())


def test_how_to_wire_comes_with_the_cautions(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = " ".join(printed(capsys, str(teal)).split())
    assert "Cable 500 m from end to end" in told
    assert "Resistors 120 ohms across the pair at each of its two ends" in told
    assert told.endswith(" ".join(CAUTIONS))


def test_the_bit_rate_of_the_layout_holds_where_none_is_given(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    teal.write_text(LAYOUT.replace('channel = "can0"', 'channel = "can0"\nbitrate = 250_000'))
    (of_layout,) = as_json(capsys, str(teal))["buses"]
    (of_command,) = as_json(capsys, str(teal), "--bitrate", "500000")["buses"]
    assert (of_layout["bitrate"], of_layout["cable"]["bus"]) == (250_000, 250)
    assert (of_command["bitrate"], of_command["cable"]["bus"]) == (500_000, 100)
    assert of_layout["load"] == pytest.approx(2 * of_command["load"])
    assert of_layout["reaction"] > of_command["reaction"]


def test_a_bus_that_is_too_slow_does_not_fit(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = printed(capsys, str(teal), "--bitrate", "10000", "--changes", "20", code=MISTAKES)
    assert "no bound" in told
    assert "Fits        no: AllDanger" in told
    assert "Reaction" not in told
    (bus,) = as_json(capsys, str(teal), "--bitrate", "10000", "--changes", "20", code=MISTAKES)[
        "buses"
    ]
    assert bus["load"] > 1
    assert (bus["fits"], bus["reaction"]) == (False, None)
    assert bus["frames"][0]["longest"] is None


def test_the_reaction_is_a_report_and_an_order(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bus,) = as_json(capsys, str(teal))["buses"]
    longest = {each["name"]: each["longest"] for each in bus["frames"]}
    assert bus["reaction"] == longest["DetectorReport"] + max(
        longest["StopOrder"], longest["SignalOrder"]
    )


def test_a_layout_without_a_bus_is_told_so(capsys: pytest.CaptureFixture[str]) -> None:
    junction = Path(__file__).parents[2] / "examples" / "junction.toml"
    assert main(["bus", str(junction)]) == UNUSABLE
    assert "layout Gannet Point: It has no CAN bus." in capsys.readouterr().err


def test_a_binding_that_cannot_be_used_is_told(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    teal.write_text(LAYOUT.replace("node = 3", "node = 300"))
    assert main(["bus", str(teal)]) == UNUSABLE
    assert "node is 300" in capsys.readouterr().err


def test_a_bit_rate_without_a_cable_is_refused(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    teal.write_text(LAYOUT.replace('channel = "can0"', 'channel = "can0"\nbitrate = 5000'))
    assert main(["bus", str(teal)]) == UNUSABLE
    assert "transport bus: bitrate is 5000. Write from 10000 to 1000000 bit/s" in (
        capsys.readouterr().err
    )


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--bitrate", "fast", "invalid int value: 'fast'"),
        ("--bitrate", "0", "bitrate is 0. Write from 10000 to 1000000 bit/s"),
        ("--bitrate", "2000000", "bitrate is 2000000. Write from 10000 to 1000000 bit/s"),
        ("--changes", "0", "'0' is not a number above 0"),
        ("--changes", "nan", "'nan' is not a number above 0"),
        ("--changes", "inf", "'inf' is not a number above 0"),
        ("--changes", "often", "'often' is not a number above 0"),
    ],
)
def test_options_that_cannot_be_used_are_refused(
    teal: Path, capsys: pytest.CaptureFixture[str], option: str, value: str, said: str
) -> None:
    assert main(["bus", str(teal), option, value]) == UNUSABLE
    assert said in capsys.readouterr().err


def test_a_layout_with_mistakes_gets_its_findings(
    teal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    teal.write_text(LAYOUT.replace('"d1 > d2"', '"d1 > d9"'))
    assert main(["bus", str(teal)]) == MISTAKES
    assert "signal A" in capsys.readouterr().err


def test_what_can_needs_is_loaded_for_a_bus_alone() -> None:
    code = (
        "import sys\n"
        "from signalling.cli import main\n"
        "main(['bus', 'examples/junction.toml'])\n"
        "sys.exit('can' in sys.modules or 'cantools' in sys.modules)"
    )
    root = Path(__file__).parents[2]
    run = subprocess.run([sys.executable, "-c", code], check=False, cwd=root, capture_output=True)
    assert run.returncode == 0
