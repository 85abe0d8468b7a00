"""``signalling node``: be a node on a CAN bus, with this computer's pins or simulated ones.

Law of this file: arguments in, events out; what a node does is said in
``transports.can``. What is printed never holds the node up.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import re
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from signalling import __version__
from signalling.cli import GOOD
from signalling.cli.extras import load
from signalling.cli.stopping import when_asked_to_stop
from signalling.controller.clock import paced

if TYPE_CHECKING:
    from transports.can.node_model import NodeFile
    from transports.can.pins import Pins, SimulatedPins

__all__ = ["add_arguments", "run"]

Event = dict[str, Any]

_KEPT = 1000
"""Events that wait for a slow reader; the oldest are lost then."""
_LEVELS: dict[str, bool | None] = {"on": True, "off": False, "unknown": None}
_LONGEST = 100
"""Characters of a line that are looked at."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "--config", metavar="FILE", required=True, help="the node file, such as node.toml"
    )
    parser.add_argument(
        "--node", metavar="N", type=int, required=True, help="its number on the bus, 1 to 127"
    )
    parser.add_argument(
        "--interface",
        metavar="NAME",
        required=True,
        help="python-can's name of the adapter's kind, such as socketcan or slcan",
    )
    parser.add_argument("--channel", metavar="NAME", help="such as can0 or /dev/ttyACM0")
    parser.add_argument("--bitrate", metavar="N", type=int, help="bit/s, where it is set here")
    parser.add_argument(
        "--option",
        metavar="NAME=VALUE",
        action="append",
        type=_option,
        default=[],
        help="what else python-can takes for the interface; may be given several times",
    )
    parser.add_argument(
        "--pins",
        choices=("computer", "simulated"),
        default="computer",
        help="computer: those of a Raspberry Pi; simulated: outputs are printed, and inputs read "
        "from standard input, one a line, such as `24 on`, `24 off` or `24 unknown`",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object a line, each with `at` in seconds since the start and `event`: "
        "started, link, orders, identify, pin, input or stopped",
    )
    parser.epilog = (
        "Stop it with Ctrl-C or SIGTERM: its signals then go to danger and its stops are applied. "
        "Exit codes: 0 stopped in order, 1 the node file has errors, 2 usage, unreadable file, or "
        "a bus or pins that cannot be used. For model railways only."
    )


def run(arguments: argparse.Namespace) -> int:
    """Run until SIGINT or SIGTERM.

    Raises ``UnreadableFileError``, ``LayoutError`` or ``ConfigurationError``.
    An absent bus is no error: it is tried on.
    """
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr, format="signalling: %(message)s")
    # Only now, since they load what CAN needs.
    load("transports.can.node_file", "can", "node")
    from transports.can.node_board import serial_of
    from transports.can.node_file import checked_number, read_node_file

    file = read_node_file(arguments.config)
    number, serial = checked_number(arguments.node), serial_of(file)
    with asyncio.Runner(loop_factory=paced(1.0)) as runner:
        runner.run(_run(arguments, file, number, serial))
    return GOOD


async def _run(arguments: argparse.Namespace, file: NodeFile, number: int, serial: int) -> None:
    from transports.can.node_board import make_node
    from transports.can.node_runner import NodeRunner

    loop = asyncio.get_running_loop()
    printer = _Printer(_write_json if arguments.json else _write_plain)
    pins = _pins(arguments, file, printer.say)
    firmware = _firmware()
    try:
        runner = NodeRunner(
            lambda now: make_node(file, number, serial, firmware, now),
            pins,
            file.read,
            _bus(arguments),
            supply=file.board.supply,
            say=printer.say,
        )
    except BaseException:
        pins.close()
        raise
    printer.say({"at": 0.0, "event": "started", "node": number, "serial": serial})
    running = asyncio.create_task(runner.run(), name="node")
    when_asked_to_stop(running.cancel)
    printing = asyncio.create_task(printer.run(), name="print")
    try:
        with contextlib.suppress(asyncio.CancelledError):
            await running
        printer.say({"at": round(loop.time(), 6), "event": "stopped"})
    finally:
        printer.end()
        await printing


