"""A binding of everything."""

from __future__ import annotations

from signalling.layout.devices import bound_devices, layout_devices
from signalling.layout.read import examine_text

TEXT = """
[layout]
name = "All on one bus"
[blocks]
a = {}
b = {}
[lines]
main = "a > b"
[signals]
S = { at = "a > b" }
[stops]
P = { signal = "S" }
[transports.club]
kind = "mqtt"
[[bindings]]
device = "*"
transport = "club"
"""


def test_a_star_alone_is_every_device() -> None:
    reading = examine_text(TEXT, "file.toml", ".")
    assert reading.findings.sorted() == ()
    assert reading.layout is not None
    (carried,) = bound_devices(reading.layout, layout_devices(reading.layout)).values()
    assert sorted(str(each.device) for each in carried) == [
        "detector a",
        "detector b",
        "signal S",
        "stop P",
    ]
