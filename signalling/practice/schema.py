"""One railway's rules of aspects, as data.

Law of this file: the shape of a practice, and look-ups in it. No rule of any
railway stands in Python; each stands in a ``.toml`` file beside this one, or
beside the user's layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from attrs import field, frozen

__all__ = [
    "DANGER",
    "Aspect",
    "Head",
    "Indicator",
    "Practice",
    "Shown",
    "Speed",
    "Subsidiary",
]

DANGER = "danger"
"""The program's word for the most restrictive aspect of every practice."""


def _described(sentence: str, **options: Any) -> Any:
    return field(metadata={"sentence": sentence, "unit": ""}, **options)


@frozen(kw_only=True)
class Aspect:
    """``[[aspects]]``: one thing that a signal can say; listed most restrictive first.

    To a driver, by its lamps; or, where it is a ``reading``, to the signal in rear only.
    """

    name: str = _described("The program's word. The first aspect's is `danger`.")
    title: str = _described("What the railway calls it.")
    meaning: str = _described("What it tells the driver, as a sentence.")
    reading: bool = _described(
        "Whether no lamp shows it: it is what a route's speed makes of a signal to the signal in "
        "rear. A driver then sees the next entry of the list that lamps show, or a better one.",
        default=False,
    )


@frozen(kw_only=True)
class Shown:
    """``[heads.NAME.shows]``: the lamps that make one aspect."""

    lamps: tuple[str, ...] = _described("The lamps that are alight.")
    flash: bool = _described("Whether they flash.", default=False)


@frozen(kw_only=True)
class Head:
    """``[heads.NAME]``: the lamps of a signal, and what it shows by what the next one shows."""

    aspects: int = _described(
        "The number in a layout's `aspects` that stands for this head. Aspects that come about "
        "only by a route's speed are not counted."
    )
    default: bool = _described(
        "Whether this is the head that the number alone stands for.", default=True
    )
    distant: bool = _described(
        "Whether it is the head of a distant signal, which cannot show danger.", default=False
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
    speed: str | None = _described(
        "The speed of each route that it is lit for, where the layout gives it none.",
        default=None,
    )
    angle: int | None = _described(
        "Degrees clockwise from upright, for a row of lights.", default=None
    )


@frozen(kw_only=True)
class Speed:
    """``[speeds]``: how fast a route may be run over, and what signals make of it."""

    meaning: str = _described("What it stands for, as a sentence.")
    release: Literal["free", "from-danger", "from-caution", "flashing"] = _described(
        "How the signal is held for such a route until the train is close, where the layout does "
        "not say it: not at all, at danger, or at caution; `flashing`, at caution while a train "
        "comes to which the signals in rear announce the route, and else at danger.",
        default="free",
    )
    reads_as: str | None = _described(
        "The least restrictive that a signal can be to the signal in rear while it is off by such "
        "a route, whatever its lamps show.",
        default=None,
    )
    shows: Mapping[str, str] = _described(
        "What the signal shows for such a route instead of another aspect.", factory=dict
    )

    def next_of(self, head: Head) -> Mapping[str, str]:
        """Return what a head shows for such a route by what the next signal shows."""
        return {beyond: self.shows.get(here, here) for beyond, here in head.next.items()}


@frozen(kw_only=True)
class Subsidiary:
    """``[subsidiaries.KIND]``: what a signal shows for a move at low speed into occupied track."""

    title: str = _described("What the railway calls it.")
    meaning: str = _described("What it tells the driver, as a sentence.")
    lamps: tuple[str, ...] = _described(
        "The lamps that are alight for it, beside the head; those of danger stay alight.",
        factory=tuple,
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
    speeds: Mapping[str, Speed] = _described(
        "Speeds of routes, by what a layout calls them.", factory=dict
    )
    subsidiaries: Mapping[str, Subsidiary] = _described(
        "What signals show for moves into occupied track, by the kind of move: `call-on` (a second "
        "train into a platform) or `shunt`.",
        factory=dict,
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

    @property
    def shown(self) -> tuple[Aspect, ...]:
        """The aspects that lamps show, most restrictive first."""
        return tuple(aspect for aspect in self.aspects if not aspect.reading)

    @property
    def ordinary(self) -> tuple[str, ...]:
        """The aspects that come about where no route has a speed, most restrictive first.

        Beside them there are those that announce such a route, or are shown for one.
        """
        shown = [aspect.name for aspect in self.shown]
        if not self.speeds:
            return tuple(shown)
        found = {shown[0], shown[-1]}
        while True:
            before = set(found)
            for head in self.heads.values():
                found |= {here for beyond, here in head.next.items() if beyond in before}
            if found == before:
                return tuple(name for name in shown if name in found)

    def head_name(
        self, aspects: int, head: str | None = None, *, distant: bool = False
    ) -> str | None:
        """Return the name of the head that a layout asks for, or ``None`` where there is none."""
        fitting = {
            name: kind
            for name, kind in self.heads.items()
            if kind.aspects == aspects and kind.distant is distant
        }
        if head is not None:
            return head if head in fitting else None
        return next((name for name, kind in fitting.items() if kind.default), None)

    def knows_indicator(self, position: str) -> bool:
        """Return whether the practice has this indicator position or letter."""
        letter = self.letters and len(position) == 1 and position.isalpha()
        return letter or position in self.indicators
