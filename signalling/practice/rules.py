"""What every practice must keep, whatever the railway.

Law of this file: the rules by which a practice is consistent in itself, each
stated once, as a mistake with its place in the file and its remedy. What the
aspects are and what they mean is the file's own business. A practice that
keeps these rules can be run on any layout: every signal has one aspect for
each situation, also in a ring, and no aspect promises what may not follow.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from attrs import evolve, frozen

from signalling.layout.findings import did_you_mean, listed
from signalling.layout.notation import NAME
from signalling.layout.place import KeyPath
from signalling.practice.schema import DANGER, Head, Practice, Speed

__all__ = ["Mistake", "mistakes"]

DARK = "dark"
"""What a route indicator is told when it shows nothing, so no position's name."""


@frozen
class Mistake:
    """One rule that a practice breaks."""

    path: KeyPath
    """Keys and list indices that lead to the place in the file."""
    thing: str
    """What it is about, such as ``head four``."""
    message: str
    """What is wrong, as a sentence."""
    remedy: str
    """What to do about it, as a sentence."""


def mistakes(practice: Practice, *, aspects_known: bool = True) -> Iterator[Mistake]:
    """Return every mistake of a practice that has its right shape, in the file's order.

    Where the aspects have mistakes, or are not ``aspects_known`` as the file means them,
    nothing is said that rests on them.
    """
    of_aspects = list(_aspects(practice)) if aspects_known else []
    yield from of_aspects
    yield from _kinds(practice)
    levels = {aspect.name: level for level, aspect in enumerate(practice.aspects)}
    of_next: list[Mistake] = []
    for name, head in practice.heads.items():
        yield from _names(("heads", name), f"head {name}", (name,))
        yield from _lamps(name, head)
        if aspects_known and not of_aspects:
            yield from _shows(name, head, levels, practice)
            of_head = list(_next(name, head, levels))
            of_next += of_head
            yield from of_head
            yield from _followed_by(name, head, levels, practice)
    for name, speed in practice.speeds.items():
        yield from _names(("speeds", name), f"speed {name}", (name,))
        if aspects_known and not of_aspects:
            of_speed = list(_speed(name, speed, levels, practice))
            yield from of_speed
            if not of_speed and not of_next:
                yield from _speed_in_order(name, speed, levels, practice)
    yield from _indicators(practice)


def _names(
    path: KeyPath, thing: str, names: Iterable[str], kind: str = "name"
) -> Iterator[Mistake]:
    for name in names:
        if re.fullmatch(NAME, name) is None:
            yield Mistake(
                path,
                thing,
                f"The {kind} `{name}` is not one word.",
                "Use letters, digits, `-`, `_` and `.`, beginning with a letter or a digit.",
            )


def _aspects(practice: Practice) -> Iterator[Mistake]:
    if not practice.aspects:
        yield Mistake(
            ("aspects",),
            "practice",
            "It has no aspects.",
            f"List them as [[aspects]], most restrictive first, beginning with `{DANGER}`.",
        )
        return
    seen: set[str] = set()
    for index, aspect in enumerate(practice.aspects):
        path = ("aspects", index, "name")
        thing = f"aspect {aspect.name}"
        yield from _names(path, thing, (aspect.name,))
        if index == 0 and aspect.name != DANGER:
            yield Mistake(
                path,
                thing,
                f"The first aspect must be named `{DANGER}`, the most restrictive of all.",
                f"Name it `{DANGER}`, or list `{DANGER}` before it; its title may be any.",
            )
        if aspect.name in seen:
            yield Mistake(path, thing, "It is listed twice.", "Give each aspect a name of its own.")
        seen.add(aspect.name)
    for index in (0, len(practice.aspects) - 1):
        if practice.aspects[index].reading:
            yield Mistake(
                ("aspects", index, "reading"),
                f"aspect {practice.aspects[index].name}",
                "It is a reading, and the first aspect and the last are what lamps show.",
                "Take `reading` out, or list an aspect that lamps show before or after it.",
            )
            return


