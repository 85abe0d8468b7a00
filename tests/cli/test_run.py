"""The run verb as a process of its own."""

from __future__ import annotations

import asyncio
import json
import signal
from pathlib import Path

import pytest

from signalling.cli import GOOD, MISTAKES, UNUSABLE, main
from tests.conftest import Broker, until
from tests.program import Program

RING = """
[layout]
name = "Merrow Bay"
practice = "uk"
hold_off = 0.1
[blocks]
b1 = {}
b2 = {}
b3 = {}
[lines]
main = "b1 > b2 > b3 > b1"
[signals]
A = { at = "b1 > b2", aspects = 3 }
B = { at = "b2 > b3", aspects = 3 }
C = { at = "b3 > b1", aspects = 3 }
[stops]
SA = { signal = "A" }
[transports.club]
kind = "mqtt"
port = PORT
base = "merrow"
[[bindings]]
device = ["detector *", "signal *", "stop *"]
transport = "club"
"""


def running(*arguments: str) -> Program:
    """Return a ``signalling run``."""
    return Program("run", *arguments)


@pytest.fixture
def layout(broker: Broker, tmp_path: Path) -> str:
    path = tmp_path / "merrow.toml"
    path.write_text(RING.replace("PORT", str(broker.port)))
    return str(path)


async def clear(broker: Broker, *blocks: str) -> None:
    for block in blocks:
        await broker.publish(f"merrow/report/detector/{block}", "clear")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
async def test_it_runs_until_stopped_and_leaves_everything_at_danger(
    broker: Broker, layout: str, how: signal.Signals
) -> None:
    listener = await broker.listen("merrow/#")
    async with running(layout) as run:
        await run.says("link club: up")
        await clear(broker, "b1", "b2", "b3")
        await run.says("signal A: clear")
        await run.says("stop SA: lifted")
        await listener.until("merrow/order/stop/SA", "lifted")
        await listener.until("merrow/order/signal/B", "clear")
        assert await run.end(how) == GOOD
    assert run.lines[0].startswith("Merrow Bay: 3 signals, 1 stops, over club.")
    assert run.lines[-1].endswith("Stopped; every signal at danger.")
    await listener.until("merrow/controller", "offline")
    for name in ("signal/A", "signal/B", "signal/C"):
        assert listener.latest[f"merrow/order/{name}"] == "danger"
    assert listener.latest["merrow/order/stop/SA"] == "applied"


async def test_json_is_one_object_a_line(broker: Broker, layout: str) -> None:
    async with running(layout, "--json") as run:
        await run.says('"state": "up"')
        await clear(broker, "b1", "b2", "b3")
        await run.says('"kind": "signal", "name": "A", "value": "clear"')
        assert await run.end(signal.SIGTERM) == GOOD
    events = run.events
    assert events[0] == {
        "at": 0.0,
        "event": "started",
        "layout": "Merrow Bay",
        "signals": 3,
        "stops": 1,
        "transports": ["club"],
    }
    assert [event["at"] for event in events] == sorted(event["at"] for event in events)
    links = [event for event in events if event["event"] == "link"]
    assert [link["state"] for link in links] == ["opening", "up", "closed"]
    assert set(links[0]) == {"at", "event", "name", "state", "error", "unreached"}
    reports = [event for event in events if event["event"] == "report"]
    assert {event["value"] for event in reports if event["name"] == "b1"} >= {"clear"}
    last = {event["name"]: event["value"] for event in events if event["event"] == "order"}
    assert last == {"A": "danger", "B": "danger", "C": "danger", "SA": "applied"}
    assert events[-1]["event"] == "stopped"


@pytest.fixture
def asked(layout: str) -> str:
    """Return a layout file whose link takes requests."""
    path = Path(layout)
    path.write_text(path.read_text().replace("base =", "requests = true\nbase ="))
    return layout


async def test_who_asks_over_a_link_writes_no_line_of_his_own(broker: Broker, asked: str) -> None:
    forged = "\x1b[2J\n     1.000  signal A: clear"
    async with running(asked) as run:
        await run.says("link club: up")
        number = 0
        while not any("refused" in line for line in run.lines):
            number += 1  # what comes in the first second counts as too old
            said = {"id": f"{number}", "request": f"hold{forged}", "by": f"hall{forged}"}
            await broker.publish("merrow/request", json.dumps(said))
            await asyncio.sleep(0.5)
        assert await run.end(signal.SIGTERM) == GOOD
    assert all(line.isprintable() for line in run.lines)
    assert any(r"hold\x1b[2J\n" in line and r"hall\x1b[2J\n" in line for line in run.lines)


