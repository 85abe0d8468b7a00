"""Trains on the described track: physics on a clock that is only a number."""

from signalling.simulate.record import Record, TrainRecord, WrongSide, WrongSideEvent
from signalling.simulate.run import run
from signalling.simulate.world import TICK, World

__all__ = ["TICK", "Record", "TrainRecord", "World", "WrongSide", "WrongSideEvent", "run"]