def _pins(arguments: argparse.Namespace, file: NodeFile, say: Callable[[Event], None]) -> Pins:
    from transports.can.pins import ComputerPins, SimulatedPins

    if arguments.pins == "computer":
        return ComputerPins(file)
    loop = asyncio.get_running_loop()

    def told(pin: int, on: bool) -> None:  # noqa: FBT001 - the pins' own signature
        say({"at": round(loop.time(), 6), "event": "pin", "pin": pin, "on": on})

    pins = SimulatedPins(told)
    _take_inputs(pins, frozenset(file.read), say)
    return pins


def _take_inputs(pins: SimulatedPins, inputs: frozenset[int], say: Callable[[Event], None]) -> None:
    """Begin to take levels of inputs from standard input; the thread ends with the program."""
    loop = asyncio.get_running_loop()
    if hasattr(signal, "SIGTTIN"):
        # In the background of a terminal, reading then fails instead of stopping us.
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)

    def take(line: str) -> None:
        pin, level = (*line.split(), "", "")[:2]
        known = pin.isdecimal() and int(pin) in inputs and level in _LEVELS
        if known:
            pins.put(int(pin), on=_LEVELS[level])
        reason = "" if known else "Write the pin of an input and on, off or unknown, as `24 on`."
        event = {"at": round(loop.time(), 6), "event": "input", "input": line, "taken": known}
        say(event | {"reason": reason})

    def read() -> None:
        # Until the input ends or the loop does.
        with contextlib.suppress(OSError, ValueError, RuntimeError):
            while line := sys.stdin.readline(_LONGEST):
                if line.strip():
                    loop.call_soon_threadsafe(take, line.strip())

    threading.Thread(target=read, name="inputs", daemon=True).start()


def _bus(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return the bus as a layout file's table says it."""
    bus: dict[str, Any] = {"interface": arguments.interface, "options": dict(arguments.option)}
    for key in ("channel", "bitrate"):
        if getattr(arguments, key) is not None:
            bus[key] = getattr(arguments, key)
    return bus


def _option(text: str) -> tuple[str, Any]:
    name, sign, value = text.partition("=")
    if not name.isidentifier() or not sign:
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE")
    words = {"true": True, "false": False}
    if value in words:
        return name, words[value]
    for kind in (int, float):
        with contextlib.suppress(ValueError):
            return name, kind(value)
    return name, value


def _firmware() -> tuple[int, int, int]:
    major, minor, patch, *_ = (int(number) for number in re.findall(r"\d+", __version__))
    return major, minor, patch


class _Printer:
    """Prints events in a thread, so that a reader that does not read holds nothing up."""

    def __init__(self, write: Callable[[list[Event]], None]) -> None:
        self._write = write
        self._events: deque[Event] = deque(maxlen=_KEPT)
        self._wake = asyncio.Event()
        self._ended = False

    def say(self, event: Event) -> None:
        """Have an event printed."""
        self._events.append(event)
        self._wake.set()

    def end(self) -> None:
        """Have nothing more printed than was said."""
        self._ended = True
        self._wake.set()

    async def run(self) -> None:
        """Print until told to end."""
        while self._events or not self._ended:
            await self._wake.wait()
            self._wake.clear()
            events = list(self._events)
            self._events.clear()
            if events:
                await asyncio.to_thread(self._write, events)


def _write_json(events: list[Event]) -> None:
    sys.stdout.write("".join(json.dumps(event) + "\n" for event in events))
    sys.stdout.flush()


def _write_plain(events: list[Event]) -> None:
    sys.stdout.write("".join(f"{_line(event)}\n" for event in events))
    sys.stdout.flush()


def _line(event: Event) -> str:
    at = f"{event['at']:10.3f}  "
    match event["event"]:
        case "started":
            return (
                f"Node {event['node']}, serial {event['serial']}. Everything starts at danger. "
                "Ctrl-C stops it. For model railways only."
            )
        case "link":
            return f"{at}bus: {event['state']}" + (f" ({event['error']})" if event["error"] else "")
        case "orders":
            lost = "not heard; what nobody orders is at danger" if event["lost"] else "heard"
            return f"{at}orders: {lost}"
        case "identify":
            return f"{at}identify: {'on' if event['on'] else 'off'}"
        case "pin":
            return f"{at}pin {event['pin']}: {'on' if event['on'] else 'off'}"
        case "input":
            return f"{at}{event['input']}: {event['reason'] or 'taken'}"
        case _:
            return f"{at}Stopped; everything at danger."
