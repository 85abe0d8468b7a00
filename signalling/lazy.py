"""Public names of a package that are loaded on first use.

Law of this file: importing a package costs nothing but its name; whoever uses
one name of it loads what that name needs and no more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from importlib import import_module
from typing import Any

__all__ = ["lazily"]


def lazily(
    namespace: dict[str, Any], homes: Mapping[str, Iterable[str]]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return the ``__getattr__`` and ``__dir__`` of a package with this ``globals()``.

    ``homes`` are its public names, by the module in which they live.
    """
    home_of = {name: home for home, names in homes.items() for name in names}

    def get(name: str) -> Any:
        home = home_of.get(name)
        if home is None:
            raise AttributeError(f"module {namespace['__name__']!r} has no attribute {name!r}")
        value = namespace[name] = getattr(import_module(home), name)
        return value

    def names() -> list[str]:
        return sorted({*namespace, *home_of})

    return get, names
