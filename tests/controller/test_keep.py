"""What is out of use is kept over the end of the program, whatever ends it."""

from __future__ import annotations

import asyncio
import json
import os
from datetime import datetime
from pathlib import Path

import pytest

from signalling.controller import Controller
from signalling.controller import keep as module
from signalling.controller.keep import Keeper, beside
from signalling.core.interlocking import Interlocking
from signalling.core.words import GiveBack, Refusal, TakeOut
from signalling.errors import LayoutError, UnreadableFileError
from signalling.layout.asking import Stage
from signalling.layout.out_of_use import Thing
from signalling.layout.words import Device
from tests.rig import table_from
from transports.loopback import LoopbackBench

GANNET = """
[layout]
name = "Gannet Point"
[blocks]
d1 = {}
d2 = {}
d3 = {}
[lines]
main = "d1 > d2 > d3 > d1"
[signals]
M1 = { at = "d1 > d2", aspects = 4 }
M2 = { at = "d2 > d3", aspects = 4 }
M3 = { at = "d3 > d1", aspects = 3 }
"""
RECORD = {
    "kind": "block",
    "name": "d2",
    "person": "Ann",
    "reason": "a broken rail",
    "since": "2026-02-03T10:11:12+01:00",
}
TAKE = TakeOut(Thing.BLOCK, "d2", "Ann", "a broken rail")
M1 = Device("signal", "M1")


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    file = tmp_path / "gannet.toml"
    file.write_text(GANNET)
    return file


def content(*records: object, **other: object) -> str:
    return json.dumps({"version": 1, "layout": "Gannet Point", "out_of_use": list(records)} | other)


async def clear(bench: LoopbackBench) -> None:
    for name in ("d1", "d2", "d3"):
        bench.report(Device("detector", name), "clear")
    await asyncio.sleep(5)


async def test_it_is_kept_beside_the_layout_until_it_is_given_back(layout: Path) -> None:
    bench = LoopbackBench()
    async with Controller(layout, bench) as controller:
        await clear(bench)
        assert bench.orders[M1] == "clear"
        assert not isinstance(controller.request(TAKE), Refusal)
        assert beside(layout).name == "gannet.out-of-use.json"
        (kept,) = json.loads(beside(layout).read_text())["out_of_use"]
        (record,) = controller.status().out_of_use
        assert kept["since"] == record.since
        assert datetime.fromisoformat(record.since).tzinfo is not None
    bench = LoopbackBench()
    said: list[str] = []
    bench.on_order = lambda order: said.append(f"{order.device}={order.value}")
    async with Controller(layout, bench) as controller:
        assert controller.status().out_of_use == (record,)
        assert controller.status().out_of_use[0].since == record.since
        await clear(bench)
        assert {each for each in said if each.startswith("signal M1=")} == {"signal M1=danger"}
        assert not isinstance(controller.request(GiveBack(Thing.BLOCK, "d2", "Ann")), Refusal)
        assert json.loads(beside(layout).read_text())["out_of_use"] == []
    async with Controller(layout, LoopbackBench()) as controller:
        assert controller.status().out_of_use == ()


async def test_changes_tell_it(layout: Path) -> None:
    bench = LoopbackBench()
    async with Controller(layout, bench) as controller:
        changes = controller.changes()
        assert (await anext(changes)).out_of_use == ()
        controller.request(TakeOut(Thing.ROUTE, "M1/main", "Ann", "x"))
        assert [each.name for each in (await anext(changes)).out_of_use] == ["M1/main"]
        controller.request(GiveBack(Thing.ROUTE, "M1/main", "Ann"))
        assert (await anext(changes)).out_of_use == ()


async def test_a_link_can_ask_for_it_in_words(layout: Path) -> None:
    async with Controller(layout, LoopbackBench()) as controller:
        ask = controller.ask("take-out block d2 Ann a broken rail")
        assert ask.outcome.stage is Stage.TAKEN
        assert controller.status().out_of_use == (TAKE,)
        assert controller.ask("give-back block d2 Bea").outcome.stage is Stage.REFUSED
        assert controller.ask("give-back block d2 Ann").outcome.stage is Stage.TAKEN


