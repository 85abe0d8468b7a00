"""What is out of use, by whom, why and since when.

Law of this file: a record, and whether a request agrees with it; what follows
from a thing being out of use is for the equations. A thing that several people
have taken out of use is in use again when each of them has given it back.
"""

from __future__ import annotations

from attrs import define, evolve, field

from signalling.core.words import GiveBack, TakeOut
from signalling.layout.asking import LONGEST_NAME, LONGEST_TEXT
from signalling.layout.out_of_use import Thing

__all__ = ["MOST", "OutOfUse", "why_not_said"]

MOST = 1000
"""Records that are kept; far more than there are people at a layout."""


@define
class OutOfUse:
    """The record, in the order in which things were taken out of use."""

    _records: dict[tuple[Thing, str, str], TakeOut] = field(factory=dict)

    @property
    def records(self) -> tuple[TakeOut, ...]:
        """Everything that is out of use now."""
        return tuple(self._records.values())

    def has(self, kind: Thing, name: str) -> bool:
        """Return whether anybody has taken a thing out of use."""
        return any(key[:2] == (kind, name) for key in self._records)

    def why_not(self, request: TakeOut | GiveBack) -> str | None:
        """Return why a request makes no sense by the record, as a sentence; or ``None``."""
        kind, name, person = request.kind, request.name, request.person
        known = (kind, name, person) in self._records
        if isinstance(request, TakeOut):
            if known or len(self._records) < MOST:
                return None
            return f"{MOST} things are out of use already. Give some back first."
        if known:
            return None
        others = [each.person for each in self.records if (each.kind, each.name) == (kind, name)]
        thing = f"{kind} {name}".capitalize()
        if not others:
            return f"{thing} is not out of use."
        return (
            f"{thing} was taken out of use by {', '.join(others)}, not by {person}: each gives "
            "back what was taken in that name."
        )

    def put(self, request: TakeOut | GiveBack) -> None:
        """Take a request into the record. Said again, it has another reason, since the same time.

        Raises ``KeyError`` for something given back that is not in the record.
        """
        key = (request.kind, request.name, request.person)
        if isinstance(request, GiveBack):
            del self._records[key]
        else:
            known = self._records.get(key)
            since = request.since if known is None else known.since
            self._records[key] = evolve(request, since=since)

    def without(self, request: GiveBack) -> tuple[TakeOut, ...]:
        """Return the records that are left when something is given back."""
        given = (request.kind, request.name, request.person)
        return tuple(record for key, record in self._records.items() if key != given)


def why_not_said(request: TakeOut | GiveBack) -> str | None:
    """Return what is wrong with who and why as they are said, as a sentence; or ``None``."""
    person = request.person
    if not 0 < len(person) <= LONGEST_NAME or not person.isprintable() or " " in person:
        return f"Say who, in one word of up to {LONGEST_NAME} characters."
    if isinstance(request, TakeOut):
        reason = request.reason
        if not 0 < len(reason) <= LONGEST_TEXT or not reason.isprintable() or reason.isspace():
            return f"Say why, in one line of up to {LONGEST_TEXT} characters."
    return None
