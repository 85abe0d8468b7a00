"""The devices of a layout under a practice, and what each transport carries.

Law of this file: joins what the layout says of its devices to what the
practice says a signal can show. Both are worked out where they belong.
"""

from __future__ import annotations

from signalling.layout.devices import LayoutDevice, bound_devices, layout_devices
from signalling.layout.model import Layout, Signal
from signalling.layout.words import BoundDevice
from signalling.practice.schema import Practice
from signalling.table.row import Move

__all__ = ["aspects_of", "bindings", "devices"]


def devices(layout: Layout, practice: Practice) -> tuple[LayoutDevice, ...]:
    """Return every device of a layout with what it may report and be ordered.

    Raises ``KeyError`` for a signal whose head the practice does not have.
    """
    return layout_devices(layout, aspects_of(layout, practice))


def bindings(layout: Layout, practice: Practice) -> dict[str, tuple[BoundDevice, ...]]:
    """Return what each transport of a layout carries, by the transport's name.

    Raises ``KeyError`` for a signal whose head the practice does not have.
    """
    return bound_devices(layout, devices(layout, practice))


def aspects_of(layout: Layout, practice: Practice) -> dict[str, tuple[str, ...]]:
    """Return the aspects that each signal can show, most restrictive first, by its name.

    Raises ``KeyError`` for a signal whose head the practice does not have.
    """
    shown = {}
    for name, signal in layout.signals.items():
        distant = signal.distant is not False
        head = practice.head_name(signal.aspects, signal.head, distant=distant)
        if head is None:
            raise KeyError(name)
        aspects = practice.heads[head].shows
        main = [each.name for each in practice.aspects if each.name in aspects]
        shown[name] = (*main[:1], *_subsidiary(signal), *main[1:])
    return shown


def _subsidiary(signal: Signal) -> tuple[str, ...]:
    """Return what a signal can show besides its head's aspects, most restrictive first."""
    routes = signal.routes.values()
    called = (Move.CALL_ON,) if any(route.call_on for route in routes) else ()
    return (*called, Move.SHUNT) if any(route.shunt for route in routes) else called
