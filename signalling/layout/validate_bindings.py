"""Checks of transports and bindings: which devices are carried, and what follows where none is.

Law of this file: what is wrong with bindings, so far as names and directions
show it. What the tables within a binding mean is the transport's affair.
"""

from __future__ import annotations

from collections.abc import Iterable

from signalling.layout.devices import (
    EVERYTHING,
    LayoutDevice,
    Patterns,
    layout_devices,
    patterns_of,
)
from signalling.layout.findings import did_you_mean, listed
from signalling.layout.model import Binding, Layout
from signalling.layout.place import KeyPath
from signalling.layout.scope import Scope, shown_name, thing_at
from signalling.layout.shape import shown
from signalling.layout.words import KINDS, Device, device

__all__ = ["check_bindings"]

_TABLES = {
    "detector": "detectors",
    "turnout": "turnouts",
    "danger": "danger",
    "button": "buttons",
    "signal": "signals",
    "stop": "stops",
    "reader": "readers",
}
"""Where the file names the devices of a kind, for kinds that have a table of their own."""

_HOW = {
    ("indicator", "report"): "An indicator reports where a route has `indicator_proved = true`.",
    ("lock", "report"): "A lock reports where its turnout has `lever = true`.",
    ("stop", "report"): "A stop reports where it has `proved = true`.",
    ("button", "order"): "A button takes orders where it has `lamp = true`.",
    ("turnout", "order"): 'A turnout takes orders where it has `moved_by = "us"`.',
}
"""When a device has a direction that not every device of its kind has."""


def check_bindings(scope: Scope) -> None:
    """Say what is wrong with transports and bindings, and which devices none carries."""
    _check_kinds(scope)
    layout = scope.layout
    devices = layout_devices(layout)
    patterns = Patterns(devices)
    bound: set[Device] = set()
    all_read = len(layout.bindings) == len(scope.binding_positions)
    for position, binding in zip(scope.binding_positions, layout.bindings, strict=True):
        path = ("bindings", position)
        scope.known("transports", binding.transport, (*path, "transport"), thing_at(path))
        found: list[LayoutDevice] = []
        for text in patterns_of(binding):
            if text.strip() == EVERYTHING:
                found += devices
                continue
            pattern = _pattern(scope, path, text)
            all_read = all_read and pattern is not None
            if pattern is not None:
                found += _matching(scope, path, patterns, pattern)
        bound.update(each.device for each in found)
        if found:
            _check_directions(scope, path, binding, found)
    if layout.transports and all_read:
        unbound = [each.device for each in devices if each.device not in bound]
        # Where a display is not bound, nothing follows.
        _check_all_bound(scope, [each for each in unbound if not KINDS[each.kind].informs])


def _check_kinds(scope: Scope) -> None:
    for name, options in scope.layout.transports.items():
        path, thing = ("transports", name), f"transport {name}"
        remedy = 'Write the kind of transport, as `kind = "mqtt"`.'
        kind = options.get("kind")
        if kind is None:
            scope.findings.error(path, thing, "The key `kind` is missing.", remedy)
        elif not isinstance(kind, str) or not kind:
            reason = f"`kind` is {shown(kind)}, where a text in quotes is expected."
            scope.findings.error((*path, "kind"), thing, reason, remedy)


def _pattern(scope: Scope, path: KeyPath, text: str) -> Device | None:
    """Return what one text of a binding says, or ``None`` after saying that it cannot be read."""
    try:
        return device(text)
    except ValueError:
        kind = text.strip().partition(" ")[0]
        remedy = f"Write a kind and a name, as `detector *`; the kinds are {listed(KINDS)}."
        scope.findings.error(
            (*path, "device"),
            thing_at(path),
            f"{shown(text)} is not a kind of device and a name.",
            remedy if kind in KINDS else did_you_mean(kind, KINDS, remedy),
        )
        return None


def _matching(
    scope: Scope, path: KeyPath, patterns: Patterns, wanted: Device
) -> list[LayoutDevice]:
    """Return the devices that a pattern stands for; say so where there are none."""
    place, thing = (*path, "device"), thing_at(path)
    found = patterns.matching(wanted)
    names = patterns.names(wanted.kind)
    if not found and "*" in wanted.name:
        scope.findings.warning(
            place,
            thing,
            f"{shown(str(wanted))} stands for no device: the layout has "
            + (f"{wanted.kind} {listed(names)}." if names else f"no {wanted.kind} at all."),
            "Correct it, or take it out.",
        )
    elif not found and wanted.name not in scope.names.get(_TABLES.get(wanted.kind, ""), ()):
        known = f"It has {listed(names)}." if names else f"It has no {wanted.kind} at all."
        scope.findings.error(
            place,
            thing,
            f"The layout has no {wanted.kind} {shown_name(wanted.name)}.",
            did_you_mean(wanted.name, names, f"{known} Correct the name, or take it out."),
        )
    return found


