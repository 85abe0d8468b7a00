"""Occupancy: hold-off, unknown detectors, beams, and trains that cannot vanish.

Hold-off 1.5 s, and that a train cannot vanish, are common practice.
"""

from __future__ import annotations

import pytest

from signalling.core.words import ConfirmBlock, Refusal, RestoreBlock
from tests.rig import Rig, ring_text

LINE = """
[layout]
name = "Line"
sequence = false
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
S = { at = "a > b", aspects = 3, hidden = [] }
"""

BEAMS = """
[layout]
name = "Beams"
[blocks]
a = {}
b = {}
c = {}
[lines]
main = "a > b > c"
[signals]
S = { at = "a > b", aspects = 2 }
T = { at = "b > c", aspects = 2, hidden = [] }
[detectors]
a = { block = "a" }
in = { at = "a > b" }
out = { at = "b > c" }
c = { block = "c" }
"""


def test_occupied_at_once_and_clear_only_after_the_hold_off() -> None:
    rig = Rig(LINE).all_clear()
    assert rig.aspect("S") == "clear"
    rig.occupied("b")
    assert rig.aspect("S") == "danger"
    rig.clear("b")
    assert rig.block("b")
    rig.wait(1.499)
    assert rig.block("b")
    assert rig.aspect("S") == "danger"
    rig.wait(0.001)
    assert not rig.block("b")
    assert rig.aspect("S") == "clear"


def test_a_flicker_starts_the_hold_off_again() -> None:
    rig = Rig(LINE).all_clear().occupied("b").clear("b").wait(1.0).occupied("b").clear("b")
    rig.wait(1.4)
    assert rig.block("b")
    rig.wait(0.1)
    assert not rig.block("b")


def test_a_block_can_have_its_own_hold_off() -> None:
    rig = Rig(LINE.replace("b = {}", "b = { hold_off = 4 }")).all_clear().occupied("b").clear("b")
    rig.wait(3.9)
    assert rig.block("b")
    rig.wait(0.1)
    assert not rig.block("b")


@pytest.mark.parametrize("value", [None, "nonsense", "OCCUPIED"])
def test_whatever_is_unknown_is_occupied(value: str | None) -> None:
    rig = Rig(LINE).all_clear().report("detector", "b", value)
    assert rig.block("b")
    assert rig.aspect("S") == "danger"


def test_two_detectors_of_a_block_must_both_be_clear() -> None:
    rig = Rig(LINE + "[detectors]\nb1 = { block = 'b' }\nb2 = { block = 'b' }\n").all_clear()
    assert not rig.block("b")
    rig.occupied("b2").wait(9)
    assert rig.block("b")
    rig.clear("b2").unknown("b1").wait(9)
    assert rig.block("b")


def test_late_advance_gives_what_timely_ones_would_have_given() -> None:
    late = Rig(LINE).all_clear().occupied("b").clear("b").wait(30)
    timely = Rig(LINE).all_clear().occupied("b").clear("b")
    for _ in range(300):
        timely.wait(0.1)
    assert late.orders == timely.orders


def test_a_clock_that_jumps_back_changes_nothing() -> None:
    rig = Rig(LINE).all_clear().occupied("b").clear("b").wait(1.0)
    rig.interlocking.advance(0)
    rig.interlocking.observe((), 5)
    rig.wait(0.4)
    assert rig.block("b")
    rig.wait(0.1)
    assert not rig.block("b")


# -- beams ------------------------------------------------------------------------------


def restored(rig: Rig, block: str) -> bool:
    """Let a person restore a block, in two acts; return whether both were taken."""
    return rig.ask(RestoreBlock(block)) is None and rig.ask(ConfirmBlock(block)) is None


def emptied() -> Rig:
    rig = Rig(BEAMS).all_clear()
    assert rig.block("b"), "nothing has been seen of a block between beams at the start"
    assert restored(rig, "b")
    assert not rig.block("b")
    return rig


def test_between_beams_a_block_is_occupied_until_the_far_beam_is_clear_again() -> None:
    rig = emptied().occupied("in")
    assert rig.block("b")
    rig.clear("in").wait(20)
    assert rig.block("b"), "the train is between the beams, unseen"
    rig.occupied("out").wait(3)
    assert rig.block("b")
    rig.clear("out").wait(1.4)
    assert rig.block("b")
    rig.wait(0.1)
    assert not rig.block("b")
    assert rig.aspect("S") == "clear"


