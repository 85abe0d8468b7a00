"""Requests in our own schema: who asks proves how old a request can be, and names it.

Law of this file: one opening of a link; topics, payloads, answers and times in,
requests and publications out. What a message may be is in ``schema``. Which
requests are repeated or too many is for the desk, as with every link.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from signalling.errors import RejectedInputError
from signalling.layout.asking import Asked
from transports.desk import OLDEST
from transports.mqtt.own.codec import (
    AskerOutcome,
    AskerRequest,
    Listening,
    decode,
    encode,
)
from transports.mqtt.own.numbers import Numbers
from transports.mqtt.own.schema import LONGEST_REASON
from transports.mqtt.session import Publication

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterable

    from signalling.layout.asking import Answer
    from transports.mqtt.own.addresses import Addresses
    from transports.requests import RequestSink

__all__ = ["PERIOD", "OwnRequests"]

PERIOD = 1.0
"""Seconds after which askers are told again that requests are heard."""


class OwnRequests:
    """Requests on one opening of a link, which go to ``sink``."""

    def __init__(
        self, addresses: Addresses, session: str, sink: RequestSink, rejected: Counter[str]
    ) -> None:
        self.topic = addresses.of(AskerRequest, "+")
        """The topic filter of the requests of all askers."""
        self._addresses = addresses
        self._session = session
        self._sink = sink
        self._rejected = rejected
        self._numbers = Numbers(session, OLDEST)
        self._next = 0.0
        self._asker = re.compile(re.escape(self.topic).replace(re.escape("+"), "([^/]*)"))

    def asker_of(self, topic: str) -> str | None:
        """Return whose requests come on a topic; ``None`` where it is not for requests."""
        match = self._asker.fullmatch(topic)
        return None if match is None else match[1]

    def listening(self, now: float) -> list[Publication]:
        """Return what tells askers that requests are heard, where it is time for it."""
        if now < self._next:
            return []
        self._next = now + PERIOD
        message = Listening(
            session=self._session, seq=self._numbers.next(now), within=round(OLDEST * 1000)
        )
        return [Publication(topic=self._addresses.of(Listening), payload=encode(message))]

    def take(self, asker: str, payload: bytes, now: float) -> None:
        """Take what an asker says."""
        try:
            request = decode(AskerRequest, payload)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            return
        if request.asker != asker:
            self._rejected["another-asker"] += 1
            return
        given = self._numbers.given(request.heard)
        self._sink(
            Asked(
                # Names are of their own within a session, so that an asker may count from 1 again.
                id=f"{request.session}:{request.id}",
                by=asker,
                text=request.request,
                at=-math.inf if given is None or given + OLDEST <= now else given,
            )
        )

    def answers(self, answers: Iterable[Answer]) -> list[Publication]:
        """Return what askers are told of their requests."""
        return [self._outcome(answer) for answer in answers]

    def _outcome(self, answer: Answer) -> Publication:
        asked, outcome = answer.asked, answer.outcome
        session, _, name = asked.id.partition(":")
        message = AskerOutcome(
            asker=asked.by,
            session=self._session,
            asked_in=session,
            id=name,
            request=asked.text,
            outcome=outcome.stage.value,
            reason=outcome.reason[:LONGEST_REASON],
            final=outcome.final,
        )
        topic = self._addresses.of(AskerOutcome, asked.by)
        return Publication(topic=topic, payload=encode(message))
