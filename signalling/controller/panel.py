"""The push buttons of a running layout: their presses to requests, and the lamps in them.

Law of this file: joins ``core.buttons`` to asking; no rule and no wire. What is
asked for by a press is asked a little later, when what arrived with the press
has been seen and the orders that follow from it have gone out.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection

from signalling.controller.asks import Ask, Hear, from_the_second
from signalling.core.buttons import Buttons, Lamps, Wish
from signalling.core.interlocking import Interlocking
from signalling.core.requests import text_of
from signalling.core.words import AnyRequest
from signalling.layout.asking import Answer, Asked, Outcome, Stage
from signalling.layout.words import Order, Report
from signalling.table.table import Table

__all__ = ["Panel"]


class Panel:
    """The buttons. ``ask`` makes a request, ``tell`` tells people what becomes of it.

    Raises ``ConfigurationError`` where a button is bound to what is no request.
    """

    def __init__(
        self,
        table: Table,
        interlocking: Interlocking,
        ask: Callable[[AnyRequest, Hear], Ask],
        tell: Callable[[Answer], None],
    ) -> None:
        self._buttons = Buttons(table.layout.buttons, table.rows)
        self._lamps = Lamps(self._buttons, interlocking)
        self._ask = ask
        self._tell = tell
        self._wishes: list[Wish] = []
        self._made = 0
        self._ended = False

    @property
    def orders(self) -> tuple[Order, ...]:
        """What each lamp shows."""
        return self._lamps.orders()

    @property
    def next_deadline(self) -> int | None:
        """When ``observe`` is next needed, in ns; ``None`` while nothing waits."""
        return self._buttons.next_deadline

    def observe(self, reports: Collection[Report], now: int) -> None:
        """Take what buttons report, and let time go on."""
        self._buttons.advance(now)
        wishes = self._buttons.observe(reports, now)
        if wishes:
            if not self._wishes:
                asyncio.get_running_loop().call_soon(self._make)
            self._wishes += wishes

    def changed(self) -> tuple[Order, ...]:
        """Return the orders of lamps that are new."""
        return self._lamps.changed() if len(self._lamps) else ()

    def end(self) -> None:
        """Ask for nothing any more."""
        self._ended = True

    def _make(self) -> None:
        wishes, self._wishes = self._wishes, []
        for wish in wishes if not self._ended else ():
            self._try(wish)

    def _try(self, wish: Wish) -> None:
        """Ask for the first that is not refused, or for each."""
        if not wish.requests:
            self._hearer(wish, "")(Outcome(Stage.REFUSED, wish.reason))
        for place, request in enumerate(wish.requests, 1):
            tell = self._hearer(wish, text_of(request))
            told = wish.each or place == len(wish.requests)
            try:
                asked = self._ask(request, from_the_second(tell))
            except Exception:  # noqa: BLE001 - it has ended everything, and is raised there
                return
            refused = asked.outcome.stage is Stage.REFUSED
            if told or not refused:
                tell(asked.outcome)
            if not (wish.each or refused):
                return

    def _hearer(self, wish: Wish, text: str) -> Hear:
        """Return what tells people what becomes of what was asked for with buttons."""
        self._made += 1
        by = " and ".join(f"button {name}" for name in dict.fromkeys(wish.buttons))
        asked = Asked(id=str(self._made), by=by, text=text, at=asyncio.get_running_loop().time())
        return lambda outcome: self._tell(Answer(asked, outcome))
