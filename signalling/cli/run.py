"""``signalling run FILE``: run the signalling of a layout, until stopped.

Law of this file: prints what the controller says, and hands it the signals of
the operating system. What is printed never holds the controller up: of what a
slow reader has not taken, the latest is kept.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import sys
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from signalling.cli import GOOD
from signalling.cli.links import link_event, link_line
from signalling.cli.printable import printable
from signalling.cli.requests import YOU, request_event, take_requests
from signalling.cli.stopping import when_asked_to_stop
from signalling.controller.changes import Change, LinkNews, Watcher
from signalling.controller.clock import paced
from signalling.controller.controller import Controller
from signalling.core.words import TakeOut
from signalling.layout.words import Device, Order, Report

__all__ = ["add_arguments", "run"]

Event = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object a line, each with `at` in seconds since the start and `event`: "
        "started, out-of-use, given-back, link, report, order, alarm, request or stopped",
    )
    parser.add_argument(
        "--requests",
        action="store_true",
        help="take requests from standard input, one a line, such as `restore d2` or `hold all`; "
        "`help` lists them. On a terminal this is so anyway",
    )
    parser.add_argument(
        "--state",
        metavar="FILE",
        help="the file in which it is kept what is out of use; by default NAME.out-of-use.json "
        "beside the layout file",
    )
    parser.epilog = (
        "Stop it with Ctrl-C, SIGTERM or by closing its terminal: every signal then goes to "
        "danger and every stop is applied, within two seconds. Exit codes: 0 stopped in order, "
        "1 the layout has errors, 2 usage, unreadable file, or a transport set up wrongly."
    )


def run(arguments: argparse.Namespace) -> int:
    """Run until SIGINT, SIGTERM or SIGHUP.

    Raises ``UnreadableFileError``, ``LayoutError`` or ``ConfigurationError``
    before anything is opened. An absent broker is no error: it is tried on.
    """
    # What links go through is printed as events; the log is for what should not happen.
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr, format="signalling: %(message)s")
    controller = Controller(arguments.file, state=arguments.state)
    write = _write_json if arguments.json else _write_plain
    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(_run(controller, write, asked=arguments.requests or sys.stdin.isatty()))
    return GOOD


async def _run(
    controller: Controller, write: Callable[[Iterable[Event]], None], *, asked: bool
) -> None:
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    when_asked_to_stop(stop.set, "SIGHUP")  # the terminal was closed
    layout = controller.table.layout
    started = {
        "at": 0.0,
        "event": "started",
        "layout": layout.settings.name,
        "signals": len(layout.signals),
        "stops": len(layout.stops),
        "transports": list(controller.transports),
    }
    await asyncio.to_thread(write, [started])
    async with controller:
        printing = asyncio.create_task(_print(controller.changes(), write), name="print")
        stopping = asyncio.create_task(stop.wait(), name="wait for a signal")
        if asked:
            take_requests(controller, lambda event: asyncio.to_thread(write, [event]))
        try:
            await asyncio.wait({printing, stopping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopping.cancel()
    await printing
    await asyncio.to_thread(write, [{"at": loop.time(), "event": "stopped"}])


async def _print(changes: Watcher, write: Callable[[Iterable[Event]], None]) -> None:
    news = _News()
    async for change in changes:
        events = list(news.of(change))
        if events:
            # In a thread: a reader that does not read must hold nothing else up.
            await asyncio.to_thread(write, events)


class _News:
    """What of a change is new to one who has read everything before."""

    def __init__(self) -> None:
        self._orders: dict[Device, str] = {}
        self._links = LinkNews()
        self._alarms: set[tuple[str, str]] = set()
        self._out_of_use: tuple[TakeOut, ...] = ()

    def of(self, change: Change) -> Iterator[Event]:
        """Yield one object for each thing that is new."""
        at = round(change.at, 6)
        yield from self._used(at, change.out_of_use)
        for link in change.links:
            if self._links.has(link):
                yield link_event(at, link)
        for report in change.reports:
            yield _said(at, "report", report)
        for order in change.orders:
            if self._orders.get(order.device) != order.value:
                self._orders[order.device] = order.value
                yield _said(at, "order", order)
        for answer in change.answers:
            yield request_event(at, answer)
        for step in change.names:
            yield {
                "at": at,
                "event": "name",
                "train": step.train,
                "rear": step.rear,
                "ahead": step.ahead,
                "doubtful": step.doubtful,
                "cause": str(step.cause),
            }
        for alarm in change.alarms:
            if (alarm.kind, alarm.thing) not in self._alarms:
                event = {"at": at, "event": "alarm", "kind": alarm.kind, "thing": alarm.thing}
                yield event | {"sentence": alarm.sentence}
        self._alarms = {(alarm.kind, alarm.thing) for alarm in change.alarms}

    def _used(self, at: float, now: tuple[TakeOut, ...]) -> Iterator[Event]:
        """Yield what has been taken out of use, and what has been given back."""
        before, self._out_of_use = self._out_of_use, now
        for each in now:
            if each not in before:
                yield {
                    "at": at,
                    "event": "out-of-use",
                    "kind": str(each.kind),
                    "name": each.name,
                    "person": each.person,
                    "reason": each.reason,
                    "since": each.since,
                }
        out = {(each.kind, each.name, each.person) for each in now}
        for kind, name, person in ((each.kind, each.name, each.person) for each in before):
            if (kind, name, person) not in out:
                event = {"at": at, "event": "given-back", "kind": str(kind), "name": name}
                yield event | {"person": person}


def _said(at: float, event: str, what: Report | Order) -> Event:
    device = what.device
    return {"at": at, "event": event, "kind": device.kind, "name": device.name, "value": what.value}


def _write_json(events: Iterable[Event]) -> None:
    sys.stdout.write("".join(json.dumps(event) + "\n" for event in events))
    sys.stdout.flush()


def _write_plain(events: Iterable[Event]) -> None:
    # What happens to names is seen by what berths are told.
    # Who asks over a link writes what is printed of it: it may begin no line of its own.
    lines = (
        printable(_line(event)) for event in events if event["event"] not in ("report", "name")
    )
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


def _line(event: Event) -> str:
    at = f"{event['at']:10.3f}  "
    match event["event"]:
        case "started":
            return (
                f"{event['layout']}: {event['signals']} signals, {event['stops']} stops, over "
                f"{', '.join(event['transports'])}. Everything starts at danger. Ctrl-C stops it."
            )
        case "link":
            return at + link_line(event)
        case "order":
            return f"{at}{event['kind']} {event['name']}: {event['value']}"
        case "alarm":
            return f"{at}alarm: {event['sentence']}"
        case "out-of-use":
            thing, person = f"{event['kind']} {event['name']}", event["person"]
            return f"{at}{thing} is out of use: {person}, since {event['since']}: {event['reason']}"
        case "given-back":
            return f"{at}{event['kind']} {event['name']} is given back: {event['person']}"
        case "request":
            by = "" if event["by"] == YOU else f", by {event['by']}"
            became = f"{event['outcome']}: {event['reason']}".removesuffix(": ")
            return f"{at}{event['request'] or 'nothing'}{by}: {became}"
        case _:
            return f"{at}Stopped; every signal at danger."