def test_gaps_between_wagons_do_not_free_a_block() -> None:
    rig = emptied().occupied("in").clear("in").wait(5)
    for _ in range(6):
        rig.occupied("out").wait(0.4).clear("out").wait(0.8)
    assert rig.block("b")
    rig.wait(0.7)
    assert not rig.block("b")


def test_a_long_train_in_both_beams_frees_only_when_both_are_clear() -> None:
    rig = emptied().occupied("in").occupied("out").wait(2).clear("out").wait(9)
    assert rig.block("b"), "the train still stands in the entry beam"
    rig.occupied("out").clear("in").wait(5)
    assert rig.block("b")
    rig.clear("out").wait(1.5)
    assert not rig.block("b")


def test_a_beam_that_comes_back_from_unknown_is_no_train_that_left() -> None:
    rig = emptied().occupied("in").clear("in").wait(5)
    rig.unknown("out").wait(5).clear("out").wait(60)
    assert rig.block("b")
    rig.occupied("out").unknown("out").wait(1).clear("out").wait(60)
    assert rig.block("b"), "what the beam saw before it was lost does not count"


def test_leaving_by_the_entry_beam_frees_nothing() -> None:
    rig = emptied().occupied("in").clear("in").wait(5).occupied("in").clear("in").wait(60)
    assert rig.block("b")
    assert restored(rig, "b")
    assert not rig.block("b")


def test_restoring_while_a_beam_is_broken_does_not_clear() -> None:
    rig = emptied().occupied("in")
    refusal = rig.ask(RestoreBlock("b"))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == ("Block b cannot be restored now: detector in reports occupied.")
    assert isinstance(rig.ask(ConfirmBlock("b")), Refusal)
    assert rig.block("b")
    rig.clear("in").wait(20)
    assert rig.block("b")


def test_beams_on_a_line_run_both_ways() -> None:
    text = BEAMS.replace("[detectors]", "U = { at = 'c > b', aspects = 2 }\n[detectors]")
    rig = Rig(text).all_clear()
    assert restored(rig, "b")
    assert not rig.block("b")
    rig.occupied("out").clear("out").wait(5)
    assert rig.block("b")
    rig.occupied("out").clear("out").wait(5)
    assert rig.block("b"), "it went in by this beam: it may only be moving to and fro"
    rig.occupied("in").clear("in").wait(5)
    assert not rig.block("b")


# -- a train cannot vanish ----------------------------------------------------------------


def circle(**settings: str) -> Rig:
    text = "\n".join(f"{key} = {value}" for key, value in settings.items())
    return Rig(ring_text([4] * 6, settings=text)).all_clear()


def test_a_train_that_is_seen_to_move_on_leaves_its_block_clear() -> None:
    rig = circle().run("b0", "b1", "b2", "b3", "b4", "b5", "b0", "b1")
    assert [rig.block(f"b{index}") for index in range(6)] == [False, True] + [False] * 4
    assert rig.alarms() == []


def test_a_train_that_vanishes_keeps_its_block_and_both_neighbours() -> None:
    rig = circle().run("b0", "b1", "b2").clear("b2").wait(100)
    assert [rig.block(f"b{index}") for index in range(6)] == [False, True, True, True, False, False]
    assert rig.alarms() == [("train-lost", "block b2")]
    assert rig.aspect("S1") == "danger"
    assert rig.aspect("S2") == "danger"
    assert rig.aspect("S3") == "danger"


@pytest.mark.parametrize("where", ["b1", "b2", "b3"])
def test_a_lost_train_that_is_found_frees_the_others(where: str) -> None:
    rig = circle().run("b0", "b1", "b2").clear("b2").wait(10).occupied(where).wait(10)
    assert rig.alarms() == []
    assert [name for name in ("b1", "b2", "b3") if rig.block(name)] == [where]


def test_a_lost_train_elsewhere_is_not_found() -> None:
    rig = circle().run("b0", "b1", "b2").clear("b2").wait(10).occupied("b5").wait(10)
    assert rig.alarms() == [("train-lost", "block b2")]


def test_a_person_restores_a_lost_train() -> None:
    rig = circle().run("b0", "b1", "b2").clear("b2").wait(10)
    assert restored(rig, "b2")
    assert rig.alarms() == []
    assert not any(rig.block(f"b{index}") for index in range(6))


