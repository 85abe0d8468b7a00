"""The user's own DBC files: which message and signal a binding means.

Law of this file: names to messages and numbers, checked when the transport is
made; no frame and no bus. cantools reads the files, and what it lets pass is
refused here: values out of a signal's range, a name that is not there, two
messages of one identifier.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cantools
from attrs import field, frozen
from cantools.errors import Error as CantoolsError

from signalling.errors import ConfigurationError
from transports.tables import checked_keys, text

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

__all__ = ["DbcFiles", "ForeignMessage", "in_range", "raw_of"]

logger = logging.getLogger(__name__)

_STANDARD, _EXTENDED = 0x7FF, 0x1FFF_FFFF


@frozen(eq=False)
class ForeignMessage:
    """A message of a user's DBC file."""

    message: Message = field()
    mask: int = field()
    """The bits of an identifier that tell messages apart."""

    @property
    def identifier(self) -> int:
        """What the masked bits are in frames of this message."""
        return self.message.frame_id & self.mask

    @property
    def extended(self) -> bool:
        """Whether its identifiers have 29 bits."""
        return self.message.is_extended_frame

    def signal(self, thing: str, name: str) -> Signal:
        """Return a signal by its name. Raises ``ConfigurationError``."""
        for signal in self.message.signals:
            if signal.name == name:
                return signal
        names = ", ".join(signal.name for signal in self.message.signals) or "none"
        raise ConfigurationError(
            thing,
            f"The message {self.message.name} has no signal {name!r}.",
            f"Its signals are: {names}.",
        )


class DbcFiles:
    """The DBC files that one transport's bindings name; each is read once.

    ``folder`` is where paths are taken from, ``tables`` what the transport's
    table says of single files.
    """

    def __init__(
        self, transport: str, folder: str, tables: Mapping[str, Mapping[str, Any]]
    ) -> None:
        self._transport = transport
        self._folder = Path(folder)
        self._tables = tables
        self._files: dict[str, dict[str, ForeignMessage]] = {}
        for name, table in tables.items():
            checked_keys(f"transport {transport}, dbc {name}", table, ("strict", "mask"))

    def message(self, thing: str, table: Mapping[str, Any]) -> ForeignMessage:
        """Return the message that a table names by ``dbc`` and ``message``.

        Raises ``ConfigurationError``.
        """
        file, name = text(thing, table, "dbc"), text(thing, table, "message")
        messages = self._messages_of(file)
        found = messages.get(name)
        if found is None:
            raise ConfigurationError(
                thing,
                f"{file} has no message {name!r}.",
                f"Its messages are: {', '.join(messages) or 'none'}.",
            )
        return found

    def every_message(self) -> tuple[ForeignMessage, ...]:
        """Return the messages of every file that the transport's table or a binding names.

        Raises ``ConfigurationError``.
        """
        files = dict.fromkeys((*self._files, *self._tables))
        return tuple(found for file in files for found in self._messages_of(file).values())

    def _messages_of(self, file: str) -> dict[str, ForeignMessage]:
        if file not in self._files:
            self._files[file] = self._read(file)
        return self._files[file]

    def _read(self, file: str) -> dict[str, ForeignMessage]:
        thing = f"transport {self._transport}, dbc {file}"
        table = self._tables.get(file, {})
        strict = table.get("strict", True)
        if not isinstance(strict, bool):
            raise ConfigurationError(thing, f"strict is {strict!r}.", "Write true or false.")
        if not strict:
            logger.warning(
                "%s is read with strict = false: signals that overlap or do not fit into their "
                "message are not refused, and may say what nobody meant",
                thing,
            )
        path = self._folder / file
        try:
            database = cantools.database.load_file(path, strict=strict)
        except OSError as error:
            raise ConfigurationError(
                thing,
                f"{path} cannot be read: {error.strerror or error}.",
                "Name a file that exists; a path is taken from the layout file's folder.",
            ) from error
        except (CantoolsError, ValueError, KeyError, TypeError) as error:
            raise ConfigurationError(
                thing,
                f"{path} cannot be used: {error}.",
                "Mend the file. For one whose signals overlap, knowing what that means: "
                f'[transports.{self._transport}.dbc."{file}"] with strict = false.',
            ) from error
        if not isinstance(database, cantools.database.can.Database):
            raise ConfigurationError(thing, f"{path} describes no messages.", "Name a DBC file.")
        return self._messages(thing, table, database)

    @staticmethod
    def _messages(
        thing: str, table: Mapping[str, Any], database: cantools.database.can.Database
    ) -> dict[str, ForeignMessage]:
        mask = table.get("mask", _EXTENDED)
        if not isinstance(mask, int) or isinstance(mask, bool) or not 0 < mask <= _EXTENDED:
            raise ConfigurationError(
                thing,
                f"mask is {mask!r}.",
                "Write the bits of an identifier that count, such as 0x1FFFFF00.",
            )
        found: dict[str, ForeignMessage] = {}
        taken: dict[tuple[int, bool], str] = {}
        for message in database.messages:
            width = _EXTENDED if message.is_extended_frame else _STANDARD
            foreign = ForeignMessage(message, mask & width)
            other = taken.setdefault((foreign.identifier, foreign.extended), message.name)
            if other != message.name:
                raise ConfigurationError(
                    thing,
                    f"{other} and {message.name} have the same identifier, "
                    f"{foreign.identifier:X} hex"
                    + ("." if mask == _EXTENDED else f" under the mask {mask:X} hex."),
                    "Give each message in the file an identifier of its own.",
                )
            found[message.name] = foreign
        return found