async def test_another_file_can_be_named_and_a_table_has_none(layout: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    async with Controller(layout, LoopbackBench(), state=other) as controller:
        controller.request(TAKE)
    assert other.exists()
    assert not beside(layout).exists()
    async with Controller(table_from(GANNET), LoopbackBench()) as controller:
        assert not isinstance(controller.request(TAKE), Refusal)


async def test_where_it_cannot_be_written_it_is_out_of_use_all_the_same(
    layout: Path, tmp_path: Path
) -> None:
    state = tmp_path / "away" / "state.json"  # a folder that is not there
    bench = LoopbackBench()
    async with Controller(layout, bench, state=state) as controller:
        await clear(bench)
        answer = controller.request(TAKE)
        assert isinstance(answer, Refusal)
        assert answer.reason.startswith(
            "Block d2 is out of use now, but will not be after the program was ended: "
            f"{state} cannot be written (No such file or directory)."
        )
        await clear(bench)
        assert bench.orders[M1] == "danger"
        state.parent.mkdir()
        assert not isinstance(controller.request(TAKE), Refusal), "asked again, it is kept"
        assert json.loads(state.read_text())["out_of_use"][0]["name"] == "d2"


async def test_where_it_cannot_be_written_nothing_is_given_back(
    layout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    bench = LoopbackBench()
    async with Controller(layout, bench) as controller:
        controller.request(TAKE)
        before = beside(layout).read_text()
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", full)
            answer = controller.request(GiveBack(Thing.BLOCK, "d2", "Ann"))
        assert isinstance(answer, Refusal)
        assert answer.reason.startswith("Block d2 stays out of use: ")
        assert "No space left on device" in answer.reason
        assert controller.status().out_of_use == (TAKE,)
        assert beside(layout).read_text() == before
        assert sorted(path.name for path in layout.parent.iterdir()) == [
            "gannet.out-of-use.json",
            "gannet.toml",
        ]


async def test_two_programs_on_one_record_do_not_undo_each_other(layout: Path) -> None:
    other = TakeOut(Thing.BLOCK, "d3", "Bea", "a wagon off the road")
    one, two = Controller(layout, LoopbackBench()), Controller(layout, LoopbackBench())
    async with one, two:
        assert not isinstance(one.request(TAKE), Refusal)
        before = beside(layout).read_text()
        answer = two.request(other)
        assert isinstance(answer, Refusal)
        assert "was written by somebody else since it was read here" in answer.reason
        assert two.status().out_of_use[0].name == "d3", "it holds while the program runs"
        assert isinstance(two.request(GiveBack(Thing.BLOCK, "d3", "Bea")), Refusal)
        assert beside(layout).read_text() == before
        assert not isinstance(one.request(other), Refusal), "who wrote last can go on"
        assert not isinstance(one.request(GiveBack(Thing.BLOCK, "d3", "Bea")), Refusal)


def test_it_is_on_the_disk_before_it_has_its_name(
    layout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def synced(number: int) -> None:
        done.append("sync")
        fsync(number)

    def replaced(self: Path, target: Path) -> Path:
        done.append(f"{self.name} > {target.name}")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    assert Keeper(beside(layout), table_from(GANNET)).save((TAKE,)) == ""
    name = beside(layout).name
    assert done == ["sync", f"{name}.new > {name}", "sync"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "This is not JSON"),
        (content(RECORD)[:-9], "This is not JSON"),
        ("[" * 100_000, "This is not JSON"),
        ("[]", "It has not just the keys"),
        (content(RECORD, more=1), "It has not just the keys"),
        (content(RECORD, version=2), "It is of version 2"),
        (content(RECORD, version=True), "It is of version True"),
        (content(RECORD, layout="Merrow Bay"), "kept for the layout 'Merrow Bay'"),
        (content(RECORD, out_of_use={}), '"out_of_use" is not a list'),
        (content(RECORD).replace('"name"', '"kind"'), "a key is there twice"),
        (content("d2"), "It has not just the keys"),
        (content({**RECORD, "until": "now"}), "It has not just the keys"),
        (content({**RECORD, "person": 7}), "Not every value is text"),
        (content({**RECORD, "kind": "train"}), "'train' is none of block, turnout"),
        (content({**RECORD, "name": "d9"}), "There is no block 'd9'"),
        (content({**RECORD, "person": ""}), "Say who"),
        (content({**RECORD, "reason": "x\x1b[2J"}), "Say why"),
        (content(RECORD, {**RECORD, "reason": "other"}), "took block d2 out of use twice"),
    ],
)
def test_a_file_that_is_not_plainly_right_stops_the_start(
    layout: Path, text: str, said: str
) -> None:
    beside(layout).write_text(text)
    with pytest.raises(LayoutError) as caught:
        Controller(layout, LoopbackBench())
    assert caught.value.findings
    for finding in caught.value.findings:
        assert said in finding.message
        assert finding.file == str(beside(layout))
        assert finding.remedy
        assert "\x1b" not in str(finding)
    assert beside(layout).read_text() == text, "nothing is thrown away"


def test_every_record_that_is_wrong_is_told_with_its_line(layout: Path) -> None:
    keeper = Keeper(beside(layout), table_from(GANNET))
    keeper.save(
        (
            TakeOut(Thing.BLOCK, "d7", "Ann", "gone"),
            TAKE,
            TakeOut(Thing.SIGNAL, "M9", "Bea", "gone, too"),
        )
    )
    with pytest.raises(LayoutError) as caught:
        keeper.load(Interlocking(table_from(GANNET)))
    assert str(caught.value) == (
        f"{beside(layout)}:5: error: out of use, record 1: There is no block 'd7'. ('Ann' said: "
        "'gone'.) Where it has another name in the layout file now, write that name here; where "
        "it is gone for good, take the record out of this file.\n"
        f"{beside(layout)}:7: error: out of use, record 3: There is no signal 'M9'. ('Bea' said: "
        "'gone, too'.) Where it has another name in the layout file now, write that name here; "
        "where it is gone for good, take the record out of this file."
    )


@pytest.mark.parametrize("what", ["folder", "bytes", "large"])
def test_what_cannot_be_read_at_all_stops_the_start(
    layout: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if what == "folder":
        beside(layout).mkdir()
    else:
        beside(layout).write_bytes(b'{"\xff": 1}' if what == "bytes" else b" " * 100)
        monkeypatch.setattr(module, "_LARGEST", 50)
    with pytest.raises(UnreadableFileError) as caught:
        Controller(layout, LoopbackBench())
    assert caught.value.file == str(beside(layout))
    assert caught.value.remedy


def test_names_in_any_writing_are_kept(layout: Path) -> None:
    table = table_from(GANNET)
    keeper, interlocking = Keeper(beside(layout), table), Interlocking(table)
    record = TakeOut(
        Thing.BLOCK, "d2", "Zoë", 'a "rail" \\ 線路', since="2026-01-01T00:00:00+00:00"
    )
    keeper.save((record,))
    keeper.load(interlocking)
    assert interlocking.out_of_use == (record,)
