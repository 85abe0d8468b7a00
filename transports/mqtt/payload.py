"""Payloads to words and words to payloads.

Law of this file: bytes, JSON and words; no topics, no connection. A payload is
plain text, or JSON in which a pointer (RFC 6901) names a place. A value map
gives, for each of our words, what the other side writes for it. What cannot be
read for certain is rejected with a reason to count it under, never guessed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import frozen

from signalling.errors import ConfigurationError, RejectedInputError
from transports.texts import is_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["MISSING", "OrderFormat", "Pointer", "ReportFormat", "read_json"]

MISSING = object()
"""What a pointer gives where its place is not in the document."""

Known = tuple[str, Any]
"""A JSON value with its type: JSON's ``true``, ``1`` and ``"1"`` are three values."""


def read_json(payload: bytes) -> Any:
    """Return the JSON document in a payload.

    Raises ``RejectedInputError`` where it is none, or one that says two things
    under one key (RFC 8259 leaves open which of them counts).
    """
    try:
        return _DECODER.decode(payload.decode())
    except RejectedInputError:
        raise
    except (ValueError, RecursionError) as error:
        raise RejectedInputError("not-json", str(error)) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise RejectedInputError("repeated-key")
    return found


def _not_a_number(text: str) -> Any:
    raise ValueError(f"{text} is not JSON")


_DECODER = json.JSONDecoder(object_pairs_hook=_object, parse_constant=_not_a_number)


class Pointer:
    """A place in a JSON document, as RFC 6901 writes it: ``/state`` or ``/relays/0``.

    Raises ``ValueError`` for text that is not a pointer.
    """

    def __init__(self, text: str) -> None:
        if text and not text.startswith("/"):
            raise ValueError("a JSON pointer is empty or begins with '/'")
        self._text = text
        self.parts = tuple(_unescaped(part) for part in text.split("/")[1:])

    def __str__(self) -> str:
        return self._text

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Pointer) and self.parts == other.parts

    def __hash__(self) -> int:
        return hash(self.parts)

    def find(self, document: Any) -> Any:
        """Return what stands at the place, or ``MISSING``."""
        for part in self.parts:
            if isinstance(document, dict):
                document = document.get(part, MISSING)
            elif isinstance(document, list) and _is_index(part) and int(part) < len(document):
                document = document[int(part)]
            else:
                return MISSING
        return document

    def around(self, value: Any) -> Any:
        """Return a document of nested objects that has the value at the place."""
        for part in reversed(self.parts):
            value = {part: value}
        return value


def _unescaped(part: str) -> str:
    # RFC 6901, section 3: '~' stands in '~0' and '~1' only; section 4: '~1' is undone first.
    if "~" in part.replace("~0", "").replace("~1", ""):
        raise ValueError("in a JSON pointer '~' is written '~0', and '/' within a name '~1'")
    return part.replace("~1", "/").replace("~0", "~")


def _is_index(part: str) -> bool:
    # RFC 6901, section 4: no leading zeros.
    return part.isascii() and part.isdigit() and (part == "0" or part[0] != "0") and len(part) < 10


def _known(value: Any) -> Known | None:
    """Return a value with its type, or ``None`` where it cannot stand in a value map."""
    if isinstance(value, bool):
        return ("boolean", value)
    if isinstance(value, int | float):
        return ("number", value)
    if isinstance(value, str):
        return ("text", value)
    return None


@frozen
class ReportFormat:
    """How a message says what a device reports."""

    words: Mapping[Known, str]
    """The word for each value that the other side writes."""
    pointer: Pointer | None
    """The place of the value; ``None`` where the payload is plain text."""
    optional: bool = False
    """Whether a document without the place says nothing, rather than nothing certain."""
    texts: bool = False
    """Whether any other text, or whole number, is a word too."""

    def decode(self, payload: bytes, document: Callable[[], Any]) -> str | None:
        """Return the word that a payload says; ``None`` where it says nothing of the device.

        ``document`` gives the payload's JSON, read once for all that share it.
        Raises ``RejectedInputError``.
        """
        if self.pointer is None:
            return self._plain(payload, document)
        value = self.pointer.find(document())
        if value is MISSING:
            if self.optional:
                return None
            raise RejectedInputError("no-such-place", str(self.pointer))
        return self._word(value)

    def _plain(self, payload: bytes, document: Callable[[], Any]) -> str:
        try:
            text = payload.decode().strip()
        except UnicodeDecodeError:
            raise RejectedInputError("not-text") from None
        word = self.words.get(("text", text))
        if word is not None:
            return word
        if self.texts and is_text(text):
            return text
        try:
            return self._word(document())
        except RejectedInputError:
            raise RejectedInputError("unknown-value", text[:80]) from None

    def _word(self, value: Any) -> str:
        known = _known(value)
        word = None if known is None else self.words.get(known)
        if word is None and self.texts and known is not None and is_text(str(value)):
            return str(value)
        if word is None:
            raise RejectedInputError("unknown-value", repr(value)[:80])
        return word

    @classmethod
    def make(
        cls,
        thing: str,
        words: Iterable[str],
        table: Mapping[str, Any],
        *,
        optional: bool = False,
        texts: bool = False,
    ) -> ReportFormat:
        """Return the format that a binding's table asks for, for a device that says ``words``.

        ``texts`` says that it says any other text, too. Raises ``ConfigurationError``.
        """
        words = tuple(words)
        found: dict[Known, str] = {}
        for word, written in _values(thing, words, table).items():
            for value in written if isinstance(written, list) else [written]:
                known = _checked(thing, word, value)
                if known in found:
                    raise ConfigurationError(
                        thing,
                        f"{value!r} stands for both {found[known]!r} and {word!r}.",
                        "Give each word values of its own.",
                    )
                found[known] = word
        return cls(found, _pointer(thing, table), optional, texts)