def raw_of(thing: str, signal: Signal, value: Any) -> float:
    """Return what a signal carries for a value: a number in its unit, or a name of the file's.

    Raises ``ConfigurationError`` for what the signal cannot say.
    """
    choices = {str(name): number for number, name in (signal.choices or {}).items()}
    if isinstance(value, str):
        if value not in choices:
            raise ConfigurationError(
                thing,
                f"The signal {signal.name} has no value called {value!r}.",
                f"Its names are: {', '.join(choices) or 'none'}; else write a number.",
            )
        return choices[value]
    if not isinstance(value, bool | int | float):
        raise ConfigurationError(
            thing, f"The value {value!r} is no number and no name.", "Write one of them."
        )
    number = int(value) if isinstance(value, bool) else value
    raw = signal.conversion.numeric_scaled_to_raw(number)
    least, most = _raw_limits(signal)
    fits = signal.is_float or least <= raw <= most
    if not (fits and in_range(signal, raw) and _scaled(signal, raw) == number):
        raise ConfigurationError(
            thing,
            f"The signal {signal.name} cannot be {value!r}.",
            f"It has {signal.length} bits, and the file gives it the range "
            f"{_shown(signal.minimum)} to {_shown(signal.maximum)}.",
        )
    return raw


def in_range(signal: Signal, raw: float) -> bool:
    """Return whether what a signal carries is within the range that its file gives it.

    cantools does not check this when it decodes.
    """
    scaled = _scaled(signal, raw)
    return (signal.minimum is None or signal.minimum <= scaled) and (
        signal.maximum is None or scaled <= signal.maximum
    )


def _scaled(signal: Signal, raw: float) -> float:
    scaled = signal.raw_to_scaled(raw, decode_choices=False)
    assert isinstance(scaled, int | float)  # noqa: S101 - for the type; no name was asked for
    return scaled


def _raw_limits(signal: Signal) -> tuple[int, int]:
    if signal.is_signed:
        return -(1 << signal.length - 1), (1 << signal.length - 1) - 1
    return 0, (1 << signal.length) - 1


def _shown(limit: float | None) -> str:
    return "any" if limit is None else f"{limit:g}"
