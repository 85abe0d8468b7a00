"""Kinds of things that people take out of use.

Law of this file: words only.
"""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Thing"]


class Thing(StrEnum):
    """A kind of thing that can be out of use."""

    BLOCK = "block"
    """No train is let in: it counts as occupied."""
    TURNOUT = "turnout"
    """It is not moved, and counts as lying no way at all."""
    ROUTE = "route"
    """It is not given, nor any move over it."""
    SIGNAL = "signal"
    """It is held at danger."""
