"""``signalling listen`` as a process of its own, at a real broker, whoever reads it."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import json
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from signalling.cli import GOOD, MISTAKES, PIPE_CLOSED, UNUSABLE, main
from tests.conftest import Broker, until
from tests.program import Program

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT = Path(__file__).parents[2]
MANUAL = (ROOT / "docs" / "commands.md").read_text("utf-8")
RING = """
[layout]
name = "Merrow Bay"
hold_off = 0.1
[blocks]
b1 = {}
b2 = {}
b3 = {}
[lines]
main = "b1 > b2 > b3 > b1"
[signals]
A = { at = "b1 > b2" }
B = { at = "b2 > b3" }
C = { at = "b3 > b1" }
[stops]
SA = { signal = "A" }
[transports.club]
kind = "mqtt"
port = PORT
base = "merrow"
[transports.hut]
kind = "loopback"
[[bindings]]
device = ["detector *", "signal *", "stop *"]
transport = "club"
"""


def listening(*arguments: str) -> Program:
    """Return a ``signalling listen``."""
    return Program("listen", *arguments)


@pytest.fixture
def layout(broker: Broker, tmp_path: Path) -> str:
    path = tmp_path / "merrow.toml"
    path.write_text(RING.replace("PORT", str(broker.port)))
    return str(path)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
async def test_a_user_finds_what_is_bound_and_what_is_not(
    broker: Broker, layout: str, how: signal.Signals
) -> None:
    async with listening(layout) as listen:
        await listen.matches("link club: up")
        await broker.publish("merrow/report/detector/b1", "clear")
        await broker.publish("merrow/report/detector/b2", "empty")
        await broker.publish("attic/17/state", '{"taken": true}')
        await broker.publish("attic/17/state", '{"taken": true}')
        await broker.publish("attic/17/state", '{"taken": false}')
        await listen.matches(
            r"3 x  club  attic/17/state  {\"taken\": false}  JSON /taken=false; bound to nothing$"
        )
        await listen.matches("1 x  club  merrow/report/detector/b1  clear  detector b1: clear$")
        await listen.matches("detector/b2  empty  detector b2: . .unknown-value: empty.$")
        assert await listen.end(how) == GOOD
    assert listen.lines[0] == (
        "Merrow Bay: listening to club, without a word. hut cannot be listened to."
    )
    end = listen.lines.index("")
    assert [line.split()[:4] for line in listen.lines[end + 1 : end + 4]] == [
        ["1", "x", "club", "merrow/report/detector/b1"],
        ["1", "x", "club", "merrow/report/detector/b2"],
        ["3", "x", "club", "attic/17/state"],
    ]
    assert listen.lines[-2:] == [
        "Nothing was heard of: detector b3 (club).",
        "Turned away on club: unknown-value 1.",
    ]
    assert not any("not known any more" in line for line in listen.lines)


def leave_out(file: str, text: str) -> None:
    path = Path(file)
    path.write_text(path.read_text().replace(text, ""))


async def test_it_is_as_the_manual_shows_it(broker: Broker, layout: str) -> None:
    leave_out(layout, '[transports.hut]\nkind = "loopback"\n')
    async with listening(layout) as listen:
        await listen.matches("link club: up")
        await broker.publish("merrow/report/detector/b1", "clear")
        await broker.publish("attic/17/state", '{"taken": true, "battery": 81}')
        await broker.publish("attic/17/state", '{"taken": false, "battery": 81}')
        await listen.matches("taken=false")
        assert await listen.end() == GOOD
    shown = MANUAL.partition("$ signalling listen merrow.toml\n")[2].partition("```")[0]
    times = re.compile(r"^ +\d+\.\d{3}  ")
    assert [times.sub("", line) for line in listen.lines] == [
        times.sub("", line) for line in shown.splitlines()
    ]


async def test_it_works_beside_who_runs_the_layout_and_changes_nothing_for_it(
    broker: Broker, layout: str
) -> None:
    wire = await broker.listen("#")
    async with listening(layout, "--json") as listen, Program("run", layout) as run:
        await listen.matches('"state": "up"')
        await run.matches("link club: up")
        for block in ("b1", "b2", "b3"):
            await broker.publish(f"merrow/report/detector/{block}", "clear")
        await run.matches("signal A: clear")
        await listen.matches('"name": "A", "order": true, "value": "clear"')
        listen.process.kill()
        await listen.process.wait()
        # Neither will nor anything else told of it, and nothing became of it.
        await broker.publish("merrow/report/detector/b2", "occupied")
        await run.matches("signal A: danger")
        assert await run.end() == GOOD
    assert "link club: lost" not in "\n".join(run.lines)
    said = {topic.split("/")[1] for topic in wire.latest}
    assert said == {"report", "order", "controller"}


async def test_json_is_one_object_a_line_with_the_keys_that_are_told(
    broker: Broker, layout: str
) -> None:
    await broker.publish("attic/1", "old", "-r")
    async with listening(layout, "--json", "--topic", "attic/#") as listen:
        await listen.matches('"state": "up"')
        await broker.publish("merrow/report/detector/b1", "clear")
        await broker.publish("merrow/report/detector/b1", "cloudy")
        await broker.publish("elsewhere", "x")
        await listen.matches('"cloudy"')
        broker.kill()
        await listen.matches('"state": "lost"')
        broker.start()
        await until(lambda: sum('"up"' in line for line in listen.lines) == 2, "again")
        await broker.publish("merrow/report/detector/b1", "clear")
        await until(lambda: sum('"raw": "clear"' in line for line in listen.lines) == 2, "again")
        broker.kill()
        await listen.matches('"event": "device"')
        assert await listen.end() == GOOD
    events = listen.events
    assert [event["at"] for event in events] == sorted(event["at"] for event in events)
    assert {event["place"] for event in events if event["event"] == "arrival"} == {
        "attic/1",
        "merrow/report/detector/b1",
    }
    (device,) = [event for event in events if event["event"] == "device"]
    assert (device["kind"], device["name"], device["value"]) == ("detector", "b1", None)
    assert [event["event"] for event in events[-3:]] == ["total", "total", "stopped"]
    assert_told(events)


def assert_told(events: list[dict[str, Any]]) -> None:
    """Check that the manual tells every key of every event, and no other."""
    section = MANUAL.partition("\n## listen\n")[2].partition("\n## ")[0]
    rows = [line.split(" | ") for line in section.splitlines() if line.startswith("| `")]
    told = {row[0].strip("| `"): set(re.findall(r"`(\w+)`", row[1])) for row in rows}
    for event in events:
        keys = set(event) - {"at", "event"}
        if event["event"] in ("arrival", "total"):
            keys |= {f"{inner}" for each in event["devices"] for inner in each}
            assert keys <= told["arrival"] | told["total"]
        else:
            assert keys <= told[event["event"]], event["event"]
    assert set(told) >= {event["event"] for event in events}


async def test_an_absent_broker_is_waited_for_and_told_once(broker: Broker, layout: str) -> None:
    broker.kill()
    async with listening(layout) as listen:
        await listen.matches("link club: lost .*Connection refused")
        await asyncio.sleep(1.5)  # several tries
        broker.start()
        await listen.matches("link club: up")
        assert await listen.end() == GOOD
    assert sum("link club: lost" in line for line in listen.lines) == 1


async def test_it_ends_by_itself_where_asked_to(broker: Broker, layout: str) -> None:  # noqa: ARG001
    async with listening(layout, "--seconds", "0.3") as listen:
        assert await listen.process.wait() == GOOD
    assert "Nothing arrived." in listen.lines


async def test_a_reader_that_does_not_read_holds_nothing_up(broker: Broker, layout: str) -> None:
    """What waits for it is bounded, and the broker sees no slow client."""
    near, far = os.pipe()
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "signalling", "listen", layout),
        stdout=far,
        stderr=subprocess.PIPE,
    )
    os.close(far)
    try:
        before, number = -1, 0
        # Until it takes no more: a pipe has 64 KiB, in pages that need not be full.
        while not before == waiting(near) > 0:
            before = waiting(near)
            await storm(broker, "".join(f"{number}-{line}\n" for line in range(2000)))
            number += 1
        # While nobody reads, far more than may wait; the broker must not be held up either.
        await storm(broker, "".join(f"{line}\n" for line in range(20_000)))
        listener = await broker.listen("attic/done")
        await broker.publish("attic/done", "yes")
        await listener.until("attic/done", "yes")
        assert process.returncode is None
        # The first asks it to end in order, which its reader does not let it; the second ends it.
        process.send_signal(signal.SIGINT)
        await asyncio.sleep(1)
        assert process.returncode is None
        process.send_signal(signal.SIGINT)
        assert await process.wait() == -signal.SIGINT
        assert process.stderr is not None
        assert await process.stderr.read() == b""
    finally:
        os.close(near)
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def waiting(pipe: int) -> int:
    """Return how many bytes wait in a pipe."""
    buffer = fcntl.ioctl(pipe, termios.FIONREAD, struct.pack("i", 0))
    return int(struct.unpack("i", buffer)[0])


async def storm(broker: Broker, lines: str) -> None:
    """Publish each line, as fast as it goes."""
    process = await asyncio.create_subprocess_exec(
        *("mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port)),
        *("-t", "attic/storm", "-l", "-q", "1"),
        stdin=subprocess.PIPE,
    )
    await process.communicate(lines.encode())
    assert process.returncode == 0


async def test_a_reader_that_goes_away_ends_it(broker: Broker, layout: str) -> None:
    async with listening(layout) as listen:
        await listen.matches("link club: up")
        transport: Any = listen.process._transport  # type: ignore[attr-defined]
        transport.get_pipe_transport(1).close()
        await broker.publish("attic/1", "x")
        assert await listen.process.wait() == PIPE_CLOSED
        assert listen.process.stderr is not None
        assert await listen.process.stderr.read() == b""


# -- on a terminal


class Terminal:
    """A terminal of 80 by 24 with the command on it, and what it was given to show."""

    def __init__(self, environment: Mapping[str, str], *arguments: str) -> None:
        self.text = ""
        self._near, far = pty.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-c", BEHIND, sys.executable, "-m", "signalling", *arguments],
            stdin=far,
            stdout=far,
            stderr=far,
            env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
            start_new_session=True,
        )
        os.close(far)
        asyncio.get_running_loop().add_reader(self._near, self._read)

    def _read(self) -> None:
        try:
            self.text += os.read(self._near, 65_536).decode(errors="replace")
        except OSError:
            asyncio.get_running_loop().remove_reader(self._near)

    def press(self, keys: bytes) -> None:
        os.write(self._near, keys)

    async def shows(self, text: str) -> None:
        await until(lambda: text in self.text, text, self.text[-3000:])

    async def end(self) -> int:
        await until(lambda: self.process.poll() is not None, "the end", self.text[-3000:])
        asyncio.get_running_loop().remove_reader(self._near)
        os.close(self._near)
        return self.process.returncode


BEHIND = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
"""Takes the terminal for its own, so that Ctrl-C on it reaches what it becomes."""


async def test_on_a_terminal_a_picture_is_kept_and_the_end_is_a_summary(
    broker: Broker, layout: str
) -> None:
    terminal = Terminal({"TERM": "xterm"}, "listen", layout)
    await terminal.shows("link club: up")
    await broker.publish("merrow/report/detector/b1", "clear")
    await broker.publish("attic/17", b"\x1b[5m")
    await terminal.shows("bound to nothing")
    await terminal.shows("detector b1: clear")
    terminal.press(b"\x03")
    assert await terminal.end() == GOOD
    picture, _, after = terminal.text.partition("\x1b[?1049l")
    assert "\x1b[?1049h" in picture
    assert r"\x1b[5m" in picture
    assert "\x1b[5m" not in terminal.text
    assert "1 x  club  merrow/report/detector/b1  detector b1: clear" in after
    assert "\x1b[?25h" in terminal.text, "the cursor is back"


async def test_a_terminal_that_cannot_be_drawn_on_gets_lines(broker: Broker, layout: str) -> None:
    terminal = Terminal({"TERM": "dumb"}, "listen", layout)
    await terminal.shows("link club: up")
    await broker.publish("attic/17", "x")
    await terminal.shows("1 x  club  attic/17  x  bound to nothing")
    terminal.press(b"\x03")
    assert await terminal.end() == GOOD
    assert "\x1b" not in terminal.text


async def test_json_on_a_terminal_is_json(broker: Broker, layout: str) -> None:  # noqa: ARG001
    terminal = Terminal({"TERM": "xterm"}, "listen", layout, "--json", "--seconds", "0.5")
    assert await terminal.end() == GOOD
    assert json.loads(terminal.text.splitlines()[-1])["event"] == "stopped"


# -- what cannot work


@pytest.mark.parametrize(
    ("options", "change", "code", "said"),
    [
        ((), ('at = "b1 > b2"', 'at = "b1 > b9"'), MISTAKES, "no block b9"),
        ((), ('kind = "mqtt"', 'kind = "mqqt"'), UNUSABLE, "no kind of transport 'mqqt'"),
        ((), ('base = "merrow"', 'bsae = "merrow"'), UNUSABLE, "bsae means nothing here"),
        (("--topic", "a/#/b"), ("", ""), UNUSABLE, "'a/#/b' is no topic filter"),
        (("--seconds", "0"), ("", ""), UNUSABLE, "'0' is not a number above 0"),
        (("--seconds", "nan"), ("", ""), UNUSABLE, "'nan' is not a number above 0"),
        (("--topic",), ("", ""), UNUSABLE, "expected one argument"),
        (
            (),
            ('kind = "mqtt"\nport = PORT\nbase = "merrow"', 'kind = "loopback"'),
            UNUSABLE,
            "There is nothing to listen to: club, hut cannot",
        ),
    ],
)
def test_what_cannot_be_listened_to_is_refused_with_a_remedy(  # noqa: PLR0917 - pytest's way
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    change: tuple[str, str],
    code: int,
    said: str,
) -> None:
    path = tmp_path / "merrow.toml"
    path.write_text(RING.replace(*change).replace("PORT", "1"))
    assert main(["listen", str(path), *options]) == code
    captured = capsys.readouterr()
    assert said in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


async def test_a_bus_that_is_set_up_wrongly_is_refused_when_it_is_opened(
    tmp_path: Path,
) -> None:
    path = tmp_path / "merrow.toml"
    near, far = pty.openpty()
    # The serial adapters' line protocol has no such bit rate.
    wrong = f'kind = "can"\ninterface = "slcan"\nbitrate = 123456\nchannel = "{os.ttyname(far)}"'
    before = 'kind = "mqtt"\nport = PORT\nbase = "merrow"'
    text = RING.replace(before, wrong).partition("[[bindings]]")[0]
    path.write_text(text)
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "signalling", "listen", str(path), "--seconds", "20"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    out, errors = await process.communicate()
    assert process.returncode == UNUSABLE, (out, errors)
    assert b"transport club" in errors
    assert b"Traceback" not in errors
    os.close(near)
    os.close(far)


def test_a_file_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", "nowhere.toml"]) == UNUSABLE
    assert "nowhere.toml" in capsys.readouterr().err
