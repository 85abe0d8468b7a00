"""Which devices a layout has, what they say and are told, and what carries them."""

from __future__ import annotations

from pathlib import Path

import pytest

from signalling.layout.devices import bound_devices, layout_devices
from signalling.layout.model import Layout
from signalling.layout.read import examine_text
from signalling.layout.words import KINDS, BoundDevice, Device
from signalling.practice.load import load_practice
from signalling.table.devices import aspects_of, bindings, devices

EVERYTHING = (Path(__file__).parents[1] / "one_of_everything.toml").read_text("utf-8")

TWO = """\
[layout]
name = "Tern Point"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
S1 = { at = "a > b" }
[transports]
one = { kind = "loopback" }
two = { kind = "loopback" }
"""


def layout_of(text: str) -> Layout:
    layout = examine_text(text).layout
    assert layout is not None
    return layout


def test_every_device_with_its_values() -> None:
    uk = load_practice("uk")
    found = {str(each.device): each for each in devices(layout_of(EVERYTHING), uk)}
    said = {name: (each.reports, each.orders) for name, each in found.items()}
    detectors = ("a1", "a1-far", "beam-in", "beam-out", "j1", "a4", "a2", "q1", "x1")
    blocks = ("a1", "a2", "j1", "a3", "a4", "q1", "x1")
    four = ("danger", "caution", "preliminary-caution", "clear")
    three = ("danger", "caution", "clear")
    held = ("free", "danger")
    assert said == {
        **{f"detector {name}": (("clear", "occupied"), ()) for name in detectors},
        "turnout t1": (("normal", "reverse", "moving"), ()),
        "turnout t2": (("normal", "reverse", "moving"), ("normal", "reverse")),
        "turnout t3": (("normal", "reverse", "moving"), ()),
        "danger panic": (held, ()),
        "danger press": (held, ()),
        "button begin": (("released", "pressed"), ("dark", "flashing", "lit")),
        "button end": (("released", "pressed"), ()),
        "button hold": (("released", "pressed"), ("dark", "flashing", "lit")),
        "button take-back": (("released", "pressed"), ()),
        "override S2/quay": (("auto", "lit", "dark"), ()),
        "lamps S2": (("dark", "lit"), ()),
        "indicator S2": (("dark", "4"), ("dark", "4")),
        "indicator S3": ((), ("dark", "P")),
        "lock t3": (("idle", "asked"), ("locked", "free")),
        "signal S1": ((), four),
        "signal S1/quay": ((), four),
        "signal S2": ((), four),
        "signal S3": ((), three),
        "signal S4": ((), ("danger", "caution")),
        "signal S5": ((), ("danger", "clear")),
        "signal S6": ((), three),
        "signal V2": ((), ("caution", "clear")),
        "stop brake2": (("applied", "lifted"), ("applied", "lifted")),
        "reader gate": (("none", "04:A1"), ()),
        "reader shed": (("none",), ()),
        **{f"berth {name}": ((), ("empty",)) for name in blocks},
        "stop brake4": ((), ("applied", "lifted")),
    }


def test_the_first_order_is_the_most_restrictive() -> None:
    for each in devices(layout_of(EVERYTHING), load_practice("uk")):
        restrictive = KINDS[each.device.kind].restrictive
        if each.orders and restrictive is not None:
            # A distant signal is never at danger.
            distant = each.device.name == "V2"
            assert each.orders[0] == ("caution" if distant else restrictive)


def test_a_lock_without_a_lever_reports_nothing() -> None:
    layout = layout_of(EVERYTHING.replace(", lever = true", ""))
    (lock,) = [each for each in layout_devices(layout) if each.device.kind == "lock"]
    assert lock.reports == ()


def test_a_signal_of_which_nothing_is_known_shows_danger_alone() -> None:
    (signal,) = [each for each in layout_devices(layout_of(TWO)) if each.device.kind == "signal"]
    assert signal.orders == ("danger",)


def test_a_head_that_the_practice_does_not_have() -> None:
    with pytest.raises(KeyError, match="S1"):
        aspects_of(
            layout_of(TWO.replace('"a > b" }\n[t', '"a > b", aspects = 9 }\n[t')),
            load_practice("uk"),
        )