# -- restoring takes two acts -------------------------------------------------------------


def lost() -> Rig:
    """A circle in which a train vanished in b2."""
    return circle().run("b0", "b1", "b2").clear("b2").wait(10)


def refused(rig: Rig, request: RestoreBlock | ConfirmBlock) -> str:
    refusal = rig.ask(request)
    assert isinstance(refusal, Refusal)
    return refusal.reason


def test_the_first_act_alone_changes_nothing() -> None:
    for rig, block in ((lost(), "b2"), (Rig(BEAMS).all_clear(), "b")):
        orders = len(rig.orders)
        for _ in range(3):  # nor does the same act again
            assert rig.ask(RestoreBlock(block)) is None
            rig.wait(5)
        assert rig.block(block)
        assert len(rig.orders) == orders


def test_the_second_act_alone_is_refused() -> None:
    rig = lost()
    assert refused(rig, ConfirmBlock("b2")) == (
        "Block b2 cannot be restored now: nobody has declared block b2 empty of late. "
        "Say `restore b2` first."
    )
    assert rig.alarms() == [("train-lost", "block b2")]


def test_a_declaration_lapses() -> None:
    rig = lost()
    assert rig.ask(RestoreBlock("b2")) is None
    rig.wait(29.999)
    assert rig.ask(RestoreBlock("b2")) is None, "said again, it counts from then"
    rig.wait(30)
    refused(rig, ConfirmBlock("b2"))
    assert rig.alarms() == [("train-lost", "block b2")]
    assert rig.ask(RestoreBlock("b2")) is None
    rig.wait(29.999)
    assert rig.ask(ConfirmBlock("b2")) is None
    assert rig.alarms() == []


def test_a_declaration_lapses_though_nobody_looked_at_the_time() -> None:
    rig = lost()
    assert rig.ask(RestoreBlock("b2")) is None
    rig.now += 30
    refused(rig, ConfirmBlock("b2"))
    assert rig.alarms() == [("train-lost", "block b2")]


def test_what_time_changes_with_a_confirmation_that_is_refused_is_told_next() -> None:
    rig = Rig(LINE).all_clear().occupied("b").clear("b")
    assert rig.aspect("S") == "danger"
    rig.now += 5
    refused(rig, ConfirmBlock("b"))
    assert [(str(order.device), order.value) for order in rig.tell().orders[-1:]] == [
        ("signal S", "clear")
    ]


def test_the_time_in_which_to_confirm_can_be_set() -> None:
    text = ring_text([3] * 6, settings="hold_off = 0.0\nconfirm_within = 4")
    rig = Rig(text).all_clear().run("b0", "b1", "b2").clear("b2").wait(10)
    assert rig.ask(RestoreBlock("b2")) is None
    refused(rig.wait(4), ConfirmBlock("b2"))
    assert rig.ask(RestoreBlock("b2")) is None
    assert rig.wait(3.999).ask(ConfirmBlock("b2")) is None
    assert rig.alarms() == []


def test_a_declaration_is_used_up_by_its_confirmation() -> None:
    rig = lost()
    assert restored(rig, "b2")
    rig.run("b1", "b2").clear("b2").wait(10)
    assert ("train-lost", "block b2") in rig.alarms()
    refused(rig, ConfirmBlock("b2"))


@pytest.mark.parametrize("inputs", [["confirm b2"], ["restore b2", "confirm b2"]])
def test_the_equations_take_no_second_act_without_a_first_one_before(inputs: list[str]) -> None:
    rig = lost()
    evaluator, names = rig.interlocking._evaluator, rig.table.graph.names
    for name in inputs:
        evaluator.put(names[name] >> 1, value=True)
    rig.wait(1)
    assert rig.alarms() == [("train-lost", "block b2")]


def test_what_moves_between_the_acts_takes_the_declaration_back() -> None:
    rig = Rig(BEAMS).all_clear()
    assert rig.ask(RestoreBlock("b")) is None
    rig.occupied("in").wait(1).clear("in").wait(5)
    refused(rig, ConfirmBlock("b"))
    assert rig.block("b")
    rig = lost()
    assert rig.ask(RestoreBlock("b2")) is None
    rig.occupied("b2").clear("b2").wait(5)
    refused(rig, ConfirmBlock("b2"))
    assert rig.block("b2")