def _kinds(practice: Practice) -> Iterator[Mistake]:
    """Check that a number of aspects stands for one head."""
    if not practice.heads:
        yield Mistake(
            ("heads",), "practice", "It has no heads.", "Describe at least one as [heads.NAME]."
        )
    by_number: dict[tuple[bool, int], list[str]] = {}
    for name, head in practice.heads.items():
        by_number.setdefault((head.distant, head.aspects), []).append(name)
    for (_, number), names in by_number.items():
        defaults = [name for name in names if practice.heads[name].default]
        if not defaults:
            yield Mistake(
                ("heads", names[0], "default"),
                f"head {names[0]}",
                f"No head of {number} aspects is the default, so a layout's `aspects = {number}` "
                "stands for none.",
                f"Take `default = false` away from {' or '.join(names)}.",
            )
        for name in defaults[1:]:
            yield Mistake(
                ("heads", name),
                f"head {name}",
                f"Heads {listed(defaults)} are all the default for {number} aspects.",
                "Write `default = false` in all but one of them.",
            )


def _lamps(name: str, head: Head) -> Iterator[Mistake]:
    path, thing = ("heads", name, "lamps"), f"head {name}"
    yield from _names(path, thing, head.lamps, "lamp's name")
    for lamp in dict.fromkeys(head.lamps):
        if head.lamps.count(lamp) > 1:
            yield Mistake(
                path,
                thing,
                f"Lamp `{lamp}` is listed twice.",
                "Give each lamp a name of its own, such as `upper-yellow` and `lower-yellow`.",
            )
        if not head.colours.get(lamp):
            yield Mistake(
                (*path[:2], "colours"),
                thing,
                f"Lamp `{lamp}` has no colour.",
                f'Add `{lamp} = "..."` to its `colours`.',
            )
    for lamp in head.colours:
        if lamp not in head.lamps:
            yield Mistake(
                (*path[:2], "colours", lamp),
                thing,
                f"A colour is given for `{lamp}`, which is not a lamp of this head.",
                f"Its lamps are {listed(head.lamps)}.",
            )


def _known(
    path: KeyPath, thing: str, words: Iterable[str], levels: Mapping[str, int]
) -> Iterator[Mistake]:
    """Check that words are aspects, which are keys of the table at ``path``, or values there."""
    for word in words:
        if word not in levels:
            yield Mistake(
                (*path, word),
                thing,
                f"`{word}` is not an aspect of this practice.",
                did_you_mean(word, levels, f"Its aspects are {listed(levels)}."),
            )


def _shows(
    name: str, head: Head, levels: Mapping[str, int], practice: Practice
) -> Iterator[Mistake]:
    path, thing = ("heads", name, "shows"), f"head {name}"
    yield from _known(path, thing, head.shows, levels)
    for reading in (each.name for each in practice.aspects if each.reading):
        if reading in head.shows:
            yield Mistake(
                (*path, reading),
                thing,
                f"It shows `{reading}`, which is a reading: no lamp shows it.",
                "Take it out here, or take `reading` out of the aspect.",
            )
    if head.distant and DANGER in head.shows:
        yield Mistake(
            (*path, DANGER),
            thing,
            f"It is the head of a distant signal, and shows `{DANGER}`.",
            "Take that out, or take `distant` out.",
        )
    if DANGER not in head.shows and not head.distant:
        yield Mistake(
            path,
            thing,
            f"It cannot show `{DANGER}`.",
            f"Add `{DANGER} = {{ lamps = [...] }}` to what it shows.",
        )
    # Those that only announce a route, or are shown for one, are counted by nobody.
    of_speeds = {each.name for each in practice.shown}.difference(practice.ordinary)
    counted = [each for each in head.shows if each not in of_speeds]
    if len(counted) != head.aspects:
        yield Mistake(
            (*path[:2], "aspects"),
            thing,
            f"It shows {len(counted)} aspects ({listed(counted)}), "
            f"and says that it has {head.aspects}.",
            "Correct the number, or what it shows.",
        )
    looks: dict[tuple[frozenset[str], bool], str] = {}
    for aspect, shown in head.shows.items():
        place = (*path, aspect)
        for lamp in shown.lamps:
            if lamp not in head.lamps:
                yield Mistake(
                    place,
                    thing,
                    f"`{aspect}` lights `{lamp}`, which is not a lamp of this head.",
                    f"Its lamps are {listed(head.lamps)}.",
                )
        if not shown.lamps:
            yield Mistake(
                place,
                thing,
                f"`{aspect}` lights no lamp, so that a failed lamp would look the same.",
                "Name the lamps that make the aspect.",
            )
        same = looks.setdefault((frozenset(shown.lamps), shown.flash), aspect)
        if same != aspect:
            yield Mistake(
                place,
                thing,
                f"`{aspect}` looks the same as `{same}`.",
                "Let them differ in their lamps, or let one flash.",
            )


