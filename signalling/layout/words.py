"""The vocabulary that crosses the border between the logic and the hardware.

Law of this file: names and values only. A report is what comes in from
hardware, an order what goes out; both are a device and one word. Transports
carry these and know nothing else; the core takes and gives these and knows no
transport. The table ``KINDS`` is the whole vocabulary: bindings, schemas and
manuals are made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from attrs import Factory, field, frozen

__all__ = [
    "EMPTY",
    "KINDS",
    "LONGEST_TEXT",
    "NOTHING",
    "BoundDevice",
    "Device",
    "DeviceKind",
    "Order",
    "Report",
    "device",
]

EMPTY = "empty"
"""What a berth is told in which no name stands."""
NOTHING = "none"
"""What a reader says that has nothing before it."""

LONGEST_TEXT = 64
"""Characters of a text that is a device's value."""


@frozen(kw_only=True)
class DeviceKind:
    """What devices of one kind can say and be told."""

    name: str
    reports: tuple[str, ...] = ()
    """Values that may be reported; empty where nothing is reported."""
    orders: tuple[str, ...] = ()
    """Values that may be ordered, most restrictive first; empty where nothing is ordered."""
    open_reports: bool = False
    """Further report values come from the layout or the practice (indicator positions)."""
    open_orders: bool = False
    """Further order values come from the layout or the practice (aspects, positions)."""
    informs: bool = False
    """Whether its orders only inform people: they restrict nothing, and others go before them."""
    sentence: str = ""
    """What the device is, for the manual."""

    @property
    def restrictive(self) -> str | None:
        """The order that is given when in doubt, or ``None`` where leaving it alone is safest."""
        return self.orders[0] if self.orders and self.name != "turnout" else None


KINDS: dict[str, DeviceKind] = {
    kind.name: kind
    for kind in (
        DeviceKind(
            name="detector",
            reports=("clear", "occupied"),
            sentence="a section detector or a spot detector",
        ),
        DeviceKind(
            name="turnout",
            reports=("normal", "reverse", "moving"),
            orders=("normal", "reverse"),
            sentence="a turnout: its feedback, and its motor where we move it",
        ),
        DeviceKind(
            name="danger",
            reports=("free", "danger"),
            sentence="a switch or a press that holds signals at danger",
        ),
        DeviceKind(
            name="override",
            reports=("auto", "lit", "dark"),
            sentence="a switch that takes a route indicator out of automatic working",
        ),
        DeviceKind(
            name="button",
            reports=("released", "pressed"),
            orders=("dark", "flashing", "lit"),
            informs=True,
            sentence="a push button by which somebody asks for something, and its lamp",
        ),
        DeviceKind(
            name="lamps",
            reports=("dark", "lit"),
            sentence="the proof that a signal's ordered lamps are alight",
        ),
        DeviceKind(
            name="indicator",
            reports=("dark",),
            open_reports=True,
            orders=("dark",),
            open_orders=True,
            sentence="a signal's route indicator: its order, and the proof of what is alight",
        ),
        DeviceKind(
            name="lock",
            reports=("idle", "asked"),
            orders=("locked", "free"),
            sentence="the lock on a turnout that others move: asked for and given",
        ),
        DeviceKind(
            name="agreement",
            reports=("starting", "idle", "asked", "given", "given-asked"),
            orders=("starting", "idle", "asked", "given", "given-asked"),
            sentence="our end of a single line that somebody else signals the other end of: what "
            "we say to them, and what they say",
        ),
        DeviceKind(
            name="signal",
            orders=("danger",),
            open_orders=True,
            sentence="a signal's aspect",
        ),
        DeviceKind(
            name="stop",
            reports=("applied", "lifted"),
            orders=("applied", "lifted"),
            sentence="a train stop: its order, and the proof of how it stands",
        ),
        DeviceKind(
            name="reader",
            reports=(NOTHING,),
            open_reports=True,
            sentence="a reader that reads what trains carry, such as a tag",
        ),
        DeviceKind(
            name="berth",
            orders=(EMPTY,),
            open_orders=True,
            informs=True,
            sentence="the place where a train's name stands: a block, as a display shows it",
        ),
    )
}
"""Every kind of device, by name."""


@frozen(order=True, cache_hash=True)
class Device:
    """One thing that reports or takes orders: its kind and the name the layout gives it."""

    kind: str
    name: str

    def __str__(self) -> str:
        return f"{self.kind} {self.name}"


def device(text: str) -> Device:
    """Return the device written as ``"detector d1"``.

    Raises ``ValueError`` when the text is not a known kind, a space and a name.
    """
    kind, _, name = text.strip().partition(" ")
    if kind not in KINDS or not name.strip():
        raise ValueError(f"{text!r} is not a kind of device ({', '.join(KINDS)}) and a name")
    return Device(kind, name.strip())


@frozen
class Report:
    """What a device says. ``value`` is ``None`` when what it says is not known or not fresh."""

    device: Device
    value: str | None


@frozen
class Order:
    """What a device is told."""

    device: Device = field()
    value: str = field()

    @property
    def restrictive(self) -> bool:
        """Whether this is the most restrictive order that the device's kind has."""
        return self.value == KINDS[self.device.kind].restrictive


@frozen(kw_only=True)
class BoundDevice:
    """One device that a transport carries, with the user's own terms for it."""

    device: Device
    reports: tuple[str, ...] = ()
    """The values that it may report; empty where it reports nothing."""
    orders: tuple[str, ...] = ()
    """The values that it may be ordered; empty where it takes no orders."""
    report: Mapping[str, Any] = Factory(dict)
    """The binding's ``report`` table, with ``{name}`` and ``{kind}`` filled in."""
    order: Mapping[str, Any] = Factory(dict)
    """The binding's ``order`` table, with ``{name}`` and ``{kind}`` filled in."""
    fresh: float | None = None
    """Seconds that a report holds good without being repeated."""
    texts: bool = False
    """Whether any text of up to ``LONGEST_TEXT`` characters may be reported, or ordered, too."""
