"""What a layout's table for an MQTT transport may say.

Law of this file: the table's keys, checked; no connection. Names and passwords
of the broker's users never stand in a layout file, which people show to each
other: they come from the environment or from a file of their own.
"""

from __future__ import annotations

import os
import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from attrs import frozen

from signalling.errors import ConfigurationError
from transports.link import SUPERVISED_OPTIONS, Timing
from transports.mqtt.own.schema import VERSION
from transports.tables import checked_keys, table_of_tables, text, whole

if TYPE_CHECKING:
    from transports.transport import TransportSettings

__all__ = ["Options"]

_KEYS = (
    "host",
    "port",
    "base",
    "username_env",
    "username_file",
    "password_env",
    "password_file",
    "tls",
    "ca_file",
    "cert_file",
    "key_file",
    "payload_limit",
    "publishers",
    "schema",
    "within",
    *SUPERVISED_OPTIONS,
)

_PLAIN = {
    "payload_limit": "the schema has a limit of its own",
    "publishers": "nodes say themselves that they are there",
}
"""Keys that mean nothing where messages are of our own schema, and why."""

_WITHIN = 1.0
_SHORTEST, _LONGEST = 0.2, 60.0
"""Seconds that ``within`` may be; the schema's time to live has the same limits or wider ones."""

_SECRETS = ("username", "user", "password")


@frozen(kw_only=True)
class Options:
    """The table, read. Without any of it: a broker on this machine, without TLS or password."""

    host: str
    port: int
    base: str
    """What topics begin with where a binding names none."""
    username: str | None
    password: str | None
    tls: ssl.SSLContext | None
    payload_limit: int
    """Bytes that a payload may have."""
    publishers: Mapping[str, Mapping[str, Any]]
    schema: int | None
    """The version of our own schema; ``None`` where each binding says what its messages are."""
    requests: bool
    """Whether requests may be made."""
    within: float
    """Seconds for which what is said in our own schema holds good, unless said again."""
    timing: Timing

    @classmethod
    def read(cls, settings: TransportSettings) -> Options:
        """Read a transport's table, and the files and environment that it names.

        Raises ``ConfigurationError``.
        """
        thing, given = f"transport {settings.name}", settings.options
        for key in _SECRETS:
            if key in given:
                raise ConfigurationError(
                    thing,
                    f"It has {key!r} in the layout file.",
                    f"Name an environment variable in {key}_env, or a file in {key}_file.",
                )
        checked_keys(thing, given, _KEYS)
        folder = Path(settings.folder)
        tls = _tls(thing, given, folder)
        return cls(
            host=_host(thing, given),
            port=whole(thing, given, "port", 1, 65_535, default=1883 if tls is None else 8883),
            base=text(thing, given, "base", "signalling"),
            username=_secret(thing, given, "username", folder),
            password=_secret(thing, given, "password", folder),
            tls=tls,
            payload_limit=whole(thing, given, "payload_limit", 1, 2**28, default=65_536),
            publishers=table_of_tables(thing, given, "publishers"),
            schema=_schema(thing, given),
            requests=given.get("requests", False) is not False,
            within=_within(thing, given),
            timing=Timing.from_options(settings.name, given),
        )


def _schema(thing: str, given: Mapping[str, Any]) -> int | None:
    if "schema" not in given:
        return None
    schema = whole(thing, given, "schema", VERSION, VERSION)
    for key, why in _PLAIN.items():
        if key in given:
            raise ConfigurationError(
                thing,
                f"It has both {key} and schema.",
                f"Take {key} out: {why}. Other hardware is bound to a transport without schema, "
                "which may use the same broker.",
            )
    return schema


def _within(thing: str, given: Mapping[str, Any]) -> float:
    value = given.get("within", _WITHIN)
    if "within" in given and "schema" not in given:
        raise ConfigurationError(
            thing,
            "It has within, and no schema.",
            f"Write schema = {VERSION} with it, or give `within` to a publisher.",
        )
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (number and _SHORTEST <= value <= _LONGEST):
        raise ConfigurationError(
            thing,
            f"within is {value!r}.",
            f"Write seconds, from {_SHORTEST:g} to {_LONGEST:g}.",
        )
    return float(value)


def _host(thing: str, given: Mapping[str, Any]) -> str:
    host = text(thing, given, "host", "127.0.0.1")
    try:
        host.encode("idna")
    except UnicodeError:
        raise ConfigurationError(
            thing, f"host is {host!r}.", "Write a name or an address, such as 'broker.local'."
        ) from None
    return host


def _secret(thing: str, given: Mapping[str, Any], what: str, folder: Path) -> str | None:
    from_env, from_file = f"{what}_env", f"{what}_file"
    if from_env in given and from_file in given:
        raise ConfigurationError(
            thing, f"It has both {from_env} and {from_file}.", "Give one of them."
        )
    if from_env in given:
        name = text(thing, given, from_env)
        value = os.environ.get(name)
        if not value:
            raise ConfigurationError(
                thing,
                f"The environment variable {name}, which {from_env} names, is not set.",
                f"Set it, as in: export {name}=...",
            )
        return value
    if from_file in given:
        path = _file(thing, given, from_file, folder)
        try:
            return path.read_text(encoding="utf-8").strip()
        except UnicodeDecodeError:
            raise ConfigurationError(
                thing, f"{from_file} names {path}, which is not text.", "Write it as UTF-8."
            ) from None
    return None


def _file(thing: str, given: Mapping[str, Any], key: str, folder: Path) -> Path:
    path = folder / text(thing, given, key)
    if not path.is_file() or not os.access(path, os.R_OK):
        raise ConfigurationError(
            thing,
            f"{key} names {path}, which cannot be read.",
            "Name a file that exists and that this user may read; "
            "a path is taken from the layout file's folder.",
        )
    return path


def _tls(thing: str, given: Mapping[str, Any], folder: Path) -> ssl.SSLContext | None:
    files = [key for key in ("ca_file", "cert_file", "key_file") if key in given]
    wanted = given.get("tls", bool(files))
    if not isinstance(wanted, bool):
        raise ConfigurationError(thing, f"tls is {wanted!r}.", "Write true or false.")
    if not wanted:
        if files:
            raise ConfigurationError(
                thing, f"It has {', '.join(files)}, but tls = false.", "Drop one or the other."
            )
        return None
    ca_file = _file(thing, given, "ca_file", folder) if "ca_file" in given else None
    key_file = _file(thing, given, "key_file", folder) if "key_file" in given else None
    try:
        context = ssl.create_default_context(cafile=ca_file)
        if "cert_file" in given:
            # Without a password it would ask for one at the terminal.
            certificate = _file(thing, given, "cert_file", folder)
            context.load_cert_chain(certificate, key_file, password="")
    except ssl.SSLError as error:
        raise ConfigurationError(
            thing,
            f"The files of {', '.join(files)} cannot be used: {error.reason or error}.",
            "They are to be certificates and a key in PEM form.",
        ) from error
    return context