def _next(name: str, head: Head, levels: Mapping[str, int]) -> Iterator[Mistake]:
    path, thing = ("heads", name, "next"), f"head {name}"
    yield from _known(path, thing, head.next, levels)
    for beyond in levels:
        if beyond not in head.next:
            yield Mistake(
                path,
                thing,
                f"It does not say what it shows, when off, with the next signal at `{beyond}`.",
                f'Add {beyond} = "..." to its `next`: every aspect of the practice is named '
                "there, whether this head can show it or not.",
            )
    for beyond, here in head.next.items():
        place = (*path, beyond)
        yield from _known(place, thing, (here,), levels)
        if here == DANGER:
            yield Mistake(
                place,
                thing,
                f"With the next signal at `{beyond}` it says `{DANGER}`; `next` is what the "
                "signal shows when it is off.",
                "Name a proceed aspect that this head can show.",
            )
        elif here in levels and here not in head.shows:
            yield Mistake(
                place,
                thing,
                f"With the next signal at `{beyond}` it says `{here}`, which it cannot show.",
                f"It can show {listed(head.shows)}.",
            )
    best = max((levels[aspect] for aspect in head.shows if aspect in levels), default=0)
    yield from _out_of_order(name, head.next, levels, best)


def _out_of_order(
    name: str, following: Mapping[str, str], levels: Mapping[str, int], best: int
) -> Iterator[Mistake]:
    """Check that ``next`` only grows, and grows faster than what it stands on.

    The second is what lets a ring of signals be worked out: each level of a signal then
    rests on a lower level of the next signal, never, all the way round, on itself.
    """
    thing = f"head {name}"
    before: str | None = None
    for beyond in sorted(following.keys() & levels.keys(), key=levels.__getitem__):
        here = following[beyond]
        if here not in levels:
            continue
        if before is not None and levels[here] < levels[following[before]]:
            yield Mistake(
                ("heads", name, "next", beyond),
                thing,
                f"With the next signal at `{beyond}` it shows `{here}`, and with the next signal "
                f"at the more restrictive `{before}` the less restrictive `{following[before]}`.",
                "Let it never grow more restrictive as the next signal grows less so.",
            )
        elif here != DANGER and levels[here] <= levels[beyond] and levels[here] < best:
            yield Mistake(
                ("heads", name, "next", beyond),
                thing,
                f"With the next signal at `{beyond}` it shows `{here}`, no less restrictive than "
                "that; round a ring, such signals would wait for one another for ever.",
                f"Let it show something less restrictive than `{beyond}`, "
                "up to the best aspect of the head.",
            )
        before = beyond


def _followed_by(
    name: str, head: Head, levels: Mapping[str, int], practice: Practice
) -> Iterator[Mistake]:
    path, thing = ("heads", name, "followed_by"), f"head {name}"
    for aspect, may_follow in head.followed_by.items():
        if aspect not in head.shows:
            yield Mistake(
                (*path, aspect),
                thing,
                f"It says what follows `{aspect}`, which this head cannot show.",
                f"It can show {listed(head.shows)}.",
            )
        yield from _known((*path, aspect), thing, may_follow, levels)
        for reading in (each.name for each in practice.aspects if each.reading):
            if reading in may_follow:
                yield Mistake(
                    (*path, aspect),
                    thing,
                    f"`{reading}` is a reading, which no driver meets.",
                    "Name what lamps show.",
                )
    for aspect in head.shows:
        if aspect not in levels:
            continue
        if aspect not in head.followed_by:
            yield Mistake(
                path,
                thing,
                f"It does not say what a driver may meet after `{aspect}`.",
                f"Add `{aspect} = [...]` to its `followed_by`.",
            )
            continue
        missing = _left_out(aspect, head, levels, practice)
        if missing:
            why = (
                f"`{DANGER}` says nothing of the next signal"
                if aspect == DANGER
                else "by what `next` says, or because the next signal may step up meanwhile"
            )
            yield Mistake(
                (*path, aspect),
                thing,
                f"After `{aspect}` a driver may also meet {listed(missing)}: {why}.",
                f"Name that too in its `followed_by` of `{aspect}`.",
            )


