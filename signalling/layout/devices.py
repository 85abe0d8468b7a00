"""Which devices a layout has, and which transport carries each.

Law of this file: names, values and the order of bindings. The devices follow
from the layout alone; what a signal can show is the practice's and is handed
in. What the tables of a binding mean is the transport's affair: here they are
only picked and their placeholders filled in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from fnmatch import translate
from typing import Any

from attrs import define, frozen

from signalling.layout.model import Binding, Layout
from signalling.layout.words import KINDS, BoundDevice, Device, device

__all__ = [
    "AHEAD",
    "EVERYTHING",
    "LayoutDevice",
    "Patterns",
    "bound_devices",
    "layout_devices",
    "patterns_of",
]


AHEAD = "ahead"
"""What follows a signal's name in the name of the indicator that announces the next one's."""


@frozen(kw_only=True)
class LayoutDevice:
    """One device that the layout has: what it may say and be told."""

    device: Device
    reports: tuple[str, ...] = ()
    """The values that it may report; empty where it reports nothing."""
    orders: tuple[str, ...] = ()
    """The values that it may be ordered, most restrictive first; empty where it takes none."""
    texts: bool = False
    """Whether it may report, or be ordered, any text besides."""


def layout_devices(
    layout: Layout, aspects: Mapping[str, tuple[str, ...]] | None = None
) -> tuple[LayoutDevice, ...]:
    """Return every device of a layout, in the order of the kinds and of the file.

    ``aspects`` is what each signal can show, most restrictive first, by the
    signal's name; a signal that it does not name has ``danger`` alone.
    """
    return tuple(_devices(layout, aspects or {}))


def _devices(layout: Layout, aspects: Mapping[str, tuple[str, ...]]) -> Iterator[LayoutDevice]:
    for name in layout.detectors:
        yield _made("detector", name)
    for name, turnout in layout.turnouts.items():
        yield _made("turnout", name, ordered=turnout.moved_by == "us")
    for name in layout.danger:
        yield _made("danger", name)
    for name, signal in layout.signals.items():
        for line, route in signal.routes.items():
            if route.override:
                yield _made("override", f"{name}/{line}")
    for name, button in layout.buttons.items():
        yield _made("button", name, ordered=button.lamp)
    for name, signal in layout.signals.items():
        if signal.lamps_proved:
            yield _made("lamps", name)
    for name, signal in layout.signals.items():
        lit = [route for route in signal.routes.values() if route.indicator is not None]
        if lit:
            positions = tuple(dict.fromkeys(str(route.indicator) for route in lit))
            proved = any(route.indicator_proved for route in lit)
            yield _made("indicator", name, more=positions, reporting=proved)
        if signal.announces:
            ahead = tuple(dict.fromkeys(str(position) for position in signal.announces))
            yield _made("indicator", f"{name}/{AHEAD}", more=ahead, reporting=False)
    for name, turnout in layout.turnouts.items():
        if turnout.lock:
            yield _made("lock", name, reporting=turnout.lever)
    for name, single in layout.single_lines.items():
        if single.other_end == "theirs":
            yield _made("agreement", name)
    for name, signal in layout.signals.items():
        shown = aspects.get(name, KINDS["signal"].orders)
        yield LayoutDevice(device=Device("signal", name), orders=shown)
        if signal.splitting is not None:
            yield LayoutDevice(device=Device("signal", f"{name}/{signal.splitting}"), orders=shown)
    for name, stop in layout.stops.items():
        yield _made("stop", name, reporting=stop.proved)
    for name, reader in layout.readers.items():
        read = tuple(tag for tag in reader.reads if tag not in KINDS["reader"].reports)
        yield _made("reader", name, more=read, texts=not reader.reads)
    for name in layout.blocks if layout.describes else ():
        yield _made("berth", name, texts=True)


def _made(
    kind: str,
    name: str,
    *,
    more: tuple[str, ...] = (),
    reporting: bool = True,
    ordered: bool = True,
    texts: bool = False,
) -> LayoutDevice:
    """Return a device with its kind's values; ``more`` are those that only the layout knows."""
    words = KINDS[kind]
    reports = words.reports + (more if words.open_reports else ())
    orders = words.orders + (more if words.open_orders else ())
    return LayoutDevice(
        device=Device(kind, name),
        reports=reports if reporting else (),
        orders=orders if ordered else (),
        texts=texts,
    )


