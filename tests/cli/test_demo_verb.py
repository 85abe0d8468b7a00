"""``signalling demo``: its summary, its JSON, its exit codes."""

from __future__ import annotations

import json
import signal
import subprocess
import sys

import pytest
from attrs import evolve

from signalling.cli import GOOD, MISTAKES, UNUSABLE, main
from signalling.demo.run import Demo
from signalling.simulate import World, WrongSide, WrongSideEvent

DEMO = (sys.executable, "-m", "signalling", "demo")


def test_json_from_a_process_of_its_own() -> None:
    done = subprocess.run(
        [*DEMO, "--json", "--seconds", "120", "--seed", "1"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == GOOD
    summary = json.loads(done.stdout)
    assert summary["layout"] == "Merrow Bay"
    assert (summary["seed"], summary["seconds"], summary["speed"]) == (1, 120, None)
    assert summary["trains"] == len(summary["by_train"]) >= 5
    assert summary["signals"] >= 16
    assert list(summary["aspects_shown"]) == ["danger", "caution", "preliminary-caution", "clear"]
    assert min(summary["aspects_shown"].values()) > 0
    assert summary["stops_applied"] > 0
    assert summary["minimum_separation_blocks"] >= 1
    assert summary["wrong_side_events"] == 0
    assert summary["wrong_side"] == []
    by_train = summary["by_train"].values()
    assert summary["laps"] == sum(train["laps"] for train in by_train)
    assert summary["signals_passed"] == sum(train["signals_passed"] for train in by_train)
    assert summary["signals_passed"] == sum(summary["aspects_passed"].values())
    # What is done is said as it goes, apart from the summary.
    assert "120 s of 120 s run" in done.stderr


def test_a_summary_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--seconds", "90"]) == GOOD
    said = capsys.readouterr()
    assert said.out.startswith("Merrow Bay: 8 trains ran for 90 s under 20 signals (seed 0).")
    assert "Wrong-side events    0" in said.out
    assert "Minimum separation   1 block" in said.out
    assert (said.out + said.err).count("For model railways only.") == 1


def test_the_pace_changes_nothing_of_the_run(capsys: pytest.CaptureFixture[str]) -> None:
    summaries = []
    for pace in ([], ["--speed", "1e6"]):
        assert main(["demo", "--seconds", "60", "--json", *pace]) == GOOD
        summary = json.loads(capsys.readouterr().out)
        summaries.append({**summary, "speed": None})
    assert summaries[0] == summaries[1]


def test_a_wrong_side_event_is_told_and_fails(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    event = WrongSideEvent(kind=WrongSide.COLLISION, seconds=3.0, thing="block d1", other="A and B")
    record = World.record
    monkeypatch.setattr(World, "record", lambda self: evolve(record(self), wrong_side=(event,)))
    assert main(["demo", "--seconds", "5"]) == MISTAKES
    out = capsys.readouterr().out
    assert "Wrong-side events    1\n  3.0 s: collision: block d1, A and B\n" in out
    assert main(["demo", "--seconds", "5", "--json"]) == MISTAKES
    summary = json.loads(capsys.readouterr().out)
    assert summary["wrong_side_events"] == 1
    assert summary["wrong_side"] == ["3.0 s: collision: block d1, A and B"]


def test_ctrl_c_ends_it_with_its_summary(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = signal.getsignal(signal.SIGINT)
    stop = Demo.stop

    def work(self: Demo, _: object) -> None:
        if self.world.seconds >= 2:
            signal.raise_signal(signal.SIGINT)
            assert self.stopping

    monkeypatch.setattr(Demo, "_work", work)
    assert main(["demo", "--json"]) == GOOD
    assert json.loads(capsys.readouterr().out)["seconds"] < 3
    assert signal.getsignal(signal.SIGINT) is before
    assert Demo.stop is stop


@pytest.mark.parametrize(
    "arguments",
    [
        ["--seconds", "0"],
        ["--seconds", "-5"],
        ["--seconds", "soon"],
        ["--seconds", "nan"],
        ["--speed", "0"],
        ["--speed", "inf"],
        ["--seed", "x"],
        ["layout.toml"],
    ],
)
def test_usage(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", *arguments]) == UNUSABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert "signalling demo: error:" in said.err or "signalling: error:" in said.err
