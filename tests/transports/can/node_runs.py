"""Runs of a node, the same for Python and for C: a board, and what happens to it, as lines.

``shared/node-c/run_vectors.c`` says what the lines are. A vector is a run with
the lines that a node prints in it.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pytest
from attrs import evolve, frozen

from signalling.layout.shape import structure
from transports.can.frames import decode, encode
from transports.can.node import Node
from transports.can.node_model import NodeFile
from transports.can.node_things import pulse_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from transports.can.node import PinChange

ROOT = Path(__file__).parents[3]
SOURCES = ROOT / "shared" / "node-c"
VECTORS = ROOT / "shared" / "vectors"

LAMPS, ASPECTS, PINS = 3, 16, 128
"""Room that the C node is compiled with, so that it has what the tests ask for."""
ROOM = {
    "NODE_PINS": PINS,
    "NODE_ASPECTS": ASPECTS,
    "NODE_LAMPS": LAMPS,
    "NODE_SIGNALS": 32,
    "NODE_STOPS": 32,
    "NODE_TURNOUTS": 32,
    "NODE_ORDER_GROUPS": 32,
    "NODE_REPORT_GROUPS": 32,
}
Deaf = Callable[[int], bool]
"""Whether a controller hears nothing at a time."""

WRAP = 1 << 32
"""Where a board's clock begins again."""


@frozen(kw_only=True)
class Run:
    """A board, and what happens to it: lines that begin with a time in milliseconds."""

    name: str = ""
    about: str = ""
    board: dict[str, Any]
    """A node file's tables."""
    number: int = 3
    serial: int = 0xC0FFEE
    firmware: tuple[int, int, int] = (1, 4, 2)
    start: int = 100
    happens: tuple[str, ...]

    @property
    def settings(self) -> NodeFile:
        return structure(self.board, NodeFile)


# -- in Python


def played(run: Run) -> list[str]:
    """Return what the Python node makes of a run."""
    player = Player(run)
    return [printed for line in run.happens for printed in player.happen(line)]


class Player:
    """Plays a run, line by line."""

    node: Node

    def __init__(self, run: Run, deaf: Deaf = lambda _: True) -> None:
        self._run = run
        self._mute = False
        self._deaf = deaf
        self._to_answer: list[tuple[int, int]] = []
        self.happened: list[str] = []
        """What happened, with the answers of a controller that is not deaf."""

    def happen(self, line: str) -> list[str]:
        """Let a line of a run happen; return what the node prints until then."""
        return list(self._lines(line))

    def _lines(self, line: str) -> Iterator[str]:
        at, what, *rest = line.split()
        now = int(at)
        if what == "begin":
            run = self._run
            self.node = Node(
                run.settings,
                number=run.number,
                serial=run.serial,
                firmware=run.firmware,
                start=run.start,
                now=now,
            )
            self.happened.append(line)
            yield from self._follow(self.node.advance(now), now)
            return
        while not self._mute and (due := self.node.next_deadline) <= now:
            yield from self._follow(self.node.advance(due), due)
        self.happened.append(line)
        yield from self._follow(self._happen(what, rest, now), now)

    def _happen(self, what: str, rest: list[str], now: int) -> tuple[PinChange, ...]:
        node = self.node
        match what, rest:
            case "take", [identifier, data]:
                return node.take(int(identifier, 16), bytes.fromhex(data.strip("-")), now)
            case "read", [pin, level]:
                return node.read(int(pin), {"on": True, "off": False}.get(level), now)
            case "supply", [millivolts]:
                return node.supply(int(millivolts), now)
            case "errors", [transmit, receive]:
                return node.errors(int(transmit), int(receive), now)
            case "restart", []:
                return node.restart(now)
            case "stop", []:
                return node.stop(now)
            case "mute" | "heard", []:
                self._mute = what == "mute"
                return node.advance(now)
            case "until", []:
                return node.advance(now)
        raise AssertionError((what, rest))

    def _follow(self, changes: tuple[PinChange, ...], now: int) -> Iterator[str]:
        node = self.node
        for change in changes:
            yield f"{now % WRAP} pin {change.pin} {'on' if change.on else 'off'}"
        while not self._mute and (frame := node.frame(now)) is not None:
            identifier, data = frame
            yield f"{now % WRAP} frame {identifier:03X} {data.hex().upper()}"
            node.sent(now)
            said = decode(identifier, data)
            if said.shape.name == "NodeStatus" and not self._deaf(now):
                self._to_answer.append((said.group, said.counter))
        while self._to_answer:
            identifier, data = heard(self._run.number, *self._to_answer.pop(0))
            self.happened.append(f"{now} take {identifier:03X} {data.hex().upper()}")
            yield from self._follow(node.take(identifier, data, now), now)


