"""How a train may be called.

Law of this file: one rule, for the layout file, for requests and for readers. A
name is kept to signs that every transport can carry and that no text of ours
uses for something else.
"""

from __future__ import annotations

import re

from signalling.layout.notation import NAME
from signalling.layout.words import EMPTY, NOTHING

__all__ = ["LONGEST_NAME", "why_no_name"]

LONGEST_NAME = 16
"""Characters of a train's name."""


def why_no_name(text: str) -> str | None:
    """Return why a text cannot be a train's name, as a sentence; ``None`` where it can."""
    if text in (EMPTY, NOTHING):
        return f"No train can be called {text!r}, which says that there is none."
    if len(text) > LONGEST_NAME or re.fullmatch(NAME, text) is None:
        return (
            f"{text[: 2 * LONGEST_NAME]!r} is no name of a train: write up to {LONGEST_NAME} "
            "letters, figures, '_', '-' and '.', beginning with a letter, a figure or '_'."
        )
    return None