@frozen
class OrderFormat:
    """How a device is told an order: the payload of each word, made once."""

    payloads: Mapping[str, bytes]
    pointer: Pointer | None = None
    template: str | None = None

    def text(self, value: str) -> bytes:
        """Return the payload of a text that is not among the words."""
        return _payload(value, self.pointer, self.template).encode()

    def read(self, payload: bytes) -> str | None:
        """Return the text that a payload is, not among the words; ``None`` where it is none."""
        before, _, after = (self.template or "").partition("{value}")
        try:
            said: Any = payload.decode()
            if self.pointer is not None:
                said = self.pointer.find(read_json(payload))
            elif self.template is not None:
                inner = said.removeprefix(before).removesuffix(after)
                said = json.loads(f'"{inner}"') if f"{before}{inner}{after}" == said else None
        except (ValueError, RejectedInputError):
            return None
        return said if is_text(said) else None

    @classmethod
    def make(cls, thing: str, words: Iterable[str], table: Mapping[str, Any]) -> OrderFormat:
        """Return the format that a binding's table asks for, for a device that is told ``words``.

        Raises ``ConfigurationError``.
        """
        words = tuple(words)
        values = {word: word for word in words} | _values(thing, words, table)
        pointer, template = _pointer(thing, table), table.get("template")
        if template is not None:
            if pointer is not None:
                raise ConfigurationError(
                    thing, "It has both a pointer and a template.", "Give one of them."
                )
            if not isinstance(template, str) or "{value}" not in template:
                raise ConfigurationError(
                    thing,
                    f"The template {template!r} has no place for the value.",
                    "Write {value} where it stands.",
                )
        payloads = {}
        for word, value in values.items():
            _checked(thing, word, value)
            payloads[word] = _payload(value, pointer, template).encode()
        first = words[0]
        same = [word for word in words[1:] if payloads[word] == payloads[first]]
        if same:
            raise ConfigurationError(
                thing,
                f"{', '.join(same)} would be sent just as {first}.",
                "Give each a value of its own.",
            )
        return cls(payloads, pointer, template)


def _payload(value: Any, pointer: Pointer | None, template: str | None) -> str:
    if pointer is not None:
        return json.dumps(pointer.around(value), ensure_ascii=False, separators=(",", ":"))
    if template is not None:
        written = json.dumps(value, ensure_ascii=False)
        # A text's quotation marks, where they are wanted, stand in the template.
        return template.replace("{value}", written[1:-1] if isinstance(value, str) else written)
    return value if isinstance(value, str) else json.dumps(value)


def _values(thing: str, words: tuple[str, ...], table: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the other side writes for each word; the word itself where nothing is given."""
    values = table.get("values")
    if values is None:
        return {word: word for word in words}
    if not isinstance(values, Mapping):
        raise ConfigurationError(
            thing, f"values is {values!r}.", 'Write a table, such as { occupied = "ON" }.'
        )
    strange = [word for word in values if word not in words]
    if strange:
        raise ConfigurationError(
            thing,
            f"values has {', '.join(strange)}, which is no word of this device.",
            f"Its words are: {', '.join(words)}.",
        )
    return dict(values)


def _checked(thing: str, word: str, value: Any) -> Known:
    known = _known(value)
    if known is None:
        raise ConfigurationError(
            thing,
            f"The value for {word} is {value!r}.",
            "Write a text, a number, true or false.",
        )
    return known


def _pointer(thing: str, table: Mapping[str, Any]) -> Pointer | None:
    text = table.get("pointer")
    if text is None:
        return None
    try:
        if not isinstance(text, str):
            raise ValueError("a JSON pointer is text")  # noqa: TRY301, TRY004 - told below
        return Pointer(text)
    except ValueError as error:
        raise ConfigurationError(
            thing, f"The pointer {text!r} cannot be used: {error}.", 'Write it like "/state".'
        ) from None
