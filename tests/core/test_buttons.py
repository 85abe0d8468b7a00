"""Push buttons: which presses ask for what, and which for nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from signalling.core.buttons import BOUNCE, Buttons, Lamps, Wish
from signalling.core.words import CancelRoute, HoldAll, SetRoute
from signalling.errors import ConfigurationError
from signalling.layout.words import Device, Report
from tests.rig import SECOND, Rig, table_from

# From A to B along the main line, or into the bay; from B on to C.
LAYOUT = """
[layout]
name = "Curlew Bay"
[blocks]
a = {}
j = {}
b = {}
c = {}
d = {}
bay = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > b > c > d"
bay = "a > j[t reverse] > bay"
[signals]
A = { at = "a > j", controlled = true }
B = { at = "b > c", controlled = true }
C = { at = "c > d", controlled = true }
[buttons]
a = { entry = "A", lamp = true }
b = { entry = "B", exit = "B", lamp = true }
c = { exit = "C", within = 3 }
bay = { exit = "bay", lamp = true }
take-back = { cancel = true, lamp = true }
stop = { ask = "hold all" }
"""
# Two ways from A to C.
LOOP = """
[layout]
name = "Curlew Bay"
[blocks]
a = {}
j = {}
b = {}
k = {}
c = {}
d = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > b > c > d"
loop = "a > j[t reverse] > k > c > d"
[signals]
A = { at = "a > j", controlled = true }
C = { at = "c > d", controlled = true }
[buttons]
a = { entry = "A" }
c = { exit = "C" }
"""
TABLE = table_from(LAYOUT)
NAMES = list(TABLE.layout.buttons)


class Panel:
    """The buttons, a hand, and a clock in s."""

    def __init__(self) -> None:
        self.rig = Rig(TABLE)
        self.buttons = Buttons(TABLE.layout.buttons, TABLE.rows)
        self.now = 100.0
        for name in NAMES:
            self.report(name, "released")
        self.now += 1

    def report(self, name: str, value: str | None) -> list[Wish]:
        report = Report(Device("button", name), value)
        return list(self.buttons.observe([report], round(self.now * SECOND)))

    def press(self, *names: str, pause: float = 0.5) -> list[Wish]:
        wishes = []
        for name in names:
            wishes += self.report(name, "pressed")
            self.now += 0.2
            wishes += self.report(name, "released")
            self.now += pause
        return wishes


def asked(*routes: str) -> tuple[SetRoute, ...]:
    return tuple(SetRoute(route) for route in routes)


def test_entry_and_exit_ask_for_the_route_between() -> None:
    assert Panel().press("a", "b") == [Wish(buttons=("a", "b"), requests=asked("A/main"))]
    assert Panel().press("a", "bay") == [Wish(buttons=("a", "bay"), requests=asked("A/bay"))]
    assert Panel().press("b", "c") == [Wish(buttons=("b", "c"), requests=asked("B/main"))]


def test_a_button_that_is_both_ends_one_route_and_begins_the_next() -> None:
    [first, second] = Panel().press("a", "b", "b", "c")
    assert (first.requests, second.requests) == (asked("A/main"), asked("B/main"))


def test_several_routes_are_asked_for_in_their_order() -> None:
    table = table_from(LOOP)
    panel = Panel()
    panel.buttons = Buttons(table.layout.buttons, table.rows)
    for name in table.layout.buttons:
        panel.report(name, "released")
    panel.now += 1
    [wish] = panel.press("a", "c")
    assert wish.requests == asked("A/main", "A/loop")
    assert not wish.each


def test_where_there_is_no_route_it_is_refused() -> None:
    [wish] = Panel().press("a", "c")
    assert wish.requests == ()
    assert wish.reason == "There is no main route from signal A to C."


def test_an_exit_alone_is_refused() -> None:
    [wish] = Panel().press("c")
    assert wish == Wish(buttons=("c",), reason="No entry button was pressed before it in time.")


def test_a_second_entry_takes_the_place_of_the_first() -> None:
    panel = Panel()
    assert panel.press("b", "a") == []
    assert panel.buttons.chosen == {"a"}
    assert panel.press("bay") == [Wish(buttons=("a", "bay"), requests=asked("A/bay"))]


def test_what_comes_too_late_is_not_with_it() -> None:
    panel = Panel()
    assert panel.press("a", pause=4.8) == []  # pressed 5 s ago by then
    assert [wish.requests for wish in panel.press("b")] == [asked("A/main")]
    panel = Panel()
    panel.press("a", pause=4.81)
    assert panel.press("bay")[0].requests == ()
    assert panel.buttons.chosen == set()


def test_the_deadline_is_when_a_press_is_forgotten() -> None:
    panel = Panel()
    assert panel.buttons.next_deadline is None
    panel.press("a")
    deadline = panel.buttons.next_deadline
    assert deadline == 106 * SECOND + 1
    panel.buttons.advance(deadline - 1)
    assert panel.buttons.chosen == {"a"}
    panel.buttons.advance(deadline)
    assert panel.buttons.chosen == set()
    assert panel.buttons.next_deadline is None


CANCEL_A = (CancelRoute("A/main"), CancelRoute("A/bay"))


@pytest.mark.parametrize("names", [("a", "a"), ("a", "take-back"), ("take-back", "a")])
def test_what_was_asked_for_at_a_signal_is_taken_back(names: tuple[str, str]) -> None:
    panel = Panel()
    [wish] = panel.press(*names)
    assert wish == Wish(buttons=names, requests=CANCEL_A, each=True)
    assert panel.buttons.chosen == set()


def test_a_cancel_button_waits_no_longer_than_it_should() -> None:
    panel = Panel()
    assert panel.press("take-back", pause=4.81) == []
    assert panel.press("a") == []
    assert panel.buttons.chosen == {"a"}


def test_a_button_for_one_request_makes_it_and_leaves_others_alone() -> None:
    panel = Panel()
    assert panel.press("a", "stop") == [Wish(buttons=("stop",), requests=(HoldAll(),))]
    assert [wish.requests for wish in panel.press("b")] == [asked("A/main")]


def test_a_request_that_is_none_is_refused_when_the_panel_is_made() -> None:
    table = table_from(LAYOUT.replace("hold all", "hold everything now"))
    with pytest.raises(ConfigurationError, match=r"button stop.*is not a request"):
        Buttons(table.layout.buttons, table.rows)


# -- what is no press


def test_a_button_that_was_never_seen_released_asks_for_nothing() -> None:
    panel = Panel()
    panel.buttons = Buttons(TABLE.layout.buttons, TABLE.rows)
    assert panel.report("stop", "pressed") == []
    panel.now += 100
    assert panel.report("stop", "pressed") == []


def test_a_button_of_which_nothing_was_known_asks_for_nothing() -> None:
    panel = Panel()
    panel.report("stop", None)
    panel.now += 10
    assert panel.report("stop", "pressed") == []


def test_an_entry_of_which_nothing_is_known_any_more_is_forgotten() -> None:
    panel = Panel()
    panel.press("a")
    panel.report("a", None)
    assert panel.press("bay")[0].requests == ()
    panel.press("take-back")
    panel.report("take-back", None)
    assert panel.buttons.chosen == set()


def test_a_button_that_is_held_or_stuck_asks_once() -> None:
    panel = Panel()
    wishes = []
    for _ in range(100):
        wishes += panel.report("stop", "pressed")
        panel.now += 0.25
    assert len(wishes) == 1


def test_a_bouncing_contact_asks_once() -> None:
    panel = Panel()
    wishes = []
    for value in ("pressed", "released") * 10:
        wishes += panel.report("stop", value)
        panel.now += BOUNCE / SECOND * 0.9
    assert len(wishes) == 1
    panel.now += 1
    assert len(panel.press("stop")) == 1


def test_a_press_of_a_bouncing_entry_does_not_take_it_back() -> None:
    panel = Panel()
    for value in ("pressed", "released", "pressed", "released"):
        assert panel.report("a", value) == []
        panel.now += 0.01
    assert panel.buttons.chosen == {"a"}


def test_other_devices_are_passed_over() -> None:
    panel = Panel()
    reports = [
        Report(Device("detector", "a"), "occupied"),
        Report(Device("button", "unheard-of"), "pressed"),
    ]
    assert panel.buttons.observe(reports, round(panel.now * SECOND)) == ()


VALUES = st.sampled_from(["pressed", "released", None])


@given(
    st.lists(
        st.tuples(st.sampled_from(NAMES), VALUES, st.sampled_from([0.0, 0.01, 0.06, 1.0, 6.0])),
        max_size=60,
    )
)
def test_whatever_is_pressed_each_wish_has_a_press_behind_it(
    events: list[tuple[str, str | None, float]],
) -> None:
    panel = Panel()
    presses, wishes = 0, 0
    last: dict[str, str | None] = dict.fromkeys(NAMES, "released")
    for name, value, pause in events:
        presses += value == "pressed" and last[name] == "released"
        last[name] = value
        found = panel.report(name, value)
        wishes += len(found)
        assert wishes <= presses
        assert len(panel.buttons.chosen) <= 1
        for wish in found:
            assert wish.buttons[-1] == name
            assert bool(wish.requests) != bool(wish.reason)
        panel.now += pause


@given(st.lists(st.sampled_from(NAMES), max_size=30))
def test_what_is_stuck_never_asks(stuck: list[str]) -> None:
    panel = Panel()
    for name in NAMES:
        panel.report(name, "pressed")
        panel.now += 10
    for name in stuck:
        assert panel.report(name, "pressed") == []
        panel.now += 1


# -- lamps


def test_lamps_flash_while_asked_for_and_are_lit_once_set() -> None:
    panel = Panel()
    rig = panel.rig.all_clear()
    lamps = Lamps(panel.buttons, rig.interlocking)

    def shown() -> dict[str, str]:
        lamps.changed()
        return {order.device.name: order.value for order in lamps.orders()}

    dark = dict.fromkeys(("a", "b", "bay", "take-back"), "dark")
    assert shown() == dark
    assert len(lamps) == 4
    panel.press("a")
    assert shown() == dark | {"a": "flashing"}
    [wish] = panel.press("bay")
    assert shown() == dark
    assert rig.ask(wish.requests[0]) is None
    assert shown() == dark | {"a": "flashing", "bay": "flashing"}
    rig.lies("t", "moving").wait(1).lies("t", "reverse").wait(2)
    assert rig.aspect("A") != "danger"
    assert shown() == dark | {"a": "lit", "bay": "lit"}
    assert lamps.changed() == ()
    rig.occupied("j").wait(1)
    assert shown() == dark
    panel.press("take-back")
    assert shown() == dark | {"take-back": "flashing"}