async def test_an_absent_broker_is_waited_for(broker: Broker, layout: str) -> None:
    broker.kill()
    async with running(layout) as run:
        await run.says("link club: lost")
        broker.start()
        await run.says("link club: up")
        assert await run.end(signal.SIGINT) == GOOD
    lost = [line for line in run.lines if "lost" in line]
    assert len(lost) == 1, "one line, however often it was tried"
    assert "Connection refused" in lost[0]


async def test_a_killed_controller_is_known_to_be_off(broker: Broker, layout: str) -> None:
    listener = await broker.listen("merrow/controller")
    async with running(layout) as run:
        await listener.until("merrow/controller", "online")
        run.process.kill()
        await listener.until("merrow/controller", "offline")


@pytest.mark.parametrize(
    ("change", "code", "said"),
    [
        (("aspects = 3", "aspects = 9"), MISTAKES, "A"),
        (('kind = "mqtt"', 'kind = "mqqt"'), UNUSABLE, "no kind of transport 'mqqt'"),
        (('base = "merrow"', 'bsae = "merrow"'), UNUSABLE, "bsae means nothing here"),
        (('base = "merrow"', 'password = "x"'), UNUSABLE, "password_env"),
    ],
)
def test_what_cannot_be_run_is_refused_with_a_remedy(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: tuple[str, str],
    code: int,
    said: str,
) -> None:
    path = tmp_path / "merrow.toml"
    path.write_text(RING.replace("PORT", "1").replace(*change))
    assert main(["run", str(path)]) == code
    captured = capsys.readouterr()
    assert said in captured.err
    assert "Traceback" not in captured.err


def test_a_file_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "nowhere.toml"]) == UNUSABLE
    assert "nowhere.toml" in capsys.readouterr().err


LOOP = (
    RING[: RING.index("[transports.club]")]
    + """
[transports.bench]
kind = "loopback"
[[bindings]]
device = "*"
transport = "bench"
"""
)


async def ask(run: Program, text: str) -> None:
    """Write a request, and wait until it is answered."""
    assert run.process.stdin is not None
    run.process.stdin.write(f"{text}\n".encode())
    await run.process.stdin.drain()
    await until(lambda: any(f"{text}: " in line for line in run.lines), text)


@pytest.mark.real_time
async def test_what_is_out_of_use_outlives_a_kill(tmp_path: Path) -> None:
    file = tmp_path / "layout.toml"
    file.write_text(LOOP)
    async with running(str(file), "--requests") as run:
        await ask(run, "take-out block b2 Ann a broken rail")
        assert any(line.endswith("a broken rail: taken") for line in run.lines)
        run.process.kill()
        await run.process.wait()
    async with running(str(file), "--requests") as run:
        await until(lambda: any("out of use" in line for line in run.lines), "told at the start")
        (told,) = [line for line in run.lines if "out of use" in line]
        assert "block b2 is out of use: Ann, since 20" in told
        assert told.endswith(": a broken rail")
        await until(lambda: any("signal A: danger" in line for line in run.lines), "orders")
        first = next(line for line in run.lines if "signal A: danger" in line)
        assert run.lines.index(told) < run.lines.index(first)
        await ask(run, "give-back block b2 Ann")
        await until(lambda: any("is given back: Ann" in line for line in run.lines), "given back")
        run.process.kill()
        await run.process.wait()
    async with running(str(file), "--json", "--requests") as run:
        await until(lambda: any('"order"' in line for line in run.lines), "orders")
        assert not any("out-of-use" in line for line in run.lines)
        await ask_in_json(run, "take-out signal A Bea lamps")
        (event,) = [json.loads(line) for line in run.lines if '"out-of-use"' in line]
        assert {key: event[key] for key in ("kind", "name", "person", "reason")} == {
            "kind": "signal",
            "name": "A",
            "person": "Bea",
            "reason": "lamps",
        }
        assert await run.end(signal.SIGTERM) == GOOD


async def ask_in_json(run: Program, text: str) -> None:
    assert run.process.stdin is not None
    run.process.stdin.write(f"{text}\n".encode())
    await run.process.stdin.drain()
    await until(lambda: any('"out-of-use"' in line for line in run.lines), text)


def test_a_record_that_is_not_plainly_right_stops_the_start(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, state = tmp_path / "layout.toml", tmp_path / "state.json"
    file.write_text(LOOP)
    state.write_text("{")
    assert main(["run", str(file), "--state", str(state)]) == MISTAKES
    said = capsys.readouterr()
    assert said.out == ""
    assert f"{state}:1: error: out of use, the record: This is not JSON" in said.err
    state.unlink()
    state.mkdir()
    assert main(["run", str(file), "--state", str(state)]) == UNUSABLE
    assert str(state) in capsys.readouterr().err