def test_where_there_is_nothing_to_restore_that_is_said() -> None:
    rig = circle()
    assert refused(rig, RestoreBlock("b2")) == (
        "Block b2 cannot be restored now: no train vanished in block b2."
    )
    rig = Rig(LINE).all_clear()
    for request in (RestoreBlock("b"), ConfirmBlock("b")):
        assert refused(rig, request) == (
            "Block b has nothing to restore: its detectors alone say whether it is clear."
        )
    assert restored(rig := lost(), "b2")
    assert "no train vanished" in refused(rig, RestoreBlock("b2"))


def test_the_train_behind_does_not_hide_that_the_one_ahead_vanished() -> None:
    rig = circle().run("b2", "b3")  # the train ahead stands in b3
    rig.run("b0", "b1", "b2")  # the next follows up to the signal at b3
    assert rig.alarms() == []
    rig.clear("b2").wait(10)
    assert rig.alarms() == [("train-lost", "block b2")]
    rig = circle().run("b2", "b3").run("b0", "b1", "b2").clear("b3").wait(10)
    assert rig.alarms() == [("train-lost", "block b3")]


def test_a_train_that_noses_over_a_joint_and_backs_off_is_not_lost() -> None:
    rig = circle().run("b0", "b1").occupied("b2").wait(5).clear("b2").wait(10)
    assert rig.alarms() == []
    assert rig.block("b1")
    assert not rig.block("b2")


def test_a_long_train_over_three_blocks_is_not_lost() -> None:
    rig = circle().occupied("b0").wait(2).occupied("b1").wait(2).occupied("b2").wait(2)
    rig.clear("b0").wait(2).occupied("b3").wait(2).clear("b1").wait(2).clear("b2").wait(10)
    assert rig.alarms() == []


def test_a_train_that_straddles_at_the_start_is_not_lost_as_it_moves_on() -> None:
    rig = Rig(ring_text([4] * 6)).occupied("b0", "b1").clear("b2", "b3", "b4", "b5").wait(5)
    rig.clear("b0").wait(5)
    assert rig.alarms() == []
    rig.occupied("b2").wait(3).clear("b1").wait(5)
    assert rig.alarms() == []


@pytest.mark.parametrize("first", ["b0", "b5"])
def test_starting_up_one_detector_after_another_loses_nothing(first: str) -> None:
    rig = Rig(ring_text([4] * 6)).clear(first).wait(10)
    for index in range(6):
        rig.clear(f"b{index}").wait(3)
    assert rig.alarms() == []
    assert not any(rig.block(f"b{index}") for index in range(6))


def test_after_a_link_was_lost_trains_may_be_elsewhere() -> None:
    blocks = [f"b{index}" for index in range(6)]
    rig = circle().run("b0", "b1", "b2").unknown(*blocks).wait(5)
    assert all(rig.block(name) for name in blocks)
    rig.clear("b0", "b1", "b2", "b3", "b5").occupied("b4").wait(10)
    assert rig.alarms() == []
    assert [rig.block(name) for name in blocks] == [False] * 4 + [True, False]


def test_one_silent_detector_does_not_hide_a_vanished_train() -> None:
    rig = circle().run("b0", "b1", "b2").unknown("b2").wait(5).clear("b2").wait(10)
    assert rig.alarms() == [("train-lost", "block b2")]


def test_a_train_that_moved_on_while_its_detector_was_silent_is_not_lost() -> None:
    rig = circle().run("b0", "b1", "b2").unknown("b2").wait(5)
    rig.occupied("b3").wait(3).occupied("b4").wait(3).clear("b3").wait(3).clear("b2").wait(10)
    assert rig.alarms() == []


def test_sequence_is_off_where_the_track_leaves_the_scene() -> None:
    rig = Rig(LINE.replace("sequence = false", "")).all_clear().occupied("c").wait(3).clear("c")
    rig.wait(10)
    assert rig.alarms() == []
    rig.occupied("b").wait(3).clear("b").wait(10)
    assert rig.alarms() == [("train-lost", "block b")]


def test_sequence_can_be_turned_off_for_a_block() -> None:
    text = LINE.replace("sequence = false", "").replace("b = {}", "b = { sequence = false }")
    rig = Rig(text).all_clear().occupied("b").wait(3).clear("b").wait(10)
    assert rig.alarms() == []
    assert not rig.block("b")
