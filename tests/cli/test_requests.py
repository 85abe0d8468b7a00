"""Requests to ``signalling run`` on standard input, over the loopback."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def answers(lines: list[str], *, flags: tuple[str, ...] = ("--requests",)) -> list[dict[str, Any]]:
    """Run an example, hand it lines, stop it when all are answered; return its events."""
    command = (sys.executable, "-m", "signalling", "run", "examples/ring.toml", "--json", *flags)
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write("".join(f"{line}\n" for line in lines))
        process.stdin.flush()
        events = []
        for line in process.stdout:
            events.append(json.loads(line))
            answered = sum(event["event"] == "request" for event in events)
            if answered == len(lines) and events[-1]["event"] == "request":
                process.send_signal(signal.SIGTERM)
        assert process.wait() == 0
    return events


def test_requests_are_taken_or_refused_with_a_reason() -> None:
    said = ["hold A", "hold nothing", "restore r4", "open the gate", "help", "é" * 3000]
    told = [event for event in answers(said) if event["event"] == "request"]
    assert [(event["request"], event["outcome"]) for event in told[:5]] == [
        ("hold A", "taken"),
        ("hold nothing", "refused"),
        ("restore r4", "refused"),
        ("open the gate", "refused"),
        ("help", "refused"),
    ]
    assert {event["by"] for event in told} == {"you"}
    assert all(event["final"] for event in told)
    assert told[0]["reason"] == ""
    assert "no signal 'nothing'" in told[1]["reason"]
    assert "nothing is heard of detector beam-in" in told[2]["reason"]
    assert "`restore BLOCK`" in told[3]["reason"]
    assert "restore BLOCK" in told[4]["reason"]
    assert told[5]["outcome"] == "refused"


def test_the_end_of_the_input_ends_nothing() -> None:
    command = (sys.executable, "-m", "signalling", "run", "examples/ring.toml", "--requests")
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if "link bench: up" in line:
                break
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        rest = process.stdout.read()
        assert process.wait() == 0
    assert "every signal at danger" in rest
