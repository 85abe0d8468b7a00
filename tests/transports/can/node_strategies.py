"""Any board, and anything that may happen to it, for hypothesis."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Any

from hypothesis import strategies as st

from tests.transports.can.node_runs import LAMPS, WRAP, Run, answered, heard
from transports.can.frames import encode
from transports.can.node import Node
from transports.can.protect import check_sum
from transports.can.schema import load_schema

if TYPE_CHECKING:
    from collections.abc import Iterator

SCHEMA = load_schema()
NUMBER, SERIAL = 3, 0xC0FFEE

_FEW = st.booleans()
_PORTS = st.lists(st.sampled_from((0, 1, 2, 15, 16, 31, 255)), max_size=3, unique=True)
_SIGNAL_PORTS = st.lists(st.sampled_from((0, 1, 3, 4, 63)), max_size=3, unique=True)
_WAITS = st.sampled_from((0, 0, 0, 1, 9, 10, 11, 99, 100, 249, 250, 500, 999, 1000, 1001, 3000))
_STEPS = st.sampled_from((1, 1, 1, 1, 1, 1, 1, 1, 0, 2, 4, 5, -1, -4, -5, 30000))
_HAPPENINGS = st.sampled_from(
    ("order",) * 12
    + ("read",) * 6
    + ("other",) * 2
    + ("all-danger", "identify", "heard", "noise", "rest")
)

_RARE = ("supply", "errors", "restart", "until", "mute", "heard", "heard", "stop")


@st.composite
def boards(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a node file's tables."""
    pins = count()

    def optional() -> int | None:
        return next(pins) if draw(_FEW) else None

    def given(**keys: int | None) -> dict[str, Any]:
        return {key: pin for key, pin in keys.items() if pin is not None}

    board: dict[str, Any] = {"board": {}}
    if draw(_FEW):
        board["board"] = {"identify": next(pins), "supply_low": 10500}
    board["signals"] = {}
    for port in draw(_SIGNAL_PORTS):
        lamps = [next(pins) for _ in range(draw(st.integers(2, 4)))]
        positions = draw(st.lists(st.integers(1, 7), max_size=2, unique=True))
        board["signals"][str(port)] = {
            "aspects": [lamps[max(0, at + 1 - LAMPS) : at + 1] for at in range(len(lamps))],
            "indicator": {str(position): next(pins) for position in positions},
            **given(lamps_proof=optional(), indicator_proof=optional()),
        }
    board["stops"] = {
        str(port): given(lift=next(pins), applied=optional(), lifted=optional())
        for port in draw(_PORTS)
    }
    board["locks"] = {str(port): {"free": next(pins)} for port in draw(_PORTS)}
    board["turnouts"] = {}
    for port in draw(_PORTS):
        moved = draw(_FEW)
        board["turnouts"][str(port)] = {
            **given(normal=optional(), reverse=optional()),
            **({"move_normal": next(pins), "move_reverse": next(pins)} if moved else {}),
            "pulse": draw(st.sampled_from((0.0004, 0.05, 0.1, 2.0))),
        }
    board["detectors"] = {str(port): {"clear": next(pins)} for port in draw(_PORTS)}
    board["inputs"] = {
        str(port): given(rest=next(pins), operated=optional(), third=optional())
        for port in draw(_PORTS)
    }
    return board


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """Draw a board and what happens to it, mostly orders that it obeys."""
    board = draw(boards())
    run = Run(
        board=board,
        number=NUMBER,
        serial=SERIAL,
        start=draw(st.sampled_from((0, 100, 65534))),
        happens=(),
    )
    now = draw(st.sampled_from((0, 12345, WRAP - 1500)))
    writer = _Writer(draw, run, now)
    for _ in range(draw(st.integers(0, 25))):
        writer.happening()
    writer.say("until")
    object.__setattr__(run, "happens", tuple(writer.lines))
    # A controller that answers for most of the time, or for half of it, or never.
    hears = draw(st.sampled_from((5, 5, 5, 2, 0)))
    return answered(run, lambda at: at // 700 % 5 >= hears)


class _Writer:
    """Writes down what happens."""

    def __init__(self, draw: st.DrawFn, run: Run, now: int) -> None:
        self.lines = [f"{now} begin"]
        self._draw = draw
        self._now = now
        file = run.settings
        self._inputs = file.read
        node = Node(
            file, number=NUMBER, serial=SERIAL, firmware=(1, 4, 2), start=run.start, now=now
        )
        self._groups = list(node._orders) or [("StopOrder", 0)]
        self._aspects = {int(port): len(each.aspects) for port, each in file.signals.items()}
        self._positions = {
            int(port): [0, *map(int, each.indicator)] for port, each in file.signals.items()
        }
        self._ports = {
            "StopOrder": {int(port) for port in file.stops},
            "LockOrder": {int(port) for port in file.locks},
            "TurnoutOrder": {
                int(port) for port, each in file.turnouts.items() if each.move_normal is not None
            },
        }
        self._counters: dict[tuple[str, int], int] = {}

    def say(self, *words: object) -> None:
        self._now += self._draw(_WAITS)
        self.lines.append(" ".join(str(each) for each in (self._now, *words)))

    def happening(self) -> None:
        draw = self._draw
        match draw(_HAPPENINGS):
            case "order":
                self._order()
            case "read" if self._inputs:
                level = draw(st.sampled_from(("on", "off", "on", "off", "unknown")))
                self.say("read", draw(st.sampled_from(self._inputs)), level)
            case "other":
                # Frames that it has no groups for, and those of other nodes and classes.
                name = draw(st.sampled_from(list(SCHEMA.named)))
                if name in ("AllDanger", "Identify", "NodeStatus", "Heard"):
                    name = "LockOrder"
                group, node = draw(st.integers(0, 15)), draw(st.sampled_from((1, 3, 3, 127)))
                self._take(*encode(name, node, counter=1, group=group, values={}))
            case "all-danger":
                self._take(*self._spoilt(encode("AllDanger", draw(_NODES), counter=5)))
            case "identify":
                serial = draw(st.sampled_from((0, SERIAL, 1)))
                frame = encode("Identify", draw(_NODES), counter=5, values={"Serial": serial})
                self._take(*self._spoilt(frame))
            case "heard":
                page, counter = draw(st.integers(0, 3)), draw(st.sampled_from((0, 100, 101, 65535)))
                self._take(*self._spoilt(heard(draw(_NODES) or NUMBER, page, counter)))
            case "noise":
                identifier = draw(st.integers(0, 0x7FF)) & ~0x7F | NUMBER
                self._take(identifier, draw(st.binary(max_size=10)))
            case _:
                self._rest()

    def _rest(self) -> None:
        match self._draw(st.sampled_from(_RARE)):
            case "supply":
                self.say("supply", self._draw(st.sampled_from((0, 1, 10499, 10500, 65535))))
            case "errors":
                self.say("errors", self._draw(st.integers(0, 255)), self._draw(st.integers(0, 255)))
            case what:
                self.say(what)

    def _order(self) -> None:
        draw = self._draw
        name, group = stream = draw(st.sampled_from(self._groups))
        values = dict(self._values(name, group))
        for _ in range(draw(st.sampled_from((1, 1, 3)))):
            counter = (self._counters.get(stream, 0) + draw(_STEPS)) % 65536
            self._counters[stream] = counter
            frame = encode(name, NUMBER, counter=counter, group=group, values=values)
            self._take(*self._spoilt(frame))

    def _values(self, name: str, group: int) -> Iterator[tuple[str, int]]:
        draw, ports = self._draw, SCHEMA.named[name].ports
        for port in self._aspects if name == "SignalOrder" else self._ports[name]:
            at = port % ports
            if port // ports != group:
                continue
            if name == "SignalOrder":
                yield f"Aspect{at}", draw(st.integers(0, self._aspects[port] - 1))
                yield f"Indicator{at}", draw(st.sampled_from(self._positions[port]))
                yield f"Flash{at}", draw(st.integers(0, 1))
            else:
                yield f"Port{at}", draw(st.integers(0, 2 if name == "TurnoutOrder" else 1))

    def _spoilt(self, frame: tuple[int, bytes]) -> tuple[int, bytes]:
        """Return a frame, seldom with something wrong with it."""
        draw = self._draw
        identifier, data = frame
        match draw(st.sampled_from(("sound",) * 16 + ("flip", "cut", "long", "byte"))):
            case "flip":
                at = draw(st.integers(0, len(data) * 8 - 1))
                whole = int.from_bytes(data, "little") ^ 1 << at
                return identifier, whole.to_bytes(len(data), "little")
            case "cut":
                return identifier, data[: draw(st.integers(0, len(data) - 1))]
            case "long":
                return identifier, data + b"\0"
            case "byte":  # with its check sum put right: values that there are not
                at = draw(st.integers(3, len(data) - 1))
                data = data[:at] + bytes([draw(st.integers(0, 255))]) + data[at + 1 :]
                return identifier, bytes([check_sum(identifier, data)]) + data[1:]
        return frame

    def _take(self, identifier: int, data: bytes) -> None:
        self.say("take", f"{identifier:03X}", data.hex().upper() or "-")


_NODES = st.sampled_from((0, NUMBER, NUMBER, 4))
