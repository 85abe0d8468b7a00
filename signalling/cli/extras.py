"""Modules that need an optional extra of the package."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

from signalling.errors import ConfigurationError

__all__ = ["load"]


def load(module: str, extra: str, thing: str) -> ModuleType:
    """Return a module. Raises ``ConfigurationError`` where its extra is not installed."""
    try:
        return import_module(module)
    except ImportError as error:
        raise ConfigurationError(
            thing,
            f"What it needs cannot be loaded: {error}.",
            f"Install it: python -m pip install 'layout-signalling[{extra}]'.",
        ) from error
