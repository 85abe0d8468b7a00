"""Names over a real broker: in the user's own terms, and by our own schema."""

from __future__ import annotations

from pathlib import Path

from signalling.controller import Controller
from tests.conftest import Broker, until
from tests.describe.named import RING
from tests.mqtt_node import PyNode

PLAIN = """
[readers]
gate = { at = "a > b", reads = { "04A1" = "1A23" } }
[transports.club]
kind = "mqtt"
port = PORT
base = "tern"
requests = true
[[bindings]]
device = "*"
transport = "club"
[[bindings]]
device = "reader *"
transport = "club"
report = { topic = "tag/{name}", pointer = "/id" }
fresh = 5
[[bindings]]
device = "berth *"
transport = "club"
order = { topic = "board/{name}", template = '{"train": "{value}"}', values = { empty = "" } }
"""

OWN = """
[readers]
gate = { at = "a > b" }
[transports.club]
kind = "mqtt"
port = PORT
base = "tern"
schema = 1
[[bindings]]
device = "*"
transport = "club"
report = { node = "hall" }
order = { node = "hall" }
"""


def layout(folder: Path, broker: Broker, bindings: str) -> Path:
    file = folder / "tern.toml"
    text = RING.replace("describer = true", "hold_off = 0.1") + bindings
    file.write_text(text.replace("PORT", str(broker.port)))
    return file


async def test_in_the_user_s_own_terms(broker: Broker, tmp_path: Path) -> None:
    board = await broker.listen("board/#")
    async with Controller(layout(tmp_path, broker, PLAIN)) as controller:
        await board.until("board/b", '{"train": ""}')
        for block in "bcdefg":
            await broker.publish(f"tern/report/detector/{block}", "clear")
        await broker.publish("tern/report/detector/a", "occupied")
        seen = controller.interlocking.holds
        await until(lambda: not any(seen(f"block {block} seen") for block in "bcdefg"), "all clear")
        await broker.publish("tag/gate", '{"id": "04A1"}')
        await board.until("board/a", '{"train": "1A23"}')
        await broker.publish("tern/report/detector/b", "occupied")
        await board.until("board/b", '{"train": "1A23"}')
        await board.until("board/a", '{"train": ""}')
        outcome = await controller.ask("name b 2B40 also")
        assert outcome.reason == ""
        await board.until("board/b", '{"train": "1A23 2B40"}')
    await board.until("board/b", '{"train": ""}')


async def test_by_our_own_schema(broker: Broker, tmp_path: Path) -> None:
    signals = {name: {"aspect": "danger"} for name in "ABCDEFG"}
    berths = dict.fromkeys("abcdefg", "empty")
    node = PyNode("tern", "hall", "TS-1", {"signal": signals, "berth": berths}, port=broker.port)
    async with node, Controller(layout(tmp_path, broker, OWN)):
        node.report("detector", a="occupied", **dict.fromkeys("bcdefg", "clear"))
        node.report("reader", gate="none")
        await until(lambda: node.shown["signal"]["B"]["aspect"] == "clear", "everything is known")
        node.report("reader", gate="1A23")
        await until(lambda: node.shown["berth"]["a"] == "1A23", "the name", node.shown)
        node.report("detector", b="occupied")
        await until(lambda: node.shown["berth"]["b"] == "1A23", "it steps", node.shown)
        assert node.shown["berth"]["a"] == "empty"
