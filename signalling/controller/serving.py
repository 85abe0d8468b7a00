"""Requests that come over links: looked at one after another, between all else.

Law of this file: when a request is looked at, and over which link what may be
asked; no rule and no wire. In one pass of the loop one request of each link is
looked at, so that reports and orders never wait for more than that.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable

from attrs import evolve

from signalling.controller.asks import Ask, Hear
from signalling.controller.load import VERBS, Link
from signalling.layout.asking import Answer, Asked, Outcome, Stage
from transports.asking import Asking
from transports.supervise import Supervisor

__all__ = ["Serving"]

_MOST = 100
"""Requests of one link that are followed at one time, so that no link takes up all."""


class Serving:
    """Looks at the requests of links, until it is ended.

    ``ask`` makes one, ``tell`` tells people what becomes of it.
    """

    def __init__(self, ask: Callable[[str, Hear], Ask], tell: Callable[[Answer], None]) -> None:
        self._ask = ask
        self._tell = tell
        self._links: tuple[tuple[Link, Asking], ...] = ()
        self._due = False
        self._under_way: Counter[str] = Counter()
        """Requests that are followed, by link."""

    def serve(self, links: Iterable[tuple[Link, Supervisor]]) -> None:
        """Say whose requests there are to look at."""
        self._links = tuple((link, each.asking) for link, each in links if each.asking is not None)

    def requested(self) -> None:
        """Look at requests soon, when what has arrived together with them was seen."""
        if not self._due and self._links:
            self._due = True
            asyncio.get_running_loop().call_soon(self._look)

    def end(self) -> None:
        """Look at no more of them."""
        self._links = ()

    def _look(self) -> None:
        self._due = False
        for link, asking in self._links:
            asked = asking.next()
            if asked is not None:
                self._make(link, asking, asked)
        if any(asking.waiting for _, asking in self._links):
            self.requested()

    def _make(self, link: Link, asking: Asking, asked: Asked) -> None:
        """Make a request, and let the link hear what becomes of it."""
        name, followed = link.transport.name, False
        here = evolve(asked, by=f"{name} {asked.by}".strip())

        def hear(outcome: Outcome) -> None:
            nonlocal followed
            if followed is outcome.final:
                followed = not outcome.final
                self._under_way[name] += 1 if followed else -1
            asking.answer(Answer(asked, outcome))
            self._tell(Answer(here, outcome))

        verb = asked.text.split()[:1]
        if verb and verb[0] in VERBS and verb[0] not in link.requests:
            may = ", ".join(sorted(link.requests))
            reason = f"Nobody may ask for that over {name}, only for: {may}."
            hear(Outcome(Stage.REFUSED, reason))
            return
        if self._under_way[name] >= _MOST:
            reason = "Too many requests over this link are under way. Ask again when some are done."
            hear(Outcome(Stage.REFUSED, reason))
            return
        try:
            self._ask(asked.text, hear)
        except Exception:  # noqa: BLE001 - it has ended everything, and is raised there
            hear(Outcome(Stage.FAILED, "The signalling has failed."))