def _left_out(aspect: str, head: Head, levels: Mapping[str, int], practice: Practice) -> list[str]:
    """Return what a driver may meet after an aspect, and is not told of.

    After a reading a driver meets what lamps show with it: nothing more restrictive than that.
    """
    told = head.followed_by[aspect]
    worst = [levels[met] for met in told if met in levels]
    for following in (head.next, *(each.next_of(head) for each in practice.speeds.values())):
        worst += [
            levels[met] for met, here in following.items() if here == aspect and met in levels
        ]
    least = 0 if aspect == DANGER else min(worst, default=len(levels))
    shown = (each.name for each in practice.shown)
    return [met for met in shown if levels[met] >= least and met not in told]


def _speed(
    name: str, speed: Speed, levels: Mapping[str, int], practice: Practice
) -> Iterator[Mistake]:
    path, thing = ("speeds", name), f"speed {name}"
    shown = {each.name for each in practice.shown}
    if speed.reads_as is not None:
        yield from _known((*path, "reads_as"), thing, (speed.reads_as,), levels)
        if speed.reads_as == DANGER:
            yield Mistake(
                (*path, "reads_as"),
                thing,
                f"It reads as `{DANGER}`, as if its signal were never off.",
                "Name a less restrictive aspect.",
            )
    elif speed.release == "flashing":
        yield Mistake(
            (*path, "release"),
            thing,
            "The signals in rear cannot announce it, since it reads to them as any other route.",
            "Add `reads_as = ...`, or choose another release.",
        )
    for instead_of, aspect in speed.shows.items():
        place = (*path, "shows", instead_of)
        yield from _known(place[:-1], thing, (instead_of,), levels)
        yield from _known(place, thing, (aspect,), levels)
        if DANGER in (instead_of, aspect) or {instead_of, aspect} & (levels.keys() - shown):
            yield Mistake(
                place,
                thing,
                f"It says `{aspect}` instead of `{instead_of}`; both must be proceed aspects that "
                "lamps show.",
                "Name such aspects.",
            )


def _speed_in_order(
    name: str, speed: Speed, levels: Mapping[str, int], practice: Practice
) -> Iterator[Mistake]:
    """Check that what heads show for a speed keeps the rules of ``next``, too."""
    if not speed.shows:
        return
    for head_name, head in practice.heads.items():
        following = speed.next_of(head)
        if not head.shows.keys() >= set(following.values()):
            continue  # no such route may start from a signal with this head
        best = max(levels[here] for here in following.values())
        for mistake in _out_of_order(head_name, following, levels, best):
            thing = f"speed {name} of {mistake.thing}"
            yield evolve(mistake, path=("speeds", name, "shows"), thing=thing)


def _indicators(practice: Practice) -> Iterator[Mistake]:
    angles: dict[int, str] = {}
    for name, indicator in practice.indicators.items():
        path, thing = ("indicators", name), f"indicator {name}"
        yield from _names(path, thing, (name,))
        if name == DARK:
            yield Mistake(
                path,
                thing,
                f"`{DARK}` is what an indicator is told when it shows nothing.",
                "Choose another name.",
            )
        if indicator.speed is not None and indicator.speed not in practice.speeds:
            yield Mistake(
                (*path, "speed"),
                thing,
                f"`{indicator.speed}` is not a speed of this practice.",
                did_you_mean(indicator.speed, practice.speeds, "Describe it as [speeds.NAME]."),
            )
        if indicator.angle is None:
            continue
        if not -180 < indicator.angle <= 180:
            yield Mistake(
                (*path, "angle"),
                thing,
                f"Its angle is {indicator.angle} degrees.",
                "Give degrees clockwise from upright, above -180 and up to 180; left is negative.",
            )
        same = angles.setdefault(indicator.angle, name)
        if same != name:
            yield Mistake(
                (*path, "angle"),
                thing,
                f"It has the same angle as indicator {same}.",
                "Give each position an angle of its own.",
            )
