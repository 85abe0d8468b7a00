"""Overlaps that a route may choose from, as facts: each, and what it keeps out.

Law of this file: geometry put into rows; no equation. An overlap that a route
can do with or without, for another, is looked at as a short route of its own
beyond the exit signal, so that it is in the way of others by the same rules as
routes are.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from attrs import evolve, frozen

from signalling.layout.routes import Route, in_the_way
from signalling.layout.track import contradict

__all__ = ["Choice", "Choices", "choices_of", "route_of"]


@frozen
class Choice:
    """One overlap of several beyond a route's exit signal."""

    route: Route
    """Its track, as a route named ``ROUTE overlap NUMBER``."""
    of: str
    """The route that it is an overlap of."""
    reduced: bool
    """Whether the signal is held at danger for it until its train is close."""
    foes: tuple[str, ...] = ()
    """Routes of other signals, or of the same one, that it keeps out while it is held."""
    other_choices: tuple[str, ...] = ()
    """Overlaps of other routes that it keeps out."""

    @property
    def keeps_out(self) -> tuple[str, ...]:
        """Every route that it keeps out, or an overlap of."""
        others = (route_of(name) for name in self.other_choices)
        return tuple(dict.fromkeys((*self.foes, *others)))


@frozen
class Choices:
    """All overlaps of a layout that routes choose from."""

    by_route: Mapping[str, tuple[Choice, ...]]
    """In order of preference."""
    against: Mapping[str, tuple[str, ...]]
    """By route, the overlaps of others that keep it out."""

    def against_automatic(self, route: str, automatic: Collection[str]) -> Iterable[str]:
        """Yield the routes with which one takes turns for the sake of an overlap.

        A route that is not asked for takes the way for each train, as with any
        other that no turnout keeps apart from it.
        """
        if route in automatic:
            yield from map(route_of, self.against.get(route, ()))
        for choice in self.by_route.get(route, ()):
            yield from (foe for foe in choice.foes if foe in automatic)


def route_of(overlap: str) -> str:
    """Return the route that an overlap belongs to, by the overlap's name."""
    return overlap.rpartition(" overlap ")[0]


def choices_of(routes: tuple[Route, ...]) -> Choices:
    """Return the overlaps that routes choose from, and what they keep out.

    ``routes`` are all routes; those that have nothing to choose have no choices.
    """
    made = {
        f"{route.name} overlap {number}": Choice(
            evolve(
                route,
                name=f"{route.name} overlap {number}",
                ways=overlap.ways,
                lies=overlap.lies,
                overlap=(),
                overlap_lies=(),
                choices=(),
            ),
            route.name,
            overlap.reduced,
        )
        for route in routes
        for number, overlap in enumerate(route.choices, 1)
    }
    if not made:
        return Choices({}, {})
    every = (*routes, *(choice.route for choice in made.values()))
    claims = in_the_way(every)
    by_block: dict[str, dict[str, Route]] = {}
    for route in every:
        for way in route.kept_clear:
            by_block.setdefault(way.block, {})[route.name] = route
    by_route: dict[str, list[Choice]] = {}
    against: dict[str, list[str]] = {}
    for name, choice in made.items():
        out = {other.name for other in claims[name]}
        for way in choice.route.ways:
            for other in by_block[way.block].values():
                same = other.signal == choice.route.signal
                if same or contradict(choice.route.all_lies, other.all_lies):
                    out.add(other.name)
        own = {choice.of, *(each for each, one in made.items() if one.of == choice.of)}
        foes = tuple(route.name for route in routes if route.name in out - own)
        for foe in foes:
            against.setdefault(foe, []).append(name)
        by_route.setdefault(choice.of, []).append(
            evolve(
                choice,
                foes=foes,
                other_choices=tuple(each for each in made if each in out - own),
            )
        )
    return Choices(
        {route: tuple(found) for route, found in by_route.items()},
        {route: tuple(names) for route, names in against.items()},
    )
