"""What a layout's table for a CAN transport may say.

Law of this file: the table's keys, checked; no bus. The name of the interface
and the table ``options`` go to python-can as they are, so that every adapter it
knows, or a plug-in brings, can be used.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import can
from attrs import evolve, frozen

from signalling.errors import ConfigurationError
from transports.can.schema import load_schema
from transports.link import SUPERVISED_OPTIONS, Timing
from transports.tables import checked_keys, table_of_tables, text, whole

if TYPE_CHECKING:
    from transports.transport import TransportSettings

__all__ = ["Options"]

_KEYS = ("interface", "channel", "bitrate", "options", "dbc", "publishers", *SUPERVISED_OPTIONS)


_DEFAULTS: Mapping[str, Mapping[str, Any]] = {
    # Else each look for a message that is not there waits for a millisecond.
    "slcan": {"timeout": 0},
}
"""What python-can is given for an interface unless ``options`` says otherwise."""


@frozen(kw_only=True)
class Options:
    """The table, read."""

    interface: str
    arguments: Mapping[str, Any]
    """What python-can is given to open the bus."""
    dbc: Mapping[str, Mapping[str, Any]]
    """What is to be known of foreign DBC files, by their names."""
    publishers: Mapping[str, Mapping[str, Any]]
    timing: Timing

    @classmethod
    def read(cls, settings: TransportSettings) -> Options:
        """Read a transport's table. Raises ``ConfigurationError``."""
        thing, given = f"transport {settings.name}", settings.options
        checked_keys(thing, given, _KEYS)
        interface = text(thing, given, "interface")
        if interface not in can.VALID_INTERFACES:
            raise ConfigurationError(
                thing,
                f"python-can knows no interface {interface!r}.",
                "Install the plug-in that brings it, or use one of: "
                f"{', '.join(sorted(can.VALID_INTERFACES))}.",
            )
        more = given.get("options", {})
        table = isinstance(more, Mapping)
        clash = sorted({"interface", "channel", "bitrate"} & set(more)) if table else []
        if not table or clash:
            raise ConfigurationError(
                thing,
                f"options has {', '.join(clash)}." if clash else f"options is {more!r}.",
                "Write there, as a table, what python-can takes for the interface besides "
                "channel and bitrate; these two stand in the transport's own table.",
            )
        arguments: dict[str, Any] = {**_DEFAULTS.get(interface, {}), **more}
        if "channel" in given:
            arguments["channel"] = given["channel"]
        if "bitrate" in given:
            arguments["bitrate"] = whole(thing, given, "bitrate", 1_000, 1_000_000)
        return cls(
            interface=interface,
            arguments=arguments,
            dbc=table_of_tables(thing, given, "dbc"),
            publishers=table_of_tables(thing, given, "publishers"),
            timing=_timing(thing, settings),
        )


def _timing(thing: str, settings: TransportSettings) -> Timing:
    """Return the figures of the link: a bus is refreshed as often as its nodes need."""
    schema = load_schema()
    period = min(shape.period for shape in schema.shapes.values() if shape.period is not None)
    timing = Timing.from_options(settings.name, settings.options)
    if "refresh" not in settings.options:
        return evolve(timing, refresh=period)
    own = any("node" in bound.order for bound in settings.devices)
    if own and timing.refresh > schema.order_timeout / 2:
        raise ConfigurationError(
            thing,
            f"refresh is {timing.refresh:g}, and nodes go to danger when they hear nothing for "
            f"{schema.order_timeout:g} s.",
            f"Leave it out, for {period:g}, or write no more than {schema.order_timeout / 2:g}.",
        )
    return timing
