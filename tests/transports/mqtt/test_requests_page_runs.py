"""The program and the command that the page on requests shows, run against a real broker."""

from __future__ import annotations

import asyncio
import json
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tests.conftest import until

if TYPE_CHECKING:
    from tests.conftest import Broker

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "requests.md").read_text("utf-8")

LAYOUT = """
[layout]
name = "Gannet Point"
hold_off = 0.1
sequence = false
[blocks]
d3 = {}
j1 = {}
d4 = {}
q1 = {}
[turnouts]
t1 = { block = "j1" }
[lines]
main = "d3 > j1[t1 normal] > d4"
quay = "d3 > j1[t1 reverse] > q1"
[signals]
M2 = { at = "d3 > j1", controlled = true }
[transports.club]
kind = "mqtt"
port = PORT
base = "gannet"
requests = true
[[bindings]]
device = "*"
transport = "club"
"""


async def test_the_program_waits_for_its_route_and_another_asks_meanwhile(
    broker: Broker, tmp_path: Path
) -> None:
    [program] = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    [payload] = re.findall(r"-t gannet/request -m '(.*)'", PAGE)
    (tmp_path / "layout.toml").write_text(LAYOUT.replace("PORT", str(broker.port)))
    listener = await broker.listen("gannet/outcome", "-t", "gannet/listening")
    # The program ends when its route is set and everything is held: the broker's client asks first.
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-u", "-c", program),
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    first = (await process.stdout.readline()).decode()
    assert first.startswith("waiting ")
    assert "block j1 is occupied" in first.lower()

    # Beyond the second after connecting, in which a request may be one from before.
    await until(lambda: len(listener.lines) >= 3, "it listens", listener.lines)
    await broker.publish("gannet/request", payload)
    await until(lambda: "gannet/outcome" in listener.latest, "an outcome", listener.lines)
    outcome = json.loads(listener.latest["gannet/outcome"])
    asked = json.loads(payload)
    assert (outcome["id"], outcome["request"]) == (asked["id"], "set M2/quay")
    assert outcome["outcome"] == "refused"
    assert "block j1 is occupied" in outcome["reason"]

    for name in ("d3", "j1", "d4", "q1"):
        await broker.publish(f"gannet/report/detector/{name}", "clear")
    await broker.publish("gannet/report/turnout/t1", "reverse")
    rest = (await process.stdout.read()).decode()
    assert await process.wait() == 0
    assert rest == "", "it was set"