def carried(text: str) -> dict[str, tuple[BoundDevice, ...]]:
    layout = layout_of(TWO + text)
    return bound_devices(layout, layout_devices(layout))


def only(bound: tuple[BoundDevice, ...], device: str) -> BoundDevice:
    (found,) = [each for each in bound if str(each.device) == device]
    return found


def binding(device: str, transport: str, *more: str) -> str:
    return "\n".join(
        ["[[bindings]]", f"device = {device}", f'transport = "{transport}"', *more, ""]
    )


def test_a_binding_without_tables_leaves_both_directions_to_the_transport() -> None:
    found = carried(binding('["detector *", "signal *"]', "one"))
    assert found["two"] == ()
    assert [str(each.device) for each in found["one"]] == ["detector a", "detector b", "signal S1"]
    assert only(found["one"], "detector a") == BoundDevice(
        device=Device("detector", "a"), reports=("clear", "occupied")
    )
    assert only(found["one"], "signal S1") == BoundDevice(
        device=Device("signal", "S1"), orders=("danger",)
    )


def test_names_and_kinds_are_filled_in_everywhere() -> None:
    table = (
        'report = { topic = "x/{kind}/{name}", deep = { list = ["{name}", 4, { at = "{name}" }] }, '
        'other = "{value} {name", flag = true }'
    )
    found = only(carried(binding('"detector *"', "one", table))["one"], "detector b")
    assert found.report == {
        "topic": "x/detector/b",
        "deep": {"list": ["b", 4, {"at": "b"}]},
        "other": "{value} {name",
        "flag": True,
    }


def test_later_bindings_override_earlier_ones() -> None:
    found = carried(
        binding('"detector *"', "one", "report = { at = 1 }", "fresh = 9")
        + binding('"detector a"', "two", "report = { at = 2 }")
    )
    assert [str(each.device) for each in found["one"]] == ["detector b"]
    assert only(found["one"], "detector b").fresh == 9
    assert only(found["two"], "detector a").report == {"at": 2}
    assert only(found["two"], "detector a").fresh is None


def test_a_later_binding_without_tables_overrides_one_with_tables() -> None:
    found = carried(
        binding('"detector *"', "one", "report = { at = 1 }") + binding('"detector a"', "two")
    )
    assert only(found["two"], "detector a").report == {}


def test_directions_are_overridden_apart() -> None:
    text = TWO.replace(
        'S1 = { at = "a > b" }',
        'S1 = { at = "a > b", routes = { main = { indicator = 4, indicator_proved = true } } }',
    )
    layout = layout_of(
        text
        + binding('"indicator *"', "one", "report = { r = 1 }", "order = { o = 1 }", "fresh = 5")
        + binding('"indicator S1"', "two", "order = { o = 2 }")
    )
    found = bound_devices(layout, layout_devices(layout))
    reporting, ordered = only(found["one"], "indicator S1"), only(found["two"], "indicator S1")
    assert (reporting.reports, reporting.orders) == (("dark", "4"), ())
    assert (reporting.report, reporting.order, reporting.fresh) == ({"r": 1}, {}, 5)
    assert (ordered.reports, ordered.orders) == ((), ("dark", "4"))
    assert (ordered.report, ordered.order, ordered.fresh) == ({}, {"o": 2}, None)


def test_a_direction_that_no_binding_speaks_of_goes_with_the_last() -> None:
    text = TWO.replace(
        "[transports]", '[turnouts]\nt = { block = "a", moved_by = "us" }\n[transports]'
    )
    layout = layout_of(text + binding('"turnout t"', "two", "report = { r = 1 }"))
    found = only(bound_devices(layout, layout_devices(layout))["two"], "turnout t")
    assert found.reports == ("normal", "reverse", "moving")
    assert found.orders == ("normal", "reverse")
    assert (found.report, found.order) == ({"r": 1}, {})


def test_bindings_know_what_the_practice_shows() -> None:
    found = bindings(layout_of(TWO + binding('"signal *"', "one")), load_practice("uk"))
    assert only(found["one"], "signal S1").orders == ("danger", "caution", "clear")
