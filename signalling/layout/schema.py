"""A JSON Schema from attrs classes: one for each kind of file.

Law of this file: types, defaults, limits and sentences are taken from the
classes; nothing about any one class is written here. The result is JSON Schema
2020-12, as editors use it to complete and to mark mistakes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args, get_origin

import attrs

from signalling.layout.shape import key_of, members, unit_of

__all__ = ["schema_of"]

_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean"}


def schema_of(*, cls: type, title: str, names: str | None) -> dict[str, Any]:
    """Return the schema of a file that is read into ``cls``.

    ``names`` is the regular expression that the keys of tables of named things
    must match, if any.
    """
    definitions: dict[str, Any] = {}
    top = _of_class(cls, definitions, names)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        **top,
        "$defs": dict(sorted(definitions.items())),
    }


def _of_class(cls: type, definitions: dict[str, Any], names: str | None) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    required: list[str] = []
    for attribute in attrs.fields(attrs.resolve_types(cls)):
        key = key_of(attribute)
        properties[key] = _of_field(attribute, definitions, names)
        if attribute.default is attrs.NOTHING:
            required.append(key)
    sentence = (cls.__doc__ or "").partition("\n")[0].replace("``", "`")
    schema: dict[str, Any] = {
        "description": sentence,
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
    }
    if required:
        schema["required"] = required
    return schema


def _of_field(
    attribute: attrs.Attribute[Any], definitions: dict[str, Any], names: str | None
) -> dict[str, Any]:
    metadata = attribute.metadata
    unit = unit_of(attribute)
    limits = {
        word: metadata[limit]
        for limit, word in (("least", "minimum"), ("above", "exclusiveMinimum"))
        if metadata.get(limit) is not None
    }
    schema: dict[str, Any] = {
        "description": metadata["sentence"] + (f" In {unit}." if unit else ""),
        **_of_type(attribute.type, definitions, None if metadata.get("any_key") else names, limits),
    }
    default = attribute.default
    if isinstance(default, (bool, int, float, str)):
        schema["default"] = default
    return schema


def _of_type(
    cls: Any, definitions: dict[str, Any], names: str | None, limits: Mapping[str, float]
) -> dict[str, Any]:
    kinds = members(cls)
    if len(kinds) > 1:
        return {"anyOf": [_of_type(kind, definitions, names, limits) for kind in kinds]}
    (cls,) = kinds
    arguments = get_args(cls)
    if cls in _PLAIN:
        return {"type": _PLAIN[cls], **(limits if cls in (int, float) else {})}
    if attrs.has(cls):
        if cls.__name__ not in definitions:
            definitions[cls.__name__] = {}
            definitions[cls.__name__].update(_of_class(cls, definitions, names))
        return {"$ref": f"#/$defs/{cls.__name__}"}
    if get_origin(cls) is Literal:
        return {"enum": list(arguments)}
    if get_origin(cls) is tuple:
        return {"type": "array", "items": _of_type(arguments[0], definitions, names, limits)}
    if get_origin(cls) is Mapping:
        schema: dict[str, Any] = {"type": "object"}
        if arguments[1] is not Any:
            schema["additionalProperties"] = _of_type(arguments[1], definitions, names, limits)
            if names is not None:
                schema["propertyNames"] = {"pattern": f"^{names}$"}
        return schema
    return {}
