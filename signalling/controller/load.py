"""From a table to the transports that a controller runs, with their devices.

Law of this file: joining only. What devices there are and finding a transport by
its kind are each done where they belong.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from attrs import evolve, frozen

from signalling.core.requests import FORMS
from signalling.errors import ConfigurationError
from signalling.table.devices import bindings, devices
from signalling.table.table import Table
from transports.link import Timing
from transports.registry import TransportMaker, make_transport
from transports.requests import CarriesRequests
from transports.transport import BoundDevice, Transport, TransportSettings

__all__ = ["BENCH", "VERBS", "Link", "Transports", "make_link", "make_links"]

BENCH = "bench"
"""The name of a transport that is given alone, and carries every device of a layout."""

Transports = Mapping[str, TransportMaker] | TransportMaker
"""Makers of transports: by the names that a layout gives them, or one for every device."""


@frozen
class Link:
    """A transport, what it carries, and the figures by which its link is kept."""

    transport: Transport
    devices: tuple[BoundDevice, ...]
    timing: Timing
    requests: frozenset[str] = frozenset()
    """First words of the requests that may be made over it; empty where none may."""


VERBS = tuple(dict.fromkeys(form.words.split()[0] for form in FORMS))
"""First words of all requests."""


def make_links(table: Table, given: Transports | None, folder: str | Path) -> tuple[Link, ...]:
    """Return the links of a layout, none of them opened.

    The transports are those that the layout names, each of its kind. Makers
    that are given by name take the place of kinds; one that is given alone
    takes the place of all transports and bindings. Paths in a transport's
    table are taken from ``folder``. Raises ``ConfigurationError``.
    """
    layout = table.layout
    if given is not None and not isinstance(given, Mapping):
        every = tuple(
            BoundDevice(
                device=each.device, reports=each.reports, orders=each.orders, texts=each.texts
            )
            for each in devices(layout, table.practice)
        )
        return (_bench(given, every, folder),)
    given = given or {}
    for name in given:
        if name not in layout.transports:
            raise ConfigurationError(
                f"transport {name}",
                "It is given, but the layout has no transport of that name.",
                f"The layout's transports are: {', '.join(layout.transports) or 'none'}.",
            )
    if not layout.transports:
        raise ConfigurationError(
            f"layout {layout.settings.name}",
            "It names no transport, so nothing could be heard or told.",
            "Add a table [transports.NAME] with its kind, and bindings to it.",
        )
    carried = bindings(layout, table.practice)
    return tuple(
        make_link(name, options, carried[name], folder, given.get(name))
        for name, options in layout.transports.items()
    )


def _bench(given: TransportMaker, every: tuple[BoundDevice, ...], folder: str | Path) -> Link:
    """Return the link that takes the place of all; whoever gives it may also ask over it."""
    link = _link(BENCH, given, {}, every, folder)
    if isinstance(link.transport, CarriesRequests):
        return evolve(link, requests=frozenset(VERBS))
    return link


def make_link(
    name: str,
    options: Mapping[str, Any],
    carried: tuple[BoundDevice, ...],
    folder: str | Path,
    maker: TransportMaker | None = None,
) -> Link:
    """Return one link of a layout, not opened, by the transport's table in the file.

    ``maker`` takes the place of the table's kind. Raises ``ConfigurationError``.
    """
    own = {key: value for key, value in options.items() if key != "kind"}
    return _link(name, maker or options["kind"], own, carried, folder)


def _link(
    name: str,
    kind: str | TransportMaker,
    options: Mapping[str, object],
    carried: tuple[BoundDevice, ...],
    folder: str | Path,
) -> Link:
    settings = TransportSettings(
        name=name, options=options, devices=carried, folder=os.fspath(folder)
    )
    transport = make_transport(kind, settings)
    usual = Timing.from_options(name, options)
    timing = getattr(transport, "timing", usual)
    return Link(transport, carried, timing, _requests(transport, options))


def _requests(transport: Transport, options: Mapping[str, object]) -> frozenset[str]:
    """Return the first words of the requests that a transport's table lets be made over it."""
    thing, given = f"transport {transport.name}", options.get("requests", False)
    words = given if isinstance(given, list) else VERBS if given is True else ()
    if not isinstance(given, bool | list) or not all(word in VERBS for word in words):
        raise ConfigurationError(
            thing,
            f"requests is {given!r}.",
            "Write true for all requests, or a list of the first words of those that may be made "
            f"over it, of {', '.join(VERBS)}.",
        )
    if words and not isinstance(transport, CarriesRequests):
        raise ConfigurationError(
            thing,
            "It has requests, and its kind carries none.",
            "Take requests out. Buttons can ask over every kind of transport: see [buttons].",
        )
    return frozenset(words)
