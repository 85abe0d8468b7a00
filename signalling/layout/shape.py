"""TOML data into attrs classes, strictly.

Law of this file: the shape of a file is what its classes say and nothing else.
No value is converted into another kind (a whole number does for a number), no
key is passed over, and every misfit of a file is found in one go, each with
the keys that lead to it. What fits is not lost because of what does not.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

import attrs
from cattrs import BaseValidationError, Converter
from cattrs.errors import (
    AttributeValidationNote,
    ForbiddenExtraKeysError,
    IterableValidationNote,
)
from cattrs.gen import make_dict_structure_fn, override

from signalling.layout.findings import did_you_mean, listed
from signalling.layout.place import KeyPath

__all__ = [
    "KeyPath",
    "Misfit",
    "ShapeError",
    "key_of",
    "members",
    "shown",
    "structure",
    "structure_rest",
    "unit_of",
]

_T = TypeVar("_T")

_LARGEST = 2**53
"""No whole number in a file needs to be larger; beyond, other programs lose digits."""

_UNITS = {"mm": "mm", "s": "seconds", "mm/s": "mm per second", "mm/s²": "mm per second squared"}


@attrs.frozen
class Misfit:
    """One value that does not fit its class."""

    path: KeyPath
    reason: str
    """What is wrong, as a sentence."""
    remedy: str
    """What to do about it, as a sentence."""
    drop: KeyPath = ()
    """The nearest thing around it that can be left out; the whole where nothing can."""


class ShapeError(ValueError):
    """The data does not fit the class; ``misfits`` holds every place."""

    def __init__(self, misfits: tuple[Misfit, ...]) -> None:
        super().__init__("; ".join(misfit.reason for misfit in misfits))
        self.misfits = misfits


class _WrongKindError(ValueError):
    """A value is of another kind than its field."""

    def __init__(self, value: object, wanted: Any) -> None:
        super().__init__()
        self.value = value
        self.wanted = wanted


def structure(data: Any, cls: type[_T]) -> _T:
    """Return ``data``, as ``tomllib`` gives it, as an instance of ``cls``.

    ``cls`` is an attrs class, or a mapping or a tuple of them. Raises ``ShapeError``.
    """
    try:
        made = _converter().structure(data, cls)
    except (BaseValidationError, _WrongKindError) as error:
        raise ShapeError(tuple(_misfits(error, _Spot(data)))) from None
    misfits = tuple(_out_of_range(made, (), ()))
    if misfits:
        raise ShapeError(misfits)
    return made


def structure_rest(data: Any, cls: type[_T]) -> tuple[_T | None, tuple[Misfit, ...]]:
    """Return as much of ``data`` as fits, and what does not.

    The first is ``None`` where nothing can be made of what is left.
    """
    try:
        return structure(data, cls), ()
    except ShapeError as error:
        misfits = error.misfits
    data = copy.deepcopy(data)
    for path in _outermost({misfit.drop for misfit in misfits}):
        if not path:
            return None, misfits
        within = data
        for key in path[:-1]:
            within = within[key]
        del within[path[-1]]
    rest, more = structure_rest(data, cls)  # values are looked at once their kinds are right
    return rest, (*misfits, *more)


def key_of(attribute: attrs.Attribute[Any]) -> str:
    """Return the key that stands for a field in a file."""
    return attribute.metadata.get("key") or attribute.name


def shown(value: object) -> str:
    """Return a value as a sentence has it, near to how the file writes it."""
    match value:
        case dict():
            return "a table"
        case list():
            return "a list"
        case bool() | str():
            text = json.dumps(value, ensure_ascii=False)
        case int() if abs(value) > _LARGEST:
            return "a very large number"
        case _:
            text = str(value)
    return text if len(text) <= 60 else f"{text[:50]}..."


@cache
def _converter() -> Converter:
    converter = Converter()
    for kind in (str, bool):
        converter.register_structure_hook(kind, _only)
    converter.register_structure_hook(int, _whole_number)
    converter.register_structure_hook(float, _number)
    converter.register_structure_hook_func(_is(Literal), _literal)

    @converter.register_structure_hook_factory(attrs.has)
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        keys: dict[str, Any] = {
            each.name: override(rename=key_of(each))
            for each in attrs.fields(attrs.resolve_types(cls))
            if key_of(each) != each.name
        }
        inner = make_dict_structure_fn(cls, converter, _cattrs_forbid_extra_keys=True, **keys)
        return _within(dict, inner)

    @converter.register_structure_hook_factory(_is(Mapping))
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        inner = converter.get_structure_hook(dict[get_args(cls)])  # type: ignore[misc]
        return _within(dict, inner)

    @converter.register_structure_hook_factory(_is(tuple))
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        inner = converter.get_structure_hook(list[get_args(cls)[0]])  # type: ignore[misc]
        return _within(list, lambda value, _: tuple(inner(value, list)))

    @converter.register_structure_hook_factory(_is_union)
    def _(cls: Any) -> Callable[[Any, Any], Any]:
        def hook(value: Any, _: Any) -> Any:
            for member in get_args(cls):
                if _may_be(value, member):
                    return converter.structure(value, member)
            raise _WrongKindError(value, cls)

        return hook

    return converter


def _is(generic: object) -> Callable[[Any], bool]:
    return lambda cls: get_origin(cls) is generic


def members(cls: Any) -> tuple[Any, ...]:
    """Return the types that a value may have, without the one that stands for none given."""
    if not _is_union(cls):
        return (cls,)
    return tuple(each for each in get_args(cls) if each is not type(None))


def _is_union(cls: Any) -> bool:
    return isinstance(cls, UnionType) or get_origin(cls) is Union


def _may_be(value: object, cls: Any) -> bool:
    """Return whether the kind of a value picks this member of a union."""
    kind = type(value)
    if cls is float:
        return kind in (int, float)
    if get_origin(cls) is Literal:
        return kind is str
    return kind is {tuple: list, Mapping: dict}.get(
        get_origin(cls), dict if attrs.has(cls) else cls
    )


def _only(value: Any, cls: Any) -> Any:
    if type(value) is not cls:  # true is no number here
        raise _WrongKindError(value, cls)
    return value


def _whole_number(value: Any, cls: Any) -> Any:
    if type(value) is not int or abs(value) > _LARGEST:
        raise _WrongKindError(value, cls)
    return value


def _number(value: Any, cls: Any) -> Any:
    if type(value) is int and abs(value) <= _LARGEST:
        return float(value)
    # No length, time or speed of a railway is larger; infinite ones are caught here, too.
    if type(value) is not float or not abs(value) <= _LARGEST:
        raise _WrongKindError(value, cls)
    return value


def _literal(value: Any, cls: Any) -> Any:
    if value not in get_args(cls):
        raise _WrongKindError(value, cls)
    return value


def _within(kind: type, inner: Callable[[Any, Any], Any]) -> Callable[[Any, Any], Any]:
    def hook(value: Any, cls: Any) -> Any:
        if type(value) is not kind:
            raise _WrongKindError(value, cls)
        return inner(value, cls)

    return hook


@attrs.frozen
class _Spot:
    """Where the walk over an error stands."""

    data: Any
    path: KeyPath = ()
    drop: KeyPath = ()
    """The nearest thing around it that can be left out."""
    attribute: attrs.Attribute[Any] | None = None
    """The field that it is, or is within."""

    def inner(self, error: BaseException, around: type) -> _Spot:
        """Return the spot of an error that another, about the class ``around``, holds."""
        for note in getattr(error, "__notes__", ()):
            if isinstance(note, AttributeValidationNote):
                attribute = getattr(attrs.fields(around), note.name)
                path = (*self.path, key_of(attribute))
                drop = path if attribute.default is not attrs.NOTHING else self.drop
                return _Spot(self.data.get(path[-1]), path, drop, attribute)
            if isinstance(note, IterableValidationNote):
                data = self.data[note.index]
                path = (*self.path, note.index)
                an_entry = isinstance(note.index, str) or attrs.has(note.type)
                return _Spot(data, path, path if an_entry else self.drop, self.attribute)
        return self


def _misfits(error: BaseException, spot: _Spot) -> Iterator[Misfit]:
    """Yield what is wrong at a spot and below."""
    path = spot.path
    if isinstance(error, ForbiddenExtraKeysError):
        known = [key_of(each) for each in attrs.fields(error.cl)]
        for key in sorted(error.extra_fields):
            yield Misfit(
                (*path, key),
                f"There is no key {shown(key)} here.",
                did_you_mean(key, known, f"Take it out; the keys here are {listed(known)}."),
                (*path, key),
            )
    elif isinstance(error, BaseValidationError):
        for inner in error.exceptions:
            yield from _misfits(inner, spot.inner(inner, error.cl))
    elif isinstance(error, _WrongKindError):
        yield _wrong_kind(error, spot)
    else:  # the class was built from all keys but this one
        yield Misfit(
            path,
            f"The key `{path[-1]}` is missing.",
            f"Add `{path[-1]} = ...`{_sentence(spot.attribute)}",
            spot.drop,
        )


def _wrong_kind(error: _WrongKindError, spot: _Spot) -> Misfit:
    value, kind = error.value, error.wanted
    wanted = _wanted(kind, spot.attribute)
    place = next((f"`{key}` is" for key in reversed(spot.path) if isinstance(key, str)), "This is")
    remedy = f"Write {wanted}{_sentence(spot.attribute)}"
    if isinstance(value, str):
        if get_origin(kind) is Literal:
            remedy = did_you_mean(value, get_args(kind), remedy)
        elif any(_unquoted(value, each) for each in members(kind)):
            remedy = "Take the quotes away."
        elif get_origin(kind) is tuple:
            remedy = f"Write it as a list: `[{shown(value)}]`."
    reason = f"{place} {shown(value)}, where {wanted} is expected."
    return Misfit(spot.path, reason, remedy, spot.drop)


def _unquoted(text: str, kind: Any) -> bool:
    """Return whether a quoted text would do without its quotes."""
    if kind is bool:
        return text in ("true", "false")
    if kind not in (int, float):
        return False
    try:
        kind(text)
    except ValueError:
        return False
    return True


def _sentence(attribute: attrs.Attribute[Any] | None) -> str:
    """Return the first sentence on a field, to follow what it should be."""
    sentence = attribute.metadata.get("sentence", "") if attribute is not None else ""
    sentence = f"{sentence.rstrip('.').split('. ')[0]}."
    return f": {sentence[0].lower()}{sentence[1:]}" if len(sentence) > 1 else "."


def unit_of(attribute: attrs.Attribute[Any]) -> str:
    """Return the words for a field's unit; empty where it has none."""
    return _UNITS.get(attribute.metadata.get("unit", ""), "")


