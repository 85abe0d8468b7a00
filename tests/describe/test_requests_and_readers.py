"""What people and readers say of names."""

from __future__ import annotations

import pytest

from signalling.core.words import (
    NameRequest,
    NameTrain,
    StepTrain,
    UnnameBlock,
    UnnameTrain,
)
from tests.describe.named import RING, Named

READERS = (
    RING
    + """
[readers]
gate = { at = "a > b", reads = { "04:A1" = "1A23", "04:A2" = "2B40" } }
shed = { block = "d" }
"""
)


def bench(*occupied: str, text: str = READERS) -> Named:
    made = Named(text).all_clear()
    assert isinstance(made, Named)
    made.occupied(*occupied)
    return made


# -- requests -----------------------------------------------------------------------------


def test_a_name_is_set_corrected_and_taken_away() -> None:
    made = bench("a")
    assert made.say(NameTrain("a", "1A23")) is None
    assert made.berths() == {"a": "1A23"}
    assert made.say(NameTrain("a", "1A32")) is None
    assert made.berths() == {"a": "1A32"}
    assert made.describer.where("1A23") is None
    assert made.say(UnnameBlock("a")) is None
    assert made.berths() == {}


def test_a_corrected_name_keeps_what_is_known_of_the_train() -> None:
    made = bench("a")
    made.say(NameTrain("a", "1A23"))
    made.occupied("b")
    made.say(NameTrain("b", "1A32"))
    made.clear("b").wait(2)
    assert made.berths() == {"a": "1A32"}


def test_one_of_several_names_is_taken_away() -> None:
    made = bench("a")
    made.say(NameTrain("a", "1A23"))
    made.say(NameTrain("a", "2B40", also=True))
    assert made.berths() == {"a": "1A23 2B40"}
    assert made.say(UnnameTrain("a", "1A23")) is None
    assert made.berths() == {"a": "2B40"}


def test_one_name_in_place_of_several() -> None:
    made = bench("a")
    made.say(NameTrain("a", "1A23"))
    made.say(NameTrain("a", "2B40", also=True))
    made.say(NameTrain("a", "3C50"))
    assert made.berths() == {"a": "3C50"}


def test_a_name_is_carried_to_where_its_train_is() -> None:
    made = bench("a", "d")
    made.say(NameTrain("a", "1A23"))
    assert made.say(StepTrain("1A23", "d")) is None
    assert made.berths() == {"d": "1A23"}
    made.occupied("b").occupied("e")
    assert made.berths() == {"e": "1A23"}, "what stands in a has no name now"


def test_a_name_can_be_set_where_nothing_is_seen_yet() -> None:
    made = bench()
    assert made.say(NameTrain("a", "1A23")) is None
    assert made.berths() == {"a": "1A23?"}
    made.occupied("a")
    assert made.berths() == {"a": "1A23"}


@pytest.mark.parametrize(
    ("request_", "reason"),
    [
        (NameTrain("z", "3C50"), "There is no block 'z'."),
        (StepTrain("1A23", "z"), "There is no block 'z'."),
        (UnnameBlock("z"), "There is no block 'z'."),
        (NameTrain("d", "1A23"), "Train 1A23 stands in block a, and no two trains may have"),
        (NameTrain("d", "a b"), "'a b' is no name of a train"),
        (NameTrain("d", "x" * 17), f"{'x' * 17!r} is no name of a train"),
        (NameTrain("d", "?"), "'?' is no name of a train"),
        (NameTrain("d", "empty"), "No train can be called 'empty'"),
        (NameTrain("d", "none"), "No train can be called 'none'"),
        (StepTrain("2B40", "d"), "No train is called '2B40'. Say `name d 2B40`."),
        (UnnameBlock("d"), "No name stands in block d."),
        (UnnameTrain("d", "1A23"), "No train '1A23' stands in block d."),
    ],
)
def test_what_makes_no_sense_is_refused(request_: NameRequest, reason: str) -> None:
    made = bench("a", "d")
    made.say(NameTrain("a", "1A23"))
    assert (made.say(request_) or "").startswith(reason)
    assert made.berths() == {"a": "1A23"}


