"""Whoever comes second under a node's name, nothing of what it says is ever taken for the first's.

A controller's conversation and two whole nodes on a broker, which lets both be
connected, or, where they have one client identifier, throws out the one for the
other (MQTT 5.0, 3.1.4, [MQTT-3.1.4-3], from memory). Time is by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import count
from random import Random
from typing import Any

import pytest
from attrs import define

from signalling.layout.words import BoundDevice, Device, Order, Report
from tests.mqtt_node import NodeEnd
from transports.mqtt.options import Options
from transports.mqtt.own.codec import encode
from transports.mqtt.own.conversation import OwnBindings
from transports.mqtt.session import Publication
from transports.transport import LinkCounters, TransportSettings

D1, S1 = Device("detector", "d1"), Device("stop", "S1")
TABLE = {"node": "shed"}
DEVICES = (
    BoundDevice(device=D1, reports=("clear", "occupied"), report=TABLE),
    BoundDevice(device=S1, orders=("applied", "lifted"), order=TABLE),
)
AT_REST: dict[str, dict[str, Any]] = {"stop": {"S1": "applied"}}
TICK, PERIOD, WAY = 0.005, 0.25, 0.02
"""Seconds: of the clock here, between two reports, and on the way, at the most."""
FIRST_PAUSE, LONGEST_PAUSE = 0.1, 3.0


@define(eq=False)
class Board:
    """A node, and its connection."""

    end: NodeEnd
    connected: bool = False
    say_at: float = 0.0
    connect_at: float = 0.0
    pause: float = FIRST_PAUSE


class Hall:
    """A controller, a broker, and boards that are one node, each of which reads what it reads."""

    def __init__(self, seed: int, *, throws_out: bool) -> None:
        self.random = Random(seed)  # noqa: S311 - chance, and no secret
        self.now = 100.0
        self.throws_out = throws_out
        self.boards: list[Board] = []
        self.known_now: str | None = None
        self.known: set[str | None] = {None}
        """What has been known of the detector since this was emptied."""
        self._ways: list[tuple[float, int, Callable[[], None]]] = []
        self._number = count()
        options = {"schema": 1, "base": "gannet"}
        settings = TransportSettings(name="club", options=options, devices=DEVICES)
        self.controller = OwnBindings(settings, Options.read(settings)).converse(
            self._take, LinkCounters(), lambda: None
        )
        self._publish(self.controller.opening(self.now))

    def board(self, serial: str, reads: str) -> Board:
        """Switch a board on."""
        board = Board(NodeEnd("shed", serial, AT_REST))
        board.end.reports = {"detector": {"d1": reads}}
        board.connect_at = self.now
        self.boards.append(board)
        return board

    def _take(self, report: Report) -> None:
        self.known_now = report.value
        self.known.add(report.value)

    def run(self, seconds: float) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now += TICK
            for way in sorted(way for way in self._ways if way[0] <= self.now):
                self._ways.remove(way)
                way[2]()
            self.controller.check(self.now)
            self._publish(self.controller.turn(self.now))
            for board in self.boards:
                self._work(board)
            assert sum(board.end.obeying for board in self.boards) < 2

    def _work(self, board: Board) -> None:
        board.end.check(self.now)
        if not board.connected:
            if self.now >= board.connect_at:
                self._connect(board)
        elif self.now >= board.say_at or board.end.due:
            board.say_at = self.now + PERIOD
            payload = encode(board.end.report(self.now))
            self._later(partial(self._hear, "report", payload))

    def _connect(self, board: Board) -> None:
        if self.throws_out:
            for other in self.boards:
                if other.connected:
                    will = encode(other.end.gone())
                    self._later(partial(self._hear, "gone", will))
                    other.connected = False
                    other.connect_at = self.now + other.pause
                    other.pause = min(2 * other.pause, LONGEST_PAUSE)
        board.end.begin()
        board.connected = True

    def _hear(self, kind: str, payload: bytes) -> None:
        topic = f"gannet/v1/node/shed/{kind}"
        self.controller.receive(topic, payload, self.now, retained=False)

    def _tell(self, board: Board, session: str, publication: Publication) -> None:
        if not board.connected or board.end.numbers.session != session:
            return
        if publication.topic.endswith("/order"):
            board.end.take_order(publication.payload, self.now)
        else:
            board.end.take_all_danger(publication.payload, self.now)

    def _publish(self, publications: list[Publication]) -> None:
        for each in publications:
            for board in self.boards:
                if board.connected:
                    session = board.end.numbers.session
                    self._later(partial(self._tell, board, session, each))

    def _later(self, action: Callable[[], None]) -> None:
        # TCP keeps what passes in order; here even that is not asked for.
        self._ways.append((self.now + self.random.uniform(0, WAY), next(self._number), action))

    def order(self, word: str) -> None:
        self._publish(self.controller.orders([Order(S1, word)], self.now))


SEEDS = range(40)


@pytest.mark.parametrize("throws_out", [False, True])
@pytest.mark.parametrize("second", ["GP-1", "GP-2"])
def test_the_second_is_never_believed(second: str, *, throws_out: bool) -> None:
    for seed in SEEDS:
        hall = Hall(seed, throws_out=throws_out)
        hall.board("GP-1", "occupied")
        hall.run(2.0 + hall.random.random())
        assert hall.known_now == "occupied"
        hall.board(second, "clear")
        hall.run(8.0)
        assert "clear" not in hall.known, seed
        assert hall.known_now is None


@pytest.mark.parametrize("second", ["GP-1", "GP-2"])
def test_neither_is_believed_soon_after_a_second_has_come(second: str) -> None:
    for seed in SEEDS:
        hall = Hall(seed, throws_out=False)
        hall.board("GP-1", "clear")
        hall.run(2.0 + hall.random.random())
        hall.order("lifted")
        hall.run(0.3)
        assert hall.known_now == "clear"
        assert [each.end.outputs for each in hall.boards] == [{"stop": {"S1": "lifted"}}]
        hall.board(second, "occupied")
        hall.run(4 * WAY + 2 * PERIOD)
        hall.known = {hall.known_now}
        hall.run(5.0)
        assert hall.known == {None}, seed
        assert [each.end.outputs for each in hall.boards] == [AT_REST, AT_REST]


@pytest.mark.parametrize("second", ["GP-1", "GP-2"])
def test_two_that_were_there_before_the_controller_are_never_believed(second: str) -> None:
    for seed in SEEDS:
        hall = Hall(seed, throws_out=False)
        for serial, reads in (("GP-1", "clear"), (second, "occupied")):
            hall.board(serial, reads).connect_at += hall.random.random() * 0.3
        hall.run(5.0)
        assert hall.known == {None}, seed
