"""``signalling demo``: run Merrow Bay, on the screen or for its figures.

Law of this file: options and exit codes. What runs is in ``signalling.demo``.
The summary goes to standard output, progress to standard error.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import Iterator

from signalling.cli import GOOD, MISTAKES
from signalling.cli.numbers import positive
from signalling.controller.clock import paced
from signalling.demo.run import Demo, load_merrow_bay
from signalling.demo.summary import as_json, as_text
from signalling.demo.watch import progress, screen

__all__ = ["add_arguments", "run"]

_SECONDS = 600.0
"""Seconds of the layout's time that it runs where nobody watches."""

_SPEED = 4.0
"""How many times as fast as real time it runs where somebody does."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "--seconds",
        type=positive,
        metavar="N",
        help="seconds of the layout's time to run; where not given, until Ctrl-C on a terminal, "
        f"else {_SECONDS:g}",
    )
    parser.add_argument(
        "--speed",
        type=positive,
        metavar="X",
        help=f"times real time; where not given, {_SPEED:g} on a terminal, else as fast as it goes",
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="what chance decides; 0 where not given"
    )
    parser.add_argument(
        "--json", action="store_true", help="print the summary as one JSON object, and no picture"
    )
    parser.epilog = (
        "On a terminal the layout is shown live, and then the summary. The same seed and seconds "
        "give the same run at any speed. Exit codes: 0 nothing wrong-side happened, 1 something "
        "did, 2 usage."
    )


def run(arguments: argparse.Namespace) -> int:
    """Run the demonstration and print what it came to."""
    live = sys.stdout.isatty() and not arguments.json
    speed: float | None = arguments.speed or (_SPEED if live else None)
    seconds: float | None = arguments.seconds or (None if live else _SECONDS)
    demo = Demo(load_merrow_bay(), arguments.seed)
    layout = demo.table.layout
    _say(
        f"{layout.settings.name}: {len(layout.signals)} signals, {len(demo.table.rows)} routes, "
        f"{len(layout.trains)} trains; everything starts at danger."
    )
    watching = (
        screen(demo, speed or _SPEED) if live else progress(demo, seconds or _SECONDS, speed, _say)
    )
    with (
        _stopping(demo),
        watching as watch,
        asyncio.Runner(loop_factory=paced(None)) as runner,
    ):
        outcome = runner.run(demo.run(seconds, watch))
    if arguments.json:
        print(json.dumps(as_json(outcome, speed), indent=2))
    else:
        print(as_text(outcome))
    return MISTAKES if outcome.record.wrong_side else GOOD


@contextlib.contextmanager
def _stopping(demo: Demo) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM end the run in order, with its summary."""
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(number, lambda *_: demo.stop()) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


def _say(text: str) -> None:
    print(f"signalling demo: {text}", file=sys.stderr, flush=True)