def _wanted(cls: Any, attribute: attrs.Attribute[Any] | None = None) -> str:
    """Return the words for what a file must write for a type."""
    unit = unit_of(attribute) if attribute is not None else ""
    if cls is float:
        return f"a number of {unit}" if unit else "a number"
    if attrs.has(cls):
        keys = [key_of(each) for each in attrs.fields(cls)]
        return f"a table in braces, such as `{{ {keys[0]} = ... }}`"
    if _is_union(cls):
        return " or ".join(_wanted(each, attribute) for each in members(cls))
    match get_origin(cls):
        case origin if origin is Literal:
            return " or ".join(f'"{word}"' for word in get_args(cls))
        case origin if origin is tuple:
            return f"a list in brackets, each item {_wanted(get_args(cls)[0], attribute)}"
        case origin if origin is Mapping:
            return "a table"
    return {str: "a text in quotes", int: "a whole number", bool: "true or false"}.get(
        cls, "a value"
    )


def _out_of_range(value: Any, path: KeyPath, drop: KeyPath) -> Iterator[Misfit]:
    """Yield every number that its field's metadata does not allow."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _out_of_range(inner, (*path, key), (*path, key))
    elif isinstance(value, tuple):
        for index, inner in enumerate(value):
            yield from _out_of_range(inner, (*path, index), (*path, index))
    elif attrs.has(type(value)):
        for attribute in attrs.fields(type(value)):
            inner = getattr(value, attribute.name)
            key = key_of(attribute)
            within = (*path, key)
            optional = attribute.default is not attrs.NOTHING
            least, above = (attribute.metadata.get(limit) for limit in ("least", "above"))
            if least is None and above is None:
                yield from _out_of_range(inner, within, within if optional else drop)
                continue
            for number in inner if isinstance(inner, tuple) else (inner,):
                if number is None or isinstance(number, bool):
                    continue
                if (least is not None and number < least) or (
                    above is not None and number <= above
                ):
                    bound = f"{least:g} or more" if least is not None else f"more than {above:g}"
                    yield Misfit(
                        within,
                        f"`{key}` is {number:g}, and must be {bound}.",
                        f"Write {_wanted(float, attribute)}, {bound}{_sentence(attribute)}",
                        within if optional else drop,
                    )


def _outermost(paths: set[KeyPath]) -> list[KeyPath]:
    """Return the paths that no other contains, the last of each list first."""
    kept = [path for path in paths if not any(path[:end] in paths for end in range(len(path)))]
    return sorted(kept, reverse=True)  # where two part, both are keys or both are positions
