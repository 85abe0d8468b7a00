"""What is said and heard on one connection, whatever the schema.

Law of this file: the protocol between ``link``, which has the connection, and
what knows the meaning. One object serves one opening of the link, so that
nothing of an earlier one is believed. None of it waits.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from signalling.layout.asking import Answer
from signalling.layout.words import Order
from transports.mqtt.session import Publication

__all__ = ["Conversation"]


class Conversation(Protocol):
    """One side of a conversation over a broker. ``now`` is the loop's time, in seconds."""

    @property
    def topics(self) -> Sequence[str]:
        """Every topic to listen to, in the order in which they are to be subscribed to."""

    @property
    def will(self) -> Publication:
        """What the broker is to publish for us when we vanish."""

    @property
    def next_turn(self) -> float:
        """When there is something to say again; then, and when woken, ``turn`` is called."""

    @property
    def next_deadline(self) -> float | None:
        """When something falls overdue that was heard, or ``None``; then ``check`` is called."""

    def opening(self, now: float) -> list[Publication]:
        """Return what is said as soon as everything is subscribed to."""

    def turn(self, now: float) -> list[Publication]:
        """Return what is to be said now."""

    def orders(self, orders: Iterable[Order], now: float) -> list[Publication]:
        """Return what is said for new orders."""

    def answers(self, answers: Iterable[Answer]) -> list[Publication]:
        """Return what is said of requests that were made."""

    def closing(self) -> list[Publication]:
        """Return what is said before taking leave."""

    def receive(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """Take a message."""

    def check(self, now: float) -> None:
        """Take it that what is overdue is not known any more."""
