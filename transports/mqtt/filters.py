"""Topic filters: which are well formed, and which take in which.

Law of this file: MQTT 3.1.1, section 4.7, on texts; no connection. A broker may
send a message once for each subscription that takes it in (3.3.5), so that who
counts messages must not subscribe to one thing twice.
"""

from __future__ import annotations

from collections.abc import Iterable

from signalling.errors import ConfigurationError

__all__ = ["checked_filter", "covers", "without_covered"]

_LONGEST = 65_535
"""Bytes of a filter (MQTT 3.1.1, 1.5.3)."""


def checked_filter(thing: str, text: str) -> str:
    """Return a topic filter. Raises ``ConfigurationError`` where it is none."""
    *before, last = text.split("/")
    whole = all(level == "+" or not set(level) & set("+#") for level in before)
    ends = last in ("+", "#") or not set(last) & set("+#")
    # What the command line could not decode stands as lone surrogates, which "?" replaces here.
    length = len(text.encode(errors="replace"))
    decoded = not any("\ud800" <= sign <= "\udfff" for sign in text)
    if not (text and whole and ends and decoded and "\0" not in text and length <= _LONGEST):
        raise ConfigurationError(
            thing,
            f"{text!r} is no topic filter.",
            "Write one such as 'shed/#' for all that is under shed, 'shed/+/state' with '+' for "
            "any one level, or '#' for everything.",
        )
    return text


def covers(wide: str, narrow: str) -> bool:
    """Return whether all that one filter or topic takes in is taken in by another."""
    wider, narrower = wide.split("/"), narrow.split("/")
    if narrower[0].startswith("$") and wider[0] in ("+", "#"):
        return False  # 4.7.2: wildcards do not take in what is the broker's own
    for at, level in enumerate(wider):
        if level == "#":
            return True  # 4.7.1.2: it takes in the level above, too
        if at == len(narrower) or narrower[at] == "#" or level not in ("+", narrower[at]):
            return False
    return len(wider) == len(narrower)


def without_covered(filters: Iterable[str]) -> list[str]:
    """Return the filters that no other of them takes in, each once, in their order."""
    given = list(dict.fromkeys(filters))
    return [
        each for each in given if not any(covers(other, each) for other in given if other != each)
    ]
