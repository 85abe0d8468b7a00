"""The vectors in ``shared/vectors``: runs that show each rule, for whoever builds a node.

``python -m tests.transports.can.node_vectors`` writes them again; read the diff.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from tests.transports.can.node_runs import VECTORS, Deaf, Run, answered, as_vector
from transports.can.frames import encode
from transports.can.protect import check_sum

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

EVERYTHING: dict[str, Any] = {
    "board": {"identify": 25, "supply_low": 10500},
    "signals": {
        "0": {
            "aspects": [[1], [2], [2, 3], [4]],
            "indicator": {"1": 5, "4": 6},
            "lamps_proof": 30,
            "indicator_proof": 31,
        },
        "5": {"aspects": [[7], [8], [9]]},
    },
    "stops": {"0": {"lift": 10, "applied": 32, "lifted": 33}, "2": {"lift": 11}},
    "locks": {"0": {"free": 12}},
    "turnouts": {
        "0": {"normal": 34, "reverse": 35, "move_normal": 13, "move_reverse": 14, "pulse": 0.2},
        "1": {"normal": 36},
    },
    "detectors": {"0": {"clear": 37}, "1": {"clear": 38}, "17": {"clear": 39}},
    "inputs": {"0": {"rest": 40}, "1": {"rest": 41, "operated": 42, "third": 43}},
}
"""A board with one of everything; its pins have the numbers that are easiest to follow."""


class Scene:
    """Writes down what happens to node 3, with a controller's counters."""

    def __init__(self, start: int = 500) -> None:
        self.lines: list[str] = []
        self._sent: Counter[tuple[str, int, int]] = Counter()
        self._start = start

    def begin(self, at: int = 0) -> Scene:
        self.lines.append(f"{at} begin")
        return self

    def frame(self, at: int, identifier: int, data: bytes) -> None:
        self.lines.append(f"{at} take {identifier:03X} {data.hex().upper() or '-'}")

    def read(self, at: int, **levels: bool | None) -> None:
        """Set inputs; ``p37=True`` sets pin 37."""
        for pin, level in levels.items():
            word = {True: "on", False: "off", None: "unknown"}[level]
            self.lines.append(f"{at} read {pin.removeprefix('p')} {word}")

    def say(self, at: int, *words: object) -> None:
        self.lines.append(" ".join(str(each) for each in (at, *words)))

    def made(
        self,
        name: str,
        values: Mapping[str, int] | None = None,
        *,
        group: int = 0,
        node: int = 3,
        skip: int = 0,
    ) -> tuple[int, bytes]:
        """Return the next frame of a stream; ``skip`` is how far its counter jumps besides."""
        stream = (name, group, node)
        self._sent[stream] += skip
        counter = (self._start + self._sent[stream]) % 65536
        self._sent[stream] += 1
        return encode(name, node, group=group, counter=counter, values=values)

    def order(
        self, at: int, name: str, values: Mapping[str, int] | None = None, **how: int
    ) -> tuple[int, bytes]:
        frame = self.made(name, values, **how)
        self.frame(at, *frame)
        return frame

    def three(
        self, at: int, name: str, values: Mapping[str, int] | None = None, **how: int
    ) -> None:
        """Give an order three times, one right after another, as a stream begins."""
        for _ in range(3):
            self.order(at, name, values, **how)

    def run(
        self,
        about: str,
        board: dict[str, Any] = EVERYTHING,
        *,
        deaf: Deaf = lambda _: False,
        **how: Any,
    ) -> Run:
        """Return the run; a controller that is not ``deaf`` answers each page of the status."""
        lines = sorted(self.lines, key=lambda line: int(line.split()[0]))
        return answered(Run(about=about, board=board, happens=tuple(lines), **how), deaf)


def changed(frame: tuple[int, bytes], at: int, to: int, *, sealed: bool) -> tuple[int, bytes]:
    """Return a frame with one byte changed, with its check sum put right or not."""
    identifier, data = frame
    data = data[:at] + bytes([to]) + data[at + 1 :]
    return identifier, bytes([check_sum(identifier, data)]) + data[1:] if sealed else data


def _power_on() -> Run:
    scene = Scene().begin()
    scene.read(3, p37=True, p38=False, p40=True)
    scene.say(1600, "until")
    return scene.run(
        "Power comes on, and no controller is heard: everything at its most restrictive, who it "
        "is three times, then each group of ports three times, then all again every 250 ms."
    )


