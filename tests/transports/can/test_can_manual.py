"""The layouts in docs/can-bus.md can be used as they stand, and its lists are whole."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from signalling.controller.load import make_links
from signalling.table.load import load_table
from transports.can import CanTransport
from transports.can.options import _KEYS
from transports.can.own import _ORDERS, _REPORTS
from transports.can.protect import Verdict

HERE = Path(__file__).parent
PAGE = (HERE.parents[2] / "docs" / "can-bus.md").read_text("utf-8")
LAYOUTS = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


def transport(text: str, folder: Path) -> CanTransport:
    file = folder / "layout.toml"
    file.write_text(text)
    (link,) = make_links(load_table(file), None, folder)
    assert isinstance(link.transport, CanTransport)
    assert link.timing.refresh == 0.25
    return link.transport


def test_nodes_of_our_own_schema(tmp_path: Path) -> None:
    bindings = transport(LAYOUTS[0], tmp_path)._bindings
    assert {str(report.device) for report in bindings.own_reports} == {
        *(f"detector {name}" for name in ("d1", "d2", "j1", "d3", "q1")),
        "turnout t1",
        "lamps M3",
        "stop S2",
    }
    assert bindings.nodes == [3, 4]
    assert len(bindings.own_groups) == 3


def test_foreign_devices(tmp_path: Path) -> None:
    shutil.copy(HERE / "merrow.dbc", tmp_path)
    track = '[layout]\nname = "Merrow Bay"\n[blocks]\nd1 = {}\nd2 = {}\n[lines]\n'
    track += 'main = "d1 > d2"\n[signals]\nM3 = { at = "d1 > d2", aspects = 3 }\n'
    bindings = transport(track + LAYOUTS[1], tmp_path)._bindings
    assert [report.signal.name for report in bindings.foreign_reports] == ["Section_1", "Section_2"]
    assert [sorted(map(str, group.devices)) for group in bindings.foreign_groups] == [["signal M3"]]


def cells(heading: str) -> list[list[str]]:
    block = next(block for block in PAGE.split("\n\n") if block.startswith(f"| {heading} "))
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in block.splitlines()[2:]]


def test_every_key_of_the_transport_is_there() -> None:
    keys = {key for row in cells("key of the transport") for key in re.findall(r"`(\w+)`", row[0])}
    assert keys == set(_KEYS)


@pytest.mark.parametrize(("column", "frames"), [(1, _REPORTS), (2, _ORDERS)])
def test_every_kind_is_there(column: int, frames: dict[str, tuple[str, str]]) -> None:
    described = {}
    for row in cells("device"):
        frame = re.search(r"`(\w+)`", row[column] if column < len(row) else "")
        for kind in re.findall(r"[a-z]+", re.sub(r"\(.*\)", "", row[0])):
            if frame is not None:
                described[kind] = frame[1]
    assert described == {kind: frame for kind, (frame, _) in frames.items()}


def test_every_reason_is_there() -> None:
    described = {name for row in cells("reason") for name in re.findall(r"`([\w-]+)`", row[0])}
    verdicts = {str(verdict) for verdict in Verdict} - {"good", "syncing"}
    in_code = set()
    for file in (HERE.parents[2] / "transports" / "can").glob("*.py"):
        if not file.name.startswith("node"):
            text = file.read_text("utf-8")
            in_code |= set(re.findall(r'RejectedInputError\(\s*"([\w-]+)"', text))
            in_code |= set(re.findall(r'rejected\["([\w-]+)"\]', text))
    assert described >= verdicts | in_code
    assert {"truncated", "crc", "lost", "same-number", "another-controller"} <= in_code
