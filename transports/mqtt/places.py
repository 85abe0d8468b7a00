"""What stands in a JSON payload that nobody has bound, place by place.

Law of this file: from bytes to JSON pointers, as a binding's ``pointer`` takes
them; nothing is known of devices.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from signalling.errors import RejectedInputError
from transports.mqtt.payload import read_json

__all__ = ["places"]

_MOST = 100
"""Places that are told of one payload."""
_DEEPEST = 8
"""Names in a pointer."""


def places(payload: bytes, longest: int) -> dict[str, Any]:
    """Return each text, number, truth value and null of a payload by its JSON pointer (RFC 6901).

    Empty where the payload is no JSON object or array, or is longer than
    ``longest``, in bytes. Of a large document, the first places only.
    """
    if len(payload) > longest or payload[:1] not in (b"{", b"["):
        return {}
    try:
        document = read_json(payload)
    except RejectedInputError:
        return {}
    found: dict[str, Any] = {}
    for pointer, value in _walk("", document, _DEEPEST):
        if len(found) == _MOST:
            break
        found[pointer] = value
    return found


def _walk(pointer: str, value: Any, deeper: int) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        inner: Iterator[tuple[str, Any]] = (
            (name.replace("~", "~0").replace("/", "~1"), each) for name, each in value.items()
        )
    elif isinstance(value, list):
        inner = ((str(index), each) for index, each in enumerate(value))
    else:
        yield pointer, value
        return
    if deeper:
        for name, each in inner:
            yield from _walk(f"{pointer}/{name}", each, deeper - 1)
