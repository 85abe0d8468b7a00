"""``signalling listen FILE``: show what arrives from a layout's hardware, and say nothing to it.

Law of this file: prints; what arrives and what it means is told by
``signalling.controller.listen``, in the words of ``listen_text``. What is printed
never holds the listening up.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import math
import signal
import sys
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from signalling.cli import GOOD
from signalling.errors import ConfigurationError
from signalling.table.load import load_table

if TYPE_CHECKING:
    from signalling.controller.listen import Listening

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="the layout file, such as layout.toml")
    parser.add_argument(
        "--all",
        metavar="TOPICFILTER",
        action="append",
        default=[],
        help="on MQTT, listen to this besides what is bound, such as 'shed/#', or '#' for "
        "everything; may be given several times. Where not given, all under the transport's "
        "`base`, and all beside and beneath the topics that are bound",
    )
    parser.add_argument(
        "--seconds",
        metavar="N",
        type=_positive,
        help="how long to listen; where not given, until Ctrl-C",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object a line, each with `at` in seconds since the start and `event`: "
        "started, link, arrival, device, missed, total or stopped",
    )
    parser.epilog = (
        "It only listens, and may do so beside `signalling run`. Exit codes: 0 stopped in order, "
        "1 the layout has errors, 2 usage, unreadable file, or a transport set up wrongly."
    )


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"{text} is not a number greater than 0")
    return number


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
    listening = Listening(table, Path(arguments.file).parent, arguments.all)
    if not listening.names:
        raise ConfigurationError(
            f"layout {name}",
            f"There is nothing to listen to: {', '.join(listening.deaf)} cannot.",
            "Transports of the kinds mqtt and can do; ask the author of any other.",
        )
    live = sys.stdout.isatty() and not arguments.json
    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(_run(listening, name, arguments.seconds, as_json=arguments.json, live=live))
    return GOOD


async def _run(
    listening: Listening, name: str, seconds: float | None, *, as_json: bool, live: bool
) -> None:
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C cancels instead
            loop.add_signal_handler(number, stop.set)
    if seconds is not None:
        loop.call_later(seconds, stop.set)
    show: Callable[[Listening, str], Coroutine[Any, Any, None]]
    if live:
        from signalling.cli.listen_screen import show_screen

        show = show_screen
    else:
        show = _show_json if as_json else _show_lines
    async with listening:
        showing = asyncio.create_task(show(listening, name), name="show")
        stopping = asyncio.create_task(stop.wait(), name="wait for a signal")
        try:
            await asyncio.wait({showing, stopping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopping.cancel()
    await showing


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
