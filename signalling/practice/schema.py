"""One railway's rules of aspects, as data.

Law of this file: the shape of a practice, and look-ups in it. No rule of any
railway stands in Python; each stands in a ``.toml`` file beside this one, or
beside the user's layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from attrs import field, frozen

__all__ = ["DANGER", "Aspect", "Head", "Indicator", "Practice", "Shown"]

DANGER = "danger"
"""The program's word for the most restrictive aspect of every practice."""


def _described(sentence: str, **options: Any) -> Any:
    return field(metadata={"sentence": sentence, "unit": ""}, **options)


@frozen(kw_only=True)
class Aspect:
    """``[[aspects]]``: one thing that a signal can say; listed most restrictive first."""

    name: str = _described("The program's word. The first aspect's is `danger`.")
    title: str = _described("What the railway calls it.")
    meaning: str = _described("What it tells the driver, as a sentence.")


@frozen(kw_only=True)
class Shown:
    """``[heads.NAME.shows]``: the lamps that make one aspect."""

    lamps: tuple[str, ...] = _described("The lamps that are alight.")
    flash: bool = _described("Whether they flash.", default=False)


@frozen(kw_only=True)
class Head:
    """``[heads.NAME]``: the lamps of a signal, and what it shows by what the next one shows."""

    aspects: int = _described("The number in a layout's `aspects` that stands for this head.")
    default: bool = _described(
        "Whether this is the head that the number alone stands for.", default=True
    )
    lamps: tuple[str, ...] = _described("The lamps, from the top.")
    colours: Mapping[str, str] = _described("The colour of each lamp.")
    shows: Mapping[str, Shown] = _described("The lamps of each aspect that it can show.")
    next: Mapping[str, str] = _described(
        "Its aspect, when off, by what the next signal along the route shows: for every aspect of "
        "the practice. It never grows more restrictive as the next signal grows less so, and it "
        "is always less restrictive than what the next signal shows, until the head's best."
    )
    followed_by: Mapping[str, tuple[str, ...]] = _described(
        "What a driver may meet at the next signal after each aspect of this head, so long as the "
        "next signal is not put back meanwhile. It may step up meanwhile, so with an aspect every "
        "less restrictive one is named too."
    )


@frozen(kw_only=True)
class Indicator:
    """``[indicators]``: one position of a route indicator."""

    meaning: str = _described("What it tells the driver, as a sentence.")
    angle: int | None = _described(
        "Degrees clockwise from upright, for a row of lights.", default=None
    )


@frozen(kw_only=True)
class Practice:
    """A whole practice file."""

    name: str = _described("Its short name.")
    title: str = _described("Its full name.")
    sources: tuple[str, ...] = _described("Where its rules were published.")
    aspects: tuple[Aspect, ...] = _described("Every aspect, most restrictive first.")
    heads: Mapping[str, Head] = _described("Every kind of head, by name.")
    indicators: Mapping[str, Indicator] = _described(
        "Positions of route indicators, by what a layout calls them.", factory=dict
    )
    letters: bool = _described("Whether a single letter is an indicator too.", default=True)

    def level(self, aspect: str) -> int:
        """Return the aspect's rank: 0 for danger, more for less restrictive.

        Raises ``KeyError`` for an aspect that the practice does not have.
        """
        for level, known in enumerate(self.aspects):
            if known.name == aspect:
                return level
        raise KeyError(aspect)

    def head_name(self, aspects: int, head: str | None = None) -> str | None:
        """Return the name of the head that a layout asks for, or ``None`` where there is none."""
        if head is not None:
            return head if head in self.heads and self.heads[head].aspects == aspects else None
        return next(
            (name for name, kind in self.heads.items() if kind.aspects == aspects and kind.default),
            None,
        )

    def knows_indicator(self, position: str) -> bool:
        """Return whether the practice has this indicator position or letter."""
        letter = self.letters and len(position) == 1 and position.isalpha()
        return letter or position in self.indicators