def _check_directions(
    scope: Scope, path: KeyPath, binding: Binding, found: list[LayoutDevice]
) -> None:
    """Check that what a binding says of reports and orders can be said of some device of it."""
    reporting = any(each.reports for each in found)
    if binding.report is not None and not reporting:
        able = any(KINDS[each.device.kind].reports for each in found)
        _idle(scope, path, "report", found, able=able)
    if binding.order is not None and not any(each.orders for each in found):
        able = any(KINDS[each.device.kind].orders for each in found)
        _idle(scope, path, "order", found, able=able)
    if binding.fresh is not None and not reporting:
        _idle(scope, path, "fresh", found, able=True)


def _idle(scope: Scope, path: KeyPath, key: str, found: list[LayoutDevice], *, able: bool) -> None:
    """Say that a key of a binding does nothing; ``able`` is whether it might in another layout."""
    direction = "order" if key == "order" else "report"
    says = "takes orders" if direction == "order" else "reports"
    which = f"{found[0].device} never" if len(found) == 1 else f"none of {len(found)} devices"
    hints = dict.fromkeys(_HOW.get((each.device.kind, direction), "") for each in found)
    say = scope.findings.warning if able else scope.findings.error
    say(
        (*path, key),
        thing_at(path),
        f"`{key}` does nothing here: {which} {says}.",
        " ".join([f"Take `{key}` out.", *(hint for hint in hints if hint)]),
    )


def _check_all_bound(scope: Scope, unbound: Iterable[Device]) -> None:
    """Say what follows for each device that no binding names, and for each idle transport."""
    layout = scope.layout
    if not scope.binding_positions:
        first = next(iter(layout.transports))
        scope.findings.warning(
            ("transports", first),
            f"transport {first}",
            "The file has no bindings, so nothing is known of the track and every signal stays at "
            "danger.",
            f'Bind the devices, as `[[bindings]]` with `device = "detector *"` and `transport = '
            f'"{first}"`.',
        )
        return
    for each in unbound:
        scope.findings.warning(
            _path_of(layout, each),
            str(each),
            f"No binding names it, so {_consequence(layout, each)}.",
            f'Bind it, as `device = "{each}"`, or all at once, as `device = "{each.kind} *"`.',
        )
    used = {binding.transport for binding in layout.bindings}
    for name in layout.transports if used <= scope.names["transports"] else ():
        if name not in used:
            scope.findings.warning(
                ("transports", name),
                f"transport {name}",
                "No binding names it, so it carries nothing.",
                "Bind devices to it, or take it out.",
            )


def _path_of(layout: Layout, each: Device) -> KeyPath:
    """Return where in the file a device comes from."""
    match each.kind:
        case "override":
            signal, _, line = each.name.partition("/")
            return ("signals", signal, "routes", line, "override")
        case "lamps" | "indicator" | "signal":
            return ("signals", each.name.partition("/")[0])
        case "lock":
            return ("turnouts", each.name, "lock")
        case "detector":
            implied = layout.detectors[each.name].block == each.name
            return ("blocks", each.name) if implied else ("detectors", each.name)
        case kind:
            return (_TABLES[kind], each.name)


def _consequence(layout: Layout, each: Device) -> str:
    """Return what follows where nothing is heard from a device, or nothing told to it."""
    match each.kind:
        case "detector":
            detector = layout.detectors[each.name]
            where = f"block {detector.block}" if detector.block else "each block that it sees"
            return f"{where} counts as occupied, and signals over it stay at danger"
        case "turnout":
            return "signals over it stay at danger, since its lie is not known"
        case "danger":
            held = layout.danger[each.name].signals
            return f"{_signals(held)} at danger until it is known"
        case "override":
            return f"{_signals([each.name.partition('/')[0]])} at danger until it is known"
        case "button":
            return "nobody can ask for anything with it"
        case "lamps":
            return f"{_signals([each.name])} at danger, since its lamps are not proved"
        case "indicator":
            return "it stays dark, and routes that need its proof stay at danger"
        case "lock":
            return "its turnout stays locked"
        case "stop":
            stop = layout.stops[each.name]
            unheard = f", and signals that lead to signal {stop.signal} stay at danger"
            return f"it stays as it is without power, {stop.unpowered}{unheard * stop.proved}"
        case "reader":
            return "nothing is known of what it reads"
    return "its aspects are shown nowhere"


def _signals(names: Iterable[str]) -> str:
    every = list(names)
    if len(every) == 1:
        return f"signal {every[0]} stays"
    return f"signals {listed(every)} stay"