def _orders() -> Run:
    scene = Scene().begin()
    proceed = {"Aspect0": 2, "Indicator0": 4}
    scene.three(400, "SignalOrder", proceed)
    scene.three(400, "StopOrder", {"Port0": 1, "Port2": 1})
    scene.three(400, "LockOrder", {"Port0": 1})
    scene.order(650, "SignalOrder", {"Aspect0": 3, "Flash0": 1})
    scene.order(650, "StopOrder", {"Port2": 1})
    scene.order(700, "SignalOrder", {"Aspect0": 3, "Flash0": 1})
    scene.say(3000, "until")
    return scene.run(
        "Orders count with the third frame, a change at once, and flashing goes on while they are "
        "repeated. 1000 ms after the last of a stream its outputs go to their most restrictive "
        "state, and the flag orders lost is said at once."
    )


def _rejected() -> Run:
    scene = Scene(start=65533).begin()
    lift = {"Port0": 1}
    scene.three(400, "StopOrder", lift)
    good = scene.made("StopOrder", lift)
    scene.frame(410, *changed(good, 4, 5, sealed=False))  # check sum
    scene.frame(411, good[0], good[1][:7])  # truncated
    scene.frame(412, good[0], good[1] + b"\0")  # oversized
    scene.frame(413, good[0], b"")
    scene.frame(414, *changed(good, 3, 0x20, sealed=True))  # another version
    scene.frame(415, *scene.made("StopOrder", lift, node=4))  # for another node
    scene.order(416, "StopOrder", lift, group=1)  # a group that it does not have
    scene.frame(420, *good)
    scene.frame(421, *good)  # repeated
    scene.order(422, "StopOrder", lift, skip=3)  # three lost
    scene.frame(423, *good)  # late
    scene.order(500, "StopOrder", lift, skip=4)  # out of sequence
    scene.order(501, "StopOrder", lift)
    same = scene.order(502, "StopOrder", lift)
    scene.frame(503, *changed(same, 4, 0, sealed=True))  # contradictory
    scene.three(600, "StopOrder", lift)
    scene.frame(610, *changed(scene.made("StopOrder", lift), 4, 2, sealed=True))  # out of range
    scene.three(700, "StopOrder", lift)
    scene.order(710, "StopOrder", {"Port1": 1})  # a port that it does not have
    scene.three(800, "SignalOrder", {"Aspect1": 2}, group=1)
    scene.order(810, "SignalOrder", {"Aspect1": 3}, group=1)  # an aspect that it does not have
    scene.say(2400, "until")
    return scene.run(
        "Whatever is not certain is dropped and counted: check sum, length, version, a group, a "
        "port or an aspect that is not there, repeated, late, out of sequence, contradictory. What "
        "is for another node is not its business. Frames rejected and lost are on page 3."
    )


def _all_danger() -> Run:
    scene = Scene().begin()
    for at in (400, 1000):
        scene.three(at, "SignalOrder", {"Aspect0": 1})
        scene.three(at, "StopOrder", {"Port0": 1})
        scene.frame(at + 50, *encode("AllDanger", 3 if at == 400 else 0, counter=7))
        scene.order(at + 60, "SignalOrder", {"Aspect0": 1})
        scene.order(at + 70, "SignalOrder", {"Aspect0": 1})
        scene.order(at + 80, "SignalOrder", {"Aspect0": 1})
    bad = encode("AllDanger", 0, counter=8)
    scene.frame(1090, *changed(bad, 1, 9, sealed=False))
    scene.say(1500, "until")
    return scene.run(
        "All danger is obeyed at once, whatever its counter, for this node or for every node; "
        "then each stream counts again with its third frame. One with a wrong check sum is not "
        "obeyed."
    )


def _identify() -> Run:
    scene = Scene().begin()
    scene.frame(300, *encode("Identify", 3, counter=1, values={"Serial": 1}))  # another board
    scene.frame(400, *encode("Identify", 0, counter=1, values={"Serial": 0xC0FFEE}))
    scene.frame(5100, *encode("Identify", 3, counter=9))
    scene.say(15500, "until")
    return scene.run(
        "It blinks for 10 s from the last time that it was asked, by its serial or by 0, and "
        "works on.",
        board={"board": {"identify": 25}, "detectors": {"0": {"clear": 37}}},
    )


def _reports() -> Run:
    scene = Scene().begin()
    scene.read(0, p37=True, p38=True, p39=True, p40=True, p41=True, p42=False, p43=False)
    scene.read(100, p37=False)
    scene.read(101, p37=True)  # within the gap: said at its end, as it is then
    scene.read(103, p37=False)
    scene.read(200, p38=None)
    scene.read(300, p40=False, p41=False, p43=True)
    scene.read(310, p42=True)
    scene.read(400, p34=True, p35=False)
    scene.read(410, p35=True)
    scene.read(420, p34=False, p35=False)
    scene.say(500, "supply", 12080)
    scene.say(501, "errors", 0, 3)
    scene.say(900, "supply", 10200)
    scene.say(1700, "until")
    return scene.run(
        "A change is reported at once, but two frames of a group are 10 ms apart. What cannot be "
        "read, or contradicts itself, is not known. A supply that is low is a flag."
    )


