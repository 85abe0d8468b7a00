"""Requests in plain JSON: what is asked on ``{base}/request``, and told on ``{base}/outcome``.

Law of this file: payloads and what they may be, for one opening of a link; no
connection. The schemas that requests are checked by are those that
``shared/mqtt-plain`` has for everybody else. On ``{base}/listening`` we say
again and again that we are there, with a number: a request that repeats the
number proves by it how old it can be.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import fastjsonschema
from attrs import frozen

from signalling.errors import RejectedInputError
from signalling.layout.asking import LONGEST_NAME, LONGEST_TEXT, Asked, Stage
from transports.desk import OLDEST
from transports.mqtt.own.codec import Heard
from transports.mqtt.own.numbers import Numbers, new_session
from transports.mqtt.payload import read_json
from transports.mqtt.session import Publication

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterable

    from signalling.layout.asking import Answer
    from transports.requests import RequestSink

__all__ = ["LONGEST", "SCHEMAS", "SETTLE", "PlainRequests", "RequestTopics"]

LONGEST = 1024
"""Bytes of a request's payload."""
SETTLE = 1.0
"""Seconds after opening in which a request that proves nothing may be one from before."""

_SESSION = {"type": "string", "pattern": "^[0-9a-f]{16}$"}
_SEQ = {"type": "integer", "minimum": 1, "maximum": 2**32 - 1}
_NAME = {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME}
_TEXT = {"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT}


def _schema(title: str, described: str, properties: Mapping[str, Any], *optional: str) -> Any:
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": title,
        "description": described,
        "type": "object",
        "properties": dict(properties),
        "required": [name for name in properties if name not in optional],
    }


_ID = {**_NAME, "description": "The request's name; the same again is the same request again."}
_BY = {**_NAME, "minLength": 0, "description": "Who asks, for people to read."}

SCHEMAS: Mapping[str, Any] = {
    "request": _schema(
        "request",
        "Somebody asks for something. To the topic `{base}/request`, not retained.",
        {
            "id": _ID,
            "request": {**_TEXT, "description": "What is asked for, such as `hold M2`."},
            "by": _BY,
            "heard": {
                "description": "What was heard last on `{base}/listening`: it proves how old the "
                "request can be at most.",
                "type": "object",
                "properties": {"session": _SESSION, "seq": _SEQ},
                "required": ["session", "seq"],
            },
        },
        "by",
        "heard",
    ),
    "outcome": _schema(
        "outcome",
        "What has become of a request so far. On the topic `{base}/outcome`, not retained.",
        {
            "id": _ID,
            "by": _BY,
            "request": {**_TEXT, "description": "What was asked for."},
            "outcome": {
                "description": "How it stands.",
                "enum": [stage.value for stage in Stage],
            },
            "reason": {"description": "Why, as a sentence; or empty.", "type": "string"},
            "final": {
                "description": "Whether nothing further will become of it.",
                "type": "boolean",
            },
        },
    ),
    "listening": _schema(
        "listening",
        "Requests are heard. On the topic `{base}/listening`, not retained, again and again.",
        {
            "session": {**_SESSION, "description": "New with each connection to the broker."},
            "seq": {**_SEQ, "description": "Rises by one with each message."},
        },
    ),
}
"""What each kind of message may be, by its name."""


@frozen
class RequestTopics:
    """The topics of requests under a base."""

    request: str
    outcome: str
    listening: str

    @classmethod
    def under(cls, base: str) -> RequestTopics:
        """Return those of a base."""
        return cls(f"{base}/request", f"{base}/outcome", f"{base}/listening")

    @property
    def all(self) -> tuple[str, ...]:
        """Every one of them."""
        return (self.request, self.outcome, self.listening)


class PlainRequests:
    """Requests on one opening of a link, which go to ``sink``."""

    def __init__(self, topics: RequestTopics, sink: RequestSink, rejected: Counter[str]) -> None:
        self._topics = topics
        self._sink = sink
        self._rejected = rejected
        self._numbers = Numbers(new_session(), OLDEST)
        self._opened_at = math.inf

    def listening(self, now: float) -> Publication:
        """Return what says that we are there."""
        self._opened_at = min(self._opened_at, now)
        said = {"session": self._numbers.session, "seq": self._numbers.next(now)}
        return _publication(self._topics.listening, said)

    def take(self, payload: bytes, now: float, *, retained: bool) -> None:
        """Take what arrived on the topic of requests."""
        if retained:
            # A request is an event: kept for whoever comes later, it is none any more.
            self._rejected["retained"] += 1
            return
        try:
            if len(payload) > LONGEST:
                raise RejectedInputError("oversized")  # noqa: TRY301 - counted below
            document = read_json(payload)
            _check(document)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            return
        self._sink(
            Asked(
                id=document["id"],
                by=document.get("by", ""),
                text=document["request"],
                at=self._age(document.get("heard"), now),
            )
        )

    def answers(self, answers: Iterable[Answer]) -> list[Publication]:
        """Return what is said of requests."""
        return [_publication(self._topics.outcome, _told(answer)) for answer in answers]

    def _age(self, heard: Mapping[str, Any] | None, now: float) -> float:
        """Return when a request was said at the earliest, as far as it proves that."""
        if heard is None:
            return now if now - self._opened_at >= SETTLE else -math.inf
        given = self._numbers.given(Heard(session=heard["session"], seq=heard["seq"]))
        return -math.inf if given is None else given


def _told(answer: Answer) -> dict[str, Any]:
    asked, outcome = answer.asked, answer.outcome
    return {
        "id": asked.id,
        "by": asked.by,
        "request": asked.text,
        "outcome": outcome.stage.value,
        "reason": outcome.reason,
        "final": outcome.final,
    }


def _publication(topic: str, said: Mapping[str, Any]) -> Publication:
    payload = json.dumps(said, ensure_ascii=False, separators=(",", ":"))
    return Publication(topic=topic, payload=payload.encode())


def _check(document: Any) -> None:
    """Raise ``RejectedInputError`` for what is no request."""
    try:
        _checker()(document)
    except fastjsonschema.JsonSchemaValueException as error:
        raise RejectedInputError("not-in-schema", error.message) from None


@cache
def _checker() -> Callable[[Any], Any]:
    check: Callable[[Any], Any] = fastjsonschema.compile(
        dict(SCHEMAS["request"]), use_default=False, detailed_exceptions=False
    )
    return check
