"""``signalling node``: a process that is a node, until it is told to stop."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pytest

from signalling import __version__
from signalling.cli import MISTAKES, UNUSABLE, main
from signalling.cli.node import _firmware, _option, _Printer
from tests.conftest import until

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
MANUAL = (ROOT / "docs" / "commands.md").read_text("utf-8")
NODE = "[board]\nserial = 7\n[stops]\n0 = { lift = 4 }\n[detectors]\n0 = { clear = 24 }\n"


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "node.toml"
    path.write_text(NODE)
    return str(path)


def options(file: str, *more: str, interface: str = "virtual") -> list[str]:
    return ["node", "--config", file, "--node", "3", "--interface", interface, *more]


class Process:
    """The command in a process of its own."""

    def __init__(self, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-u", "-m", "signalling", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate()

    def say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")
        self._process.stdin.flush()

    def lines(self, last: str) -> Iterator[str]:
        """Yield what it prints until a line that matches."""
        assert self._process.stdout is not None
        for line in self._process.stdout:
            yield line.rstrip("\n")
            if re.search(last, line):
                return
        raise AssertionError(f"never printed: {last}")

    def stop(self, number: int) -> tuple[int, str, str]:
        self._process.send_signal(number)
        out, errors = self._process.communicate()
        return self._process.returncode, out, errors


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_runs_until_it_is_told_to_stop(file: str, number: int) -> None:
    with Process(*options(file, "--pins", "simulated", "--json")) as process:
        first = [json.loads(line) for line in process.lines('"state": "up"')]
        process.say("24 on")
        process.say("25 on")
        answers = [json.loads(line) for line in process.lines('"25 on"')]
        code, out, errors = process.stop(number)
    assert (code, errors) == (0, "")
    events = [*first, *answers, *map(json.loads, out.splitlines())]
    assert events[0] == {"at": 0.0, "event": "started", "node": 3, "serial": 7}
    said = [{key: value for key, value in each.items() if key != "at"} for each in events[1:]]
    assert said == [
        {"event": "pin", "pin": 4, "on": False},
        {"event": "orders", "lost": True},
        {"event": "link", "state": "up", "error": ""},
        {"event": "input", "input": "24 on", "taken": True, "reason": ""},
        {"event": "input", "input": "25 on", "taken": False, "reason": said[4]["reason"]},
        {"event": "link", "state": "closed", "error": ""},
        {"event": "stopped"},
    ]
    assert all(isinstance(each["at"], float) for each in events)
    assert events == sorted(events, key=lambda each: each["at"])
    assert_told(events)


def assert_told(events: list[dict[str, Any]]) -> None:
    """Check that the manual tells every key of every event."""
    section = MANUAL.partition("\n## node\n")[2].partition("\n## ")[0]
    rows = [line.split(" | ") for line in section.splitlines() if line.startswith("| `")]
    told = {row[0].strip("| `"): set(re.findall(r"`(\w+)`", row[1])) for row in rows}
    assert set(told) >= {"started", "link", "orders", "identify", "pin", "input", "stopped"}
    for event in events:
        assert set(event) - {"at", "event"} <= told[event["event"]]


def test_what_it_says_to_people(file: str) -> None:
    with Process(*options(file, "--pins", "simulated")) as process:
        lines = list(process.lines("bus: up"))
        code, out, _ = process.stop(signal.SIGTERM)
    assert code == 0
    assert "For model railways only." in lines[0]
    texts = [line[12:] for line in (*lines[1:], *out.splitlines())]
    assert texts == [
        "pin 4: off",
        "orders: not heard; what nobody orders is at danger",
        "bus: up",
        "bus: closed",
        "Stopped; everything at danger.",
    ]


def test_a_bus_that_is_not_there_is_no_error(file: str) -> None:
    no_such = ("--channel", "/dev/no-such-adapter", "--option", "sleep_after_open=0")
    arguments = options(file, *no_such, "--pins", "simulated", "--json", interface="slcan")
    with Process(*arguments) as process:
        lines = [json.loads(line) for line in process.lines('"lost", "error"')]
        code, out, _ = process.stop(signal.SIGTERM)
    assert code == 0
    assert "no '/dev/no-such-adapter'" in lines[-1]["error"]
    assert [json.loads(line)["event"] for line in out.splitlines()] == ["link", "stopped"]


@pytest.mark.parametrize(
    ("text", "more", "code", "said"),
    [
        (NODE, ("--node", "0"), UNUSABLE, "node 0: There is no such number."),
        (NODE.replace("clear", "cleer"), (), MISTAKES, "node.toml:6: error: detector 0"),
        (NODE, ("--interface", "can9"), UNUSABLE, "python-can knows no interface 'can9'"),
        (NODE, ("--bitrate", "5"), UNUSABLE, "bitrate is 5."),
        (NODE, ("--config", "no-such.toml"), UNUSABLE, "no-such.toml: There is no such file."),
        (NODE, ("--option", "channel"), UNUSABLE, "'channel' is not NAME=VALUE"),
        (NODE, ("--option", "channel=x"), UNUSABLE, "options has channel."),
    ],
)
def test_a_mistake_is_told_and_nothing_is_opened(
    *,
    text: str,
    more: tuple[str, ...],
    code: int,
    said: str,
    file: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    Path(file).write_text(text)
    assert main([*options(file, "--pins", "simulated"), *more]) == code
    out, errors = capsys.readouterr()
    assert said in errors
    assert out == ""


def test_a_computer_without_pins_is_told_what_to_install(
    file: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    assert main(options(file)) == UNUSABLE
    assert "python3-lgpio" in capsys.readouterr().err


def test_without_what_can_needs_it_says_what_to_install(file: str) -> None:
    code = (
        "import sys\n"
        "sys.modules['can'] = None\n"
        "from signalling.cli import main\n"
        f"sys.exit(main({options(file)!r}))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], check=False, capture_output=True, text=True, cwd=ROOT
    )
    assert run.returncode == UNUSABLE
    assert "layout-signalling[can]" in run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("port=43113", 43113),
        ("timeout=0.5", 0.5),
        ("listen=true", True),
        ("listen=false", False),
        ("address=239.74.163.2", "239.74.163.2"),
        ("expression=a=b", "a=b"),
    ],
)
def test_options_of_the_interface(text: str, value: object) -> None:
    assert _option(text) == (text.partition("=")[0], value)


@pytest.mark.parametrize("text", ["", "=5", "port", "a-b=5"])
def test_what_is_no_option(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError):
        _option(text)


def test_the_firmware_is_the_version_of_the_package() -> None:
    assert ".".join(map(str, _firmware())) == __version__


@pytest.mark.real_time
async def test_a_reader_that_does_not_read_holds_nothing_up() -> None:
    read, written = threading.Event(), []

    def write(events: list[dict[str, Any]]) -> None:
        read.wait()
        written.extend(events)

    printer = _Printer(write)
    printing = asyncio.create_task(printer.run(), name="print")
    for number in range(3000):
        printer.say({"event": "pin", "pin": number})
        await asyncio.sleep(0)
    printer.end()
    read.set()
    await until(printing.done, "the end of printing")
    assert written[-1] == {"event": "pin", "pin": 2999}
    assert len(written) < 3000