class Patterns:
    """Finds the devices that a binding's ``detector *`` stands for."""

    def __init__(self, devices: Iterable[LayoutDevice]) -> None:
        self._by_kind: dict[str, dict[str, LayoutDevice]] = {}
        for each in devices:
            self._by_kind.setdefault(each.device.kind, {})[each.device.name] = each

    def stands_for(self, text: str) -> list[LayoutDevice]:
        """Return the devices that one text of a binding stands for; ``*`` alone, all of them.

        Raises ``ValueError`` when the text is neither that nor a kind and a name.
        """
        if text.strip() == EVERYTHING:
            return [each for named in self._by_kind.values() for each in named.values()]
        return self.matching(device(text))

    def names(self, kind: str) -> list[str]:
        """Return the names of every device of a kind."""
        return list(self._by_kind.get(kind, ()))

    def matching(self, pattern: Device) -> list[LayoutDevice]:
        """Return the devices of the pattern's kind whose names its name stands for."""
        named = self._by_kind.get(pattern.kind, {})
        if "*" not in pattern.name:
            return [named[pattern.name]] if pattern.name in named else []
        matches = re.compile(translate(pattern.name)).match
        return [each for name, each in named.items() if matches(name)]


EVERYTHING = "*"
"""What a binding says to mean every device."""


def patterns_of(binding: Binding) -> tuple[str, ...]:
    """Return the devices of a binding as written."""
    return (binding.device,) if isinstance(binding.device, str) else binding.device


@define
class _Bound:
    """The bindings that count for one device."""

    last: Binding
    report: Binding | None = None
    order: Binding | None = None


def bound_devices(
    layout: Layout, devices: Iterable[LayoutDevice]
) -> dict[str, tuple[BoundDevice, ...]]:
    """Return what each transport carries, by the transport's name.

    Of the bindings that name a device, the last one counts, for each direction
    apart: one with a ``report`` table only says nothing of orders, and the
    other way round; one with neither speaks of both, with empty tables, so
    that the transport's own defaults hold. A direction that no binding speaks
    of goes with the last binding, with an empty table.

    The layout's names must have been checked; raises ``ValueError`` where they
    were not.
    """
    devices = tuple(devices)
    patterns = Patterns(devices)
    bound: dict[Device, _Bound] = {}
    for binding in layout.bindings:
        neither = binding.report is None and binding.order is None
        for text in patterns_of(binding):
            for found in patterns.stands_for(text):
                choice = bound.setdefault(found.device, _Bound(binding))
                choice.last = binding
                if neither or binding.report is not None:
                    choice.report = binding
                if neither or binding.order is not None:
                    choice.order = binding
    carried: dict[str, list[BoundDevice]] = {name: [] for name in layout.transports}
    for each in devices:
        if each.device in bound:
            for transport, part in _parts(each, bound[each.device]):
                carried[transport].append(part)
    return {transport: tuple(parts) for transport, parts in carried.items()}


def _parts(each: LayoutDevice, bound: _Bound) -> Iterator[tuple[str, BoundDevice]]:
    """Yield each transport that carries a device, and what of the device it carries."""
    reporter = (bound.report or bound.last) if each.reports else None
    orderer = (bound.order or bound.last) if each.orders else None
    for transport in dict.fromkeys(one.transport for one in (reporter, orderer) if one is not None):
        report = reporter if reporter is not None and reporter.transport == transport else None
        order = orderer if orderer is not None and orderer.transport == transport else None
        yield (
            transport,
            BoundDevice(
                device=each.device,
                reports=each.reports if report is not None else (),
                orders=each.orders if order is not None else (),
                report=_filled(report.report or {}, each.device) if report is not None else {},
                order=_filled(order.order or {}, each.device) if order is not None else {},
                fresh=report.fresh if report is not None else None,
                texts=each.texts,
            ),
        )


def _filled(value: Any, each: Device) -> Any:
    """Return a value with ``{name}`` and ``{kind}`` filled in, in every text within it."""
    if isinstance(value, str):
        return value.replace("{kind}", each.kind).replace("{name}", each.name)
    if isinstance(value, Mapping):
        return {key: _filled(inner, each) for key, inner in value.items()}
    if isinstance(value, list):
        return [_filled(inner, each) for inner in value]
    return value