def heard(number: int, page: int, counter: int) -> tuple[int, bytes]:
    """Return a controller's answer to a page of a node's status."""
    values = {"HeardCounter": counter}
    return encode("Heard", number, counter=7, group=page, values=values)


def answered(run: Run, deaf: Deaf = lambda _: False) -> Run:
    """Return a run in which a controller answers each page of the status at once, unless deaf."""
    player = Player(run, deaf)
    for line in run.happens:
        player.happen(line)
    return evolve(run, happens=tuple(player.happened))


# -- in C


def compiled(folder: Path, *options: str) -> Path:
    """Compile the C node with the program that plays runs; return the program."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.fail(
            "There is no C compiler (cc), and the node in C is compiled and run here. On Debian: "
            "apt-get install gcc libc6-dev",
            pytrace=False,
        )
    program = folder / "run_vectors"
    made = subprocess.run(
        [
            *(compiler, "-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", *options),
            *(f"-D{name}={room}u" for name, room in ROOM.items()),
            *(str(path) for path in sorted(SOURCES.glob("*.c")) if path.stem != "example_board"),
            *("-o", str(program)),
        ],
        check=False,
        capture_output=True,
        text=True,
    )
    assert made.returncode == 0, made.stderr
    assert made.stderr == ""
    return program


class Program:
    """The C node's program, running: it plays one run after another."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [self.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, *_: object) -> None:
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        rest = process.stdout.read()
        process.stdout.close()
        assert (process.wait(), rest) == (0, "")

    def play(self, run: Run) -> list[str]:
        """Return what the C node makes of a run."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(as_lines(run))
        process.stdin.flush()
        found = []
        for line in process.stdout:
            if line == "end\n":
                return found
            found.append(line.removesuffix("\n"))
        raise AssertionError(f"the program ended: {process.wait()}; it says why on standard error")


def as_lines(run: Run) -> str:
    """Return a run as the C node's program reads it."""
    return "".join(f"{line}\n" for line in (*_described(run), *run.happens, "end"))


def _described(run: Run) -> Iterator[str]:
    """Yield the lines that describe a run's board."""
    file = run.settings
    major, minor, patch = run.firmware
    board = file.board
    yield (
        f"board {run.number} {run.serial} {major} {minor} {patch} {_pins(board.identify)} "
        f"{board.supply_low or 0} {run.start}"
    )
    for port, signal in file.signals.items():
        yield f"signal {port} {_pins(signal.lamps_proof, signal.indicator_proof)}"
        for aspect in signal.aspects:
            yield f"aspect {_pins(*aspect)}"
        for position, pin in signal.indicator.items():
            yield f"position {position} {pin}"
    for port, stop in file.stops.items():
        yield f"stop {port} {_pins(stop.lift, stop.applied, stop.lifted)}"
    for port, lock in file.locks.items():
        yield f"lock {port} {lock.free}"
    for port, turnout in file.turnouts.items():
        contacts = _pins(turnout.normal, turnout.reverse)
        moves = _pins(turnout.move_normal, turnout.move_reverse)
        yield f"turnout {port} {contacts} {moves} {pulse_of(turnout)}"
    for port, detector in file.detectors.items():
        yield f"detector {port} {detector.clear}"
    for port, each in file.inputs.items():
        yield f"input {port} {_pins(each.rest, each.operated, each.third)}"


def _pins(*pins: int | None) -> str:
    return " ".join("-" if pin is None else str(pin) for pin in pins)


# -- vectors


def vectors() -> dict[str, tuple[Run, list[str]]]:
    """Return the vectors in ``shared/vectors``: runs with what a node prints in them, by name."""
    found = {}
    for path in sorted(VECTORS.glob("node-*.json")):
        data = json.loads(path.read_text("utf-8"))
        lines = data.pop("prints")
        happens, firmware = tuple(data.pop("happens")), tuple(data.pop("firmware"))
        found[path.stem] = (Run(name=path.stem, happens=happens, firmware=firmware, **data), lines)
    return found


def as_vector(run: Run) -> str:
    """Return a run and what the Python node prints in it, as a vector's text."""
    fields = ("about", "board", "number", "serial", "firmware", "start", "happens")
    data = {key: getattr(run, key) for key in fields}
    return json.dumps(data | {"prints": played(run)}, indent=2) + "\n"
