"""TOML data into attrs classes, strictly.

Law of this file: the shape of a file is what its classes say and nothing else.
No value is converted into another kind, no key is passed over, and every
misfit of a file is found in one go, each with the keys that lead to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any, TypeVar, get_args, get_origin

import attrs
from cattrs import BaseValidationError, Converter
from cattrs.errors import (
    AttributeValidationNote,
    ForbiddenExtraKeysError,
    IterableValidationNote,
)
from cattrs.gen import make_dict_structure_fn

__all__ = ["KeyPath", "Misfit", "ShapeError", "structure"]

KeyPath = tuple[str | int, ...]
"""Keys and list indices that lead to a place in a file."""

_T = TypeVar("_T")


@attrs.frozen
class Misfit:
    """One value that does not fit its class."""

    path: KeyPath
    reason: str
    """What is wrong, as a sentence."""
    remedy: str
    """What to do about it, as a sentence."""


class ShapeError(ValueError):
    """The data does not fit the class; ``misfits`` holds every place."""

    def __init__(self, misfits: tuple[Misfit, ...]) -> None:
        super().__init__("; ".join(misfit.reason for misfit in misfits))
        self.misfits = misfits


class _WrongKindError(ValueError):
    """A value is of another kind than its field."""

    def __init__(self, value: object, wanted: str) -> None:
        found = _kind(value)
        super().__init__(f"{found[0].upper()}{found[1:]} stands where {wanted} is expected.")
        self.remedy = f"Write {wanted}."


def structure(data: Mapping[str, Any], cls: type[_T]) -> _T:
    """Return ``data``, as ``tomllib`` gives it, as an instance of the attrs class ``cls``.

    Raises ``ShapeError``.
    """
    try:
        return _converter().structure(data, cls)
    except BaseValidationError as error:
        raise ShapeError(tuple(_misfits(error, ()))) from None


@cache
def _converter() -> Converter:
    converter = Converter()
    for kind, wanted in ((str, "a text"), (int, "a whole number"), (bool, "true or false")):
        converter.register_structure_hook(kind, _only(kind, wanted))

    @converter.register_structure_hook_factory(attrs.has)
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        inner = make_dict_structure_fn(cls, converter, _cattrs_forbid_extra_keys=True)
        return _within(dict, "a table", inner)

    @converter.register_structure_hook_factory(_is(Mapping))
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        inner = converter.get_structure_hook(dict[get_args(cls)])  # type: ignore[misc]
        return _within(dict, "a table", inner)

    @converter.register_structure_hook_factory(_is(tuple))
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        inner = converter.get_structure_hook(list[get_args(cls)[0]])  # type: ignore[misc]
        return _within(list, "a list", lambda value, _: tuple(inner(value, list)))

    return converter


def _is(generic: object) -> Callable[[Any], bool]:
    return lambda cls: get_origin(cls) is generic


def _only(kind: type, wanted: str) -> Callable[[Any, Any], Any]:
    def hook(value: Any, _: Any) -> Any:
        if type(value) is not kind:  # a boolean is no number here
            raise _WrongKindError(value, wanted)
        return value

    return hook


def _within(kind: type, wanted: str, inner: Callable[[Any, Any], Any]) -> Callable[[Any, Any], Any]:
    def hook(value: Any, cls: Any) -> Any:
        if not isinstance(value, kind):
            raise _WrongKindError(value, wanted)
        return inner(value, cls)

    return hook


def _misfits(error: Exception, path: KeyPath) -> Iterator[Misfit]:
    for note in getattr(error, "__notes__", ()):
        if isinstance(note, AttributeValidationNote):
            path = (*path, note.name)
        elif isinstance(note, IterableValidationNote):
            path = (*path, note.index)
    if isinstance(error, BaseValidationError):
        for inner in error.exceptions:
            yield from _misfits(inner, path)
    elif isinstance(error, ForbiddenExtraKeysError):
        known = ", ".join(each.name for each in attrs.fields(error.cl))
        for key in sorted(error.extra_fields):
            yield Misfit(
                (*path, key), f"There is no key {key!r} here.", f"The keys here are: {known}."
            )
    elif isinstance(error, _WrongKindError):
        yield Misfit(path, str(error), error.remedy)
    else:  # the class was built from all keys but this one
        yield Misfit(path, f"The key {path[-1]!r} is missing.", f"Add {path[-1]} = ...")


def _kind(value: object) -> str:
    match value:
        case bool():
            return "true or false"
        case int() | float():
            return f"the number {value}"
        case str():
            return "a text"
        case list():
            return "a list"
        case dict():
            return "a table"
        case _:
            return "a date or a time"
