"""``signalling listen FILE``: show what arrives from a layout's hardware, and say nothing to it.

Law of this file: prints; what arrives and what it means is told by
``signalling.controller.listen``, in the words of ``listen_text``. What is printed
never holds the listening up.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import signal
import sys
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from signalling.cli import GOOD
from signalling.cli.numbers import positive
from signalling.cli.stopping import when_asked_to_stop
from signalling.errors import ConfigurationError
from signalling.table.load import load_table

if TYPE_CHECKING:
    from signalling.controller.listen import Listening

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--topic",
        metavar="FILTER",
        action="append",
        default=[],
        help="on MQTT, listen to these topics and to those that are bound, such as 'shed/#' for "
        "all under shed; may be given several times. Where not given, to everything that the "
        "broker lets us hear",
    )
    parser.add_argument(
        "--seconds",
        metavar="N",
        type=positive,
        help="how long to listen; where not given, until Ctrl-C",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object a line, each with `at` in seconds since the start and `event`: "
        "started, link, arrival, device, missed, total or stopped",
    )
    parser.epilog = (
        "It only listens, and may do so beside `signalling run`. Ctrl-C ends it with a summary of "
        "what was heard; a second one ends it at once. Exit codes: 0 stopped in order, 1 the "
        "layout has errors, 2 usage, unreadable file, or a transport set up wrongly."
    )


def run(arguments: argparse.Namespace) -> int:
    """Listen until SIGINT, SIGTERM or the end of the time.

    Raises ``UnreadableFileError``, ``LayoutError`` or ``ConfigurationError``
    before anything is opened. An absent broker is no error: it is tried on.
    """
    # Only now, since it loads the transports.
    from signalling.controller.clock import paced
    from signalling.controller.listen import Listening

    logging.basicConfig(level=logging.ERROR, stream=sys.stderr, format="signalling: %(message)s")
    table = load_table(arguments.file)
    name = table.layout.settings.name
    listening = Listening(table, Path(arguments.file).parent, arguments.topic)
    if not listening.names:
        raise ConfigurationError(
            f"layout {name}",
            f"There is nothing to listen to: {', '.join(listening.deaf)} cannot.",
            "Listen to a layout with a transport of the kind mqtt or can; of any other, ask its "
            "author for the method `listener`.",
        )
    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(_run(listening, name, arguments.seconds, _way(as_json=arguments.json)))
    return GOOD


Show = Callable[["Listening", str], Coroutine[Any, Any, None]]
"""Shows what arrives until listening ends, given the layout's name."""


def _way(*, as_json: bool) -> Show:
    """Return the way to show it: a screen only where one can be drawn."""
    if as_json:
        return _show_json
    if sys.stdout.isatty():
        from signalling.cli.listen_screen import can_draw, show_screen

        if can_draw():
            return show_screen
    return _show_lines


async def _run(listening: Listening, name: str, seconds: float | None, show: Show) -> None:
    stop = _stopping()
    if seconds is not None:
        asyncio.get_running_loop().call_later(seconds, stop.set)
    showing = asyncio.create_task(show(listening, name), name="show")
    stopping = asyncio.create_task(stop.wait(), name="wait for a signal")
    try:
        async with listening:
            await asyncio.wait({showing, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        stopping.cancel()
        # It ends by itself when listening has ended.
        await showing


def _stopping() -> asyncio.Event:
    """Return what is set by SIGINT or SIGTERM; a second one ends the program at once.

    For a reader that does not read may keep us from ending in order.
    """
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    numbers = (signal.SIGINT, signal.SIGTERM)

    def end() -> None:
        stop.set()
        for number in numbers:
            loop.remove_signal_handler(number)
            signal.signal(number, signal.SIG_DFL)

    when_asked_to_stop(end)
    return stop


async def _show_lines(listening: Listening, name: str) -> None:
    from signalling.cli.listen_text import as_lines, begun, summary_lines

    await _write([begun(listening, name)])
    async for news in listening:
        await _write(as_lines(news))
    await _write(summary_lines(listening))


async def _show_json(listening: Listening, name: str) -> None:
    from signalling.cli.listen_text import as_events, begun_event, summary_events

    async def write(events: Iterable[dict[str, Any]]) -> None:
        await _write(json.dumps(event) for event in events)

    await write([begun_event(listening, name)])
    async for news in listening:
        await write(as_events(news))
    await write(summary_events(listening, asyncio.get_running_loop().time()))


async def _write(lines: Iterable[str]) -> None:
    """Print lines in a thread: a reader that does not read must hold nothing else up."""
    text = "".join(f"{line}\n" for line in lines)

    def write() -> None:
        sys.stdout.write(text)
        sys.stdout.flush()

    await asyncio.to_thread(write)