def _proofs() -> Run:
    scene = Scene().begin()
    scene.read(0, p30=True, p31=False, p32=True, p33=False)
    scene.three(400, "SignalOrder", {"Aspect0": 3, "Flash0": 1, "Indicator0": 1})
    scene.three(400, "StopOrder", {"Port0": 1})
    scene.read(420, p31=True, p32=False)
    scene.read(440, p33=True)
    scene.read(905, p30=False)  # the lamps flash: dark
    scene.read(1405, p30=True)
    for at in (650, 900, 1150, 1400, 1650, 1900):
        scene.order(at, "SignalOrder", {"Aspect0": 3, "Flash0": 1, "Indicator0": 1})
        scene.order(at, "StopOrder", {"Port0": 1})
    scene.read(1500, p30=False)  # a lamp has failed
    scene.read(1700, p33=False, p32=True)  # the stop is applied, and should not be
    scene.say(3300, "until")
    return scene.run(
        "The proof of lamps is looked at 100 ms after they were changed, and while flashing lamps "
        "are lit. An output that does not do what it is told is a flag."
    )


def _turnout() -> Run:
    scene = Scene().begin()
    scene.read(0, p34=True, p35=False)
    scene.three(400, "TurnoutOrder", {"Port0": 1})  # it lies so: nothing moves
    scene.order(500, "TurnoutOrder", {"Port0": 2})
    scene.read(520, p34=False)
    scene.read(600, p35=True)
    scene.order(750, "TurnoutOrder", {"Port0": 2})
    scene.order(900, "TurnoutOrder", {"Port0": 1})
    scene.read(910, p35=False)
    scene.frame(950, *encode("AllDanger", 0, counter=1))  # it is left as it lies
    scene.say(1300, "until")
    return scene.run(
        "A turnout is moved once for each change of its order, and not where it lies so already. "
        "While neither contact is made and it is being moved, it is reported as moving; else it is "
        "not known how it lies."
    )


def _bus_off() -> Run:
    scene = Scene().begin(4294966000)
    scene.read(4294966000, p37=True)
    scene.three(4294966400, "StopOrder", {"Port0": 1})
    scene.say(4294966700, "restart")
    scene.three(4294967200, "StopOrder", {"Port0": 1})
    scene.say(4294967400, "mute")
    scene.say(4294968200, "until")
    scene.say(4294968600, "heard")
    scene.three(4294968610, "StopOrder", {"Port0": 1})
    scene.say(4294968650, "stop")
    scene.three(4294968700, "StopOrder", {"Port0": 1})
    scene.say(4294969000, "until")
    return scene.run(
        "When the bus is back after it was off, it speaks as after power-on; orders in force stay "
        "so for their time. A stream that the bus did not take for more than 1000 ms begins anew "
        "with three frames. A node that is stopped is at danger for good, and knows nothing. "
        "Meanwhile a clock of 32 bits begins again."
    )


def _heard() -> Run:
    scene = Scene().begin()
    lift = {"Port0": 1}
    scene.three(400, "StopOrder", lift)
    for at in range(650, 3000, 250):
        scene.order(at, "StopOrder", lift)
    early = encode("Heard", 3, counter=1, values={"HeardCounter": 102})
    scene.frame(1900, *early)  # what was said long ago
    scene.frame(2000, *encode("Heard", 3, counter=1, values={"HeardCounter": 5}))  # never said
    scene.frame(2001, *encode("Heard", 3, counter=1, group=2, values={"HeardCounter": 106}))
    scene.say(3300, "until")
    return scene.run(
        "A controller says which page of the status it has heard. 1000 ms after the newest of them "
        "was said, no order counts, however regularly orders come: they may be of any age. An "
        "answer to what was said earlier, or never, proves nothing. When pages are answered again, "
        "orders count with their third frame.",
        deaf=lambda now: 600 < now < 2100,
    )


SCENES: Mapping[str, Callable[[], Run]] = {
    "node-power-on": _power_on,
    "node-orders": _orders,
    "node-heard": _heard,
    "node-rejected": _rejected,
    "node-all-danger": _all_danger,
    "node-identify": _identify,
    "node-reports": _reports,
    "node-proofs": _proofs,
    "node-turnout": _turnout,
    "node-bus-off": _bus_off,
}
"""The vectors by name."""


def texts() -> Iterator[tuple[str, str]]:
    """Yield the name and the text of each vector's file."""
    for name, scene in SCENES.items():
        yield f"{name}.json", as_vector(scene())


if __name__ == "__main__":
    VECTORS.mkdir(exist_ok=True)
    for file, text in texts():
        (VECTORS / file).write_text(text, "utf-8")