# -- readers ---------------------------------------------------------------------------------


def test_a_reader_names_a_train() -> None:
    made = bench("d").read("shed", "4D10")
    assert made.berths() == {"d": "4D10"}
    assert made.doubts() == []


def test_a_reader_at_a_joint_names_what_is_seen_there() -> None:
    made = bench("a").read("gate", "04:A1")
    assert made.berths() == {"a": "1A23"}
    made.occupied("b").read("gate", "none").read("gate", "04:A1")
    assert made.berths() == {"b": "1A23"}


def test_a_reader_ends_a_doubt() -> None:
    made = bench("d").read("shed", "4D10").read("shed", "none")
    made.clear("d").wait(2).occupied("d")
    assert made.berths() == {"d": "4D10?"}
    made.read("shed", "4D10")
    assert made.berths() == {"d": "4D10"}


def test_a_reader_tells_which_of_two_trains_came() -> None:
    made = bench("a", "c")
    made.say(NameTrain("a", "1A23"))
    made.say(NameTrain("c", "2B40"))
    made.occupied("b")
    assert made.berths() == {"a": "1A23", "c": "2B40"}
    made.read("gate", "04:A1")
    assert made.berth("a") == "1A23", "it is read at the joint, and stands on one side of it"


def test_a_lost_train_is_found_by_a_reader() -> None:
    made = bench("a", "f")
    made.say(NameTrain("f", "4D10"))
    made.clear("f").wait(2)
    assert made.berths() == {"f": "4D10?"}
    made.occupied("d").read("shed", "4D10")
    assert made.berths() == {"d": "4D10"}


def test_a_name_that_is_read_far_from_where_it_stands_is_in_doubt() -> None:
    made = bench("a", "d")
    made.say(NameTrain("a", "1A23"))
    made.read("shed", "1A23")
    assert made.berths() == {"d": "1A23?"}
    assert made.doubts() == ["1A23"]


def test_another_name_where_one_stands_alone_puts_it_in_doubt() -> None:
    made = bench("d")
    made.say(NameTrain("d", "1A23"))
    made.read("shed", "4D10")
    assert made.berths() == {"d": "1A23? 4D10"}
    assert made.doubts() == ["1A23"]


def test_a_name_beside_an_unnamed_train_puts_nothing_in_doubt() -> None:
    made = bench("b", "d")
    made.say(NameTrain("b", "1A23"))
    made.occupied("c").clear("b").wait(2)  # 1A23, or the unnamed one has backed
    made.read("shed", "4D10")
    assert made.berths() == {"c": "1A23", "d": "4D10"}


def test_what_is_said_again_counts_once() -> None:
    made = bench("d").read("shed", "4D10")
    made.occupied("e").clear("d").wait(2)
    made.read("shed", "4D10")
    assert made.berths() == {"e": "4D10"}
    made.read("shed", None).read("shed", "none")
    assert made.berths() == {"e": "4D10"}


def test_what_is_no_name_raises_an_alarm_until_something_else_is_read() -> None:
    made = bench("d").read("shed", "4D 10")
    assert made.berths() == {}
    [alarm] = made.describer.alarms
    assert (alarm.kind, alarm.thing) == ("misread", "reader shed")
    assert "'4D 10' is no name of a train" in alarm.sentence
    made.read("shed", "4D10")
    assert made.describer.alarms == ()


def test_an_unknown_tag_raises_an_alarm() -> None:
    made = bench("a").read("gate", "04:A9")
    [alarm] = made.describer.alarms
    assert alarm.sentence.startswith("Nothing in `reads` is '04:A9'")


def test_a_train_is_read_where_nothing_is_seen() -> None:
    made = bench().read("shed", "4D10")
    assert made.berths() == {"d": "4D10?"}
