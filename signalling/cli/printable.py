"""Text from elsewhere, made fit for a terminal.

Law of this file: whatever others have written, such as who asks over a link for
what, is shown as text. It moves no cursor, begins no line and looks like
nothing that the program says itself.
"""

from __future__ import annotations

__all__ = ["printable"]


def printable(text: str) -> str:
    """Return a text with what would move a terminal's cursor, or more, spelt out."""
    if text.isprintable():
        return text
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )
