"""Push buttons: what somebody asks for by pressing them, one after another.

Law of this file: presses and times in, requests out; no I/O and no clock. A
button can only ask, as everybody can. What a press is takes two reports: known
to be released, then pressed. So one that is stuck, or of which nothing is
known, asks for nothing, and neither does a contact that bounces.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import define, field, frozen

from signalling.core.interlocking import Interlocking
from signalling.core.requests import parse_request
from signalling.core.words import AnyRequest, CancelRoute, Refusal, SetRoute
from signalling.errors import ConfigurationError
from signalling.layout.model import Button
from signalling.layout.words import Device, Order, Report
from signalling.table.check_buttons import ends_at
from signalling.table.row import Row

__all__ = ["BOUNCE", "Buttons", "Lamps", "Wish", "asked_by"]

_SECOND = 1_000_000_000
BOUNCE = 50_000_000
"""Nanoseconds for which a button must have been released before a press of it counts. (Contacts
of push buttons bounce for up to some 10 ms: common practice.)"""


@frozen(kw_only=True)
class Wish:
    """What somebody asks for with buttons."""

    buttons: tuple[str, ...]
    """The buttons, in the order in which they were pressed."""
    requests: tuple[AnyRequest, ...] = ()
    """What to ask for; empty where there is nothing that could be asked for."""
    each: bool = False
    """Whether every one of the requests is made; else none after the first that is taken."""
    reason: str = ""
    """Why there is nothing to ask for, as a sentence."""


@frozen
class _Chosen:
    """A button that waits for the next one."""

    name: str
    until: int


@define(eq=False)
class Buttons:
    """The buttons of one layout. Times are in ns, of one clock that does not go back."""

    buttons: Mapping[str, Button]
    rows: tuple[Row, ...]
    _asks: Mapping[str, AnyRequest] = field(init=False)
    """What each button asks for that is bound to one request."""
    _released: dict[str, int] = field(init=False, factory=dict)
    """Since when each button is known to be released."""
    _entry: _Chosen | None = field(init=False, default=None)
    """The entry button that was pressed."""
    _cancel: _Chosen | None = field(init=False, default=None)
    """The cancel button that was pressed."""

    def __attrs_post_init__(self) -> None:
        self._asks = {
            name: asked_by(name, button.ask)
            for name, button in self.buttons.items()
            if button.ask is not None
        }

    def observe(self, reports: Iterable[Report], now: int) -> tuple[Wish, ...]:
        """Take what buttons report, in order; return what is asked for by it."""
        wishes: list[Wish] = []
        for report in reports:
            name = report.device.name
            if report.device.kind != "button" or name not in self.buttons:
                continue
            self.advance(now)
            if report.value == "released":
                self._released.setdefault(name, now)
                continue
            since = self._released.pop(name, None)
            if report.value != "pressed":
                self._forget(name)
            elif since is not None and now - since >= BOUNCE:
                wishes += self._press(name, self.buttons[name], now)
        return tuple(wishes)

    def advance(self, now: int) -> None:
        """Forget presses to which no other came in time."""
        if self._entry is not None and now > self._entry.until:
            self._entry = None
        if self._cancel is not None and now > self._cancel.until:
            self._cancel = None

    @property
    def chosen(self) -> frozenset[str]:
        """The buttons that wait for the next one."""
        waiting = (self._entry, self._cancel)
        return frozenset(each.name for each in waiting if each is not None)

    @property
    def next_deadline(self) -> int | None:
        """When ``advance`` is next needed, in ns; ``None`` while nothing waits."""
        waiting = (self._entry, self._cancel)
        return min((each.until + 1 for each in waiting if each is not None), default=None)

    def routes(self, button: Button) -> tuple[Row, ...]:
        """Return the routes that begin or end where a button belongs to, in their order."""
        return tuple(
            row for row in self.rows if row.signal == button.entry or ends_at(row, button.exit)
        )

    def _forget(self, name: str) -> None:
        """Forget a press, where nothing is known of the button any more."""
        if self._entry is not None and self._entry.name == name:
            self._entry = None
        if self._cancel is not None and self._cancel.name == name:
            self._cancel = None

    def _press(self, name: str, button: Button, now: int) -> Iterable[Wish]:
        chosen = _Chosen(name, now + round(button.within * _SECOND))
        entry, cancel = self._entry, self._cancel
        self._entry = self._cancel = None
        if button.ask is not None:
            self._entry = entry
            yield Wish(buttons=(name,), requests=(self._asks[name],))
        elif button.cancel and entry is not None:
            yield self._cancelled((entry.name, name), self.buttons[entry.name])
        elif button.cancel:
            self._cancel = chosen
        elif cancel is not None and button.entry is not None:
            yield self._cancelled((cancel.name, name), button)
        elif entry is not None and entry.name == name:
            yield self._cancelled((name, name), button)
        elif entry is not None and button.exit is not None:
            yield from self._between(entry, chosen, button)
        elif button.entry is not None:
            self._entry = chosen
        else:
            yield Wish(buttons=(name,), reason="No entry button was pressed before it in time.")

    def _cancelled(self, pressed: tuple[str, ...], button: Button) -> Wish:
        """Return that everything is taken back which was asked for at a signal."""
        requests = tuple(
            CancelRoute(row.name)
            for row in self.rows
            if row.signal == button.entry and row.controlled
        )
        reason = "" if requests else f"Signal {button.entry} has no controlled route."
        return Wish(buttons=pressed, requests=requests, each=True, reason=reason)

    def _between(self, entry: _Chosen, chosen: _Chosen, button: Button) -> Iterable[Wish]:
        """Yield that a route is asked for from one button to another."""
        first = self.buttons[entry.name]
        found = tuple(
            SetRoute(row.name)
            for row in self.rows
            if (row.signal, row.move) == (first.entry, first.move) and ends_at(row, button.exit)
        )
        if not found and button.entry is not None:
            self._entry = chosen  # it is where the next route begins
            return
        way = f"from signal {first.entry} to {button.exit}"
        reason = "" if found else f"There is no {first.move} route {way}."
        yield Wish(buttons=(entry.name, chosen.name), requests=found, reason=reason)


def asked_by(button: str, text: str) -> AnyRequest:
    """Return the request that a button makes. Raises ``ConfigurationError`` where it is none."""
    asked = parse_request(text)
    if isinstance(asked, Refusal):
        raise ConfigurationError(f"button {button}", asked.reason, 'Write it so: ask = "hold all".')
    return asked


class Lamps:
    """The lamps in buttons: ``flashing`` while asked for, ``lit`` once set, else ``dark``."""

    def __init__(self, buttons: Buttons, interlocking: Interlocking) -> None:
        self._buttons = buttons
        self._interlocking = interlocking
        self._shown = {name: "dark" for name, button in buttons.buttons.items() if button.lamp}
        self._routes = {name: buttons.routes(buttons.buttons[name]) for name in self._shown}

    def __len__(self) -> int:
        return len(self._shown)

    def orders(self) -> tuple[Order, ...]:
        """Return what each lamp is to show."""
        return tuple(Order(Device("button", name), value) for name, value in self._shown.items())

    def changed(self) -> tuple[Order, ...]:
        """Look at how everything stands; return the orders that are new by that."""
        before, chosen = self._shown, self._buttons.chosen
        self._shown = {
            name: "flashing" if name in chosen else self._value(routes)
            for name, routes in self._routes.items()
        }
        return tuple(order for order in self.orders() if before[order.device.name] != order.value)

    def _value(self, routes: tuple[Row, ...]) -> str:
        holds = self._interlocking.value
        if any(row.controlled and holds(f"route {row.name} off") for row in routes):
            return "lit"
        asked = ("called", "automatic", "permitted")
        if any(holds(f"route {row.name} {word}") for row in routes for word in asked):
            return "flashing"
        return "dark"
