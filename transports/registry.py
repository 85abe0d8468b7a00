"""Finds the transport that a layout names by its kind.

Law of this file: names to classes, on use. Nothing is imported before a layout
names it, and the entry-point group ``signalling.transports`` is read only when
a kind is not one of our own. What is found is checked against the protocol
here, so that a missing member is named before anything moves.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, cast

from signalling.errors import ConfigurationError
from transports.transport import Transport, TransportSettings

if TYPE_CHECKING:
    from importlib.metadata import EntryPoints

__all__ = ["GROUP", "TransportMaker", "kinds", "make_transport", "missing_members"]

TransportMaker = Callable[[TransportSettings], Transport]
"""Makes a transport, such as a transport's class."""

GROUP = "signalling.transports"
"""The entry-point group of transports by third parties: ``kind = "module:maker"``."""

_OURS = {
    "can": ("transports.can", "CanTransport"),
    "loopback": ("transports.loopback", "LoopbackTransport"),
    "mqtt": ("transports.mqtt", "MqttTransport"),
}

_MEMBERS = tuple(
    name for name in (*Transport.__annotations__, *vars(Transport)) if not name.startswith("_")
)


def entry_points(*, group: str) -> EntryPoints:
    """Return the installed entry points of a group; the import alone takes its time."""
    from importlib.metadata import entry_points as installed  # noqa: PLC0415 - slow to import

    return installed(group=group)


def kinds() -> tuple[str, ...]:
    """Return every kind of transport that there is here, sorted."""
    return tuple(sorted({*_OURS, *entry_points(group=GROUP).names}))


def make_transport(kind: str | TransportMaker, settings: TransportSettings) -> Transport:
    """Return a transport made with these settings and not opened.

    ``kind`` is a kind's name, or the maker itself. Raises
    ``ConfigurationError`` where the kind is not known, cannot be loaded, does
    not keep the protocol, or refuses the settings.
    """
    thing = f"transport {settings.name}"
    if isinstance(kind, str):
        maker, made_by = _find(kind, thing), f"The kind {kind!r}"
    else:
        maker, made_by = kind, f"The maker {getattr(kind, '__name__', type(kind).__name__)}"
    try:
        transport = maker(settings)
    except ConfigurationError:
        raise
    except Exception as error:
        raise ConfigurationError(
            thing,
            f"{made_by} failed: {type(error).__name__}: {error}.",
            "Tell its author.",
        ) from error
    missing = missing_members(transport)
    if missing:
        raise ConfigurationError(
            thing,
            f"{made_by} does not keep the transport protocol: it gives no {', '.join(missing)}.",
            "Tell its author; transports.transport.Transport lists the members.",
        )
    return transport


def missing_members(candidate: object) -> tuple[str, ...]:
    """Return the members of the transport protocol that an object does not have."""
    return tuple(name for name in _MEMBERS if not hasattr(candidate, name))


def _find(kind: str, thing: str) -> TransportMaker:
    try:
        if kind in _OURS:
            module, name = _OURS[kind]
            return cast(TransportMaker, getattr(import_module(module), name))
        for entry in entry_points(group=GROUP).select(name=kind):
            return cast(TransportMaker, entry.load())
    except ImportError as error:
        raise ConfigurationError(
            thing,
            f"The kind {kind!r} cannot be loaded: {error}.",
            f"Install what it needs: python -m pip install 'layout-signalling[{kind}]'."
            if kind in _OURS
            else f"Install what the kind {kind!r} needs.",
        ) from error
    except Exception as error:
        raise ConfigurationError(
            thing,
            f"The kind {kind!r} cannot be loaded: {type(error).__name__}: {error}.",
            f"Tell the author of the kind {kind!r}.",
        ) from error
    raise ConfigurationError(
        thing,
        f"There is no kind of transport {kind!r}.",
        f"Use one of: {', '.join(kinds())}.",
    )
