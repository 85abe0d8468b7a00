"""What ``check`` says of buttons between which there is no route."""

from __future__ import annotations

import pytest

from signalling.layout.read import examine_text
from signalling.table.check import check_reading

CURLEW = """
[layout]
name = "Curlew Bay"
[blocks]
a = {}
j = {}
b = {}
bay = {}
[turnouts]
t = { block = "j", moved_by = "us" }
[lines]
main = "a > j[t normal] > b"
bay = "a > j[t reverse] > bay"
back = "b > j[t normal] > a"
[signals]
A = { at = "a > j", controlled = true }
B = { at = "b > j", controlled = true }
[buttons]
begin = { entry = "A" }
end = { exit = "b" }
"""


def findings(text: str) -> list[tuple[str, str, str, str]]:
    return [
        (str(each.severity), each.thing, each.message, each.remedy)
        for each in check_reading(examine_text(text, "file.toml", "."))
        if each.thing.startswith("button")
    ]


def test_where_there_is_a_route_nothing_is_said() -> None:
    assert findings(CURLEW) == []
    assert findings(CURLEW + 'stop = { ask = "hold all" }\n') == []


@pytest.mark.parametrize(
    ("more", "thing", "message", "remedy"),
    [
        (
            'other = { entry = "B" }',
            "button other",
            "No main route from signal B ends where an exit button is.",
            "Give an end of one of its routes an exit button: a.",
        ),
        (
            'other = { entry = "A", move = "shunt" }',
            "button other",
            "No shunt route from signal A ends where an exit button is.",
            "Signal A has no such route; correct `move`, or take it out.",
        ),
        (
            'other = { exit = "a" }',
            "button other",
            "No route from a signal that has an entry button ends at a.",
            "Give the signal where such a route begins an entry button, or take this one out.",
        ),
    ],
)
def test_where_there_is_none_it_is_told(more: str, thing: str, message: str, remedy: str) -> None:
    assert findings(f"{CURLEW}{more}\n") == [("warning", thing, message, remedy)]
