"""Links to hardware, each behind the same small protocol.

The names below are public; each is loaded on first use, so that a layout file
is checked without what only tests of transports need.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.lazy import lazily

if TYPE_CHECKING:
    from transports.conformance import (
        ConformanceError,
        FarEnd,
        LossyFarEnd,
        check_lossy_transport,
        check_transport,
    )
    from transports.conformance_requests import AskingFarEnd, check_requests
    from transports.link import SUPERVISED_OPTIONS, Timing
    from transports.listen import Arrival, CanListen, Hear, Meaning
    from transports.loopback import LoopbackBench, LoopbackTransport
    from transports.requests import Answer, Asked, CarriesRequests, RequestSink
    from transports.transport import (
        BoundDevice,
        LinkCounters,
        Reach,
        Sink,
        Transport,
        TransportSettings,
    )

__all__ = [  # noqa: RUF022 - in reading order
    # What a transport is, and is made from.
    "Transport",
    "TransportSettings",
    "BoundDevice",
    "LinkCounters",
    "Sink",
    "Timing",
    "SUPERVISED_OPTIONS",
    # What one may do besides: say what does not get through, listen without a word.
    "Reach",
    "CanListen",
    "Hear",
    "Arrival",
    "Meaning",
    # Or carry requests, and what becomes of them.
    "CarriesRequests",
    "RequestSink",
    "Asked",
    "Answer",
    # The reference.
    "LoopbackBench",
    "LoopbackTransport",
    # What every transport must pass.
    "check_transport",
    "check_lossy_transport",
    "FarEnd",
    "LossyFarEnd",
    "ConformanceError",
    # And those that carry requests besides.
    "check_requests",
    "AskingFarEnd",
]

__getattr__, __dir__ = lazily(
    globals(),
    {
        "transports.conformance": (
            "ConformanceError",
            "FarEnd",
            "LossyFarEnd",
            "check_lossy_transport",
            "check_transport",
        ),
        "transports.conformance_requests": ("AskingFarEnd", "check_requests"),
        "transports.link": ("SUPERVISED_OPTIONS", "Timing"),
        "transports.listen": ("Arrival", "CanListen", "Hear", "Meaning"),
        "transports.loopback": ("LoopbackBench", "LoopbackTransport"),
        "transports.requests": ("Answer", "Asked", "CarriesRequests", "RequestSink"),
        "transports.transport": (
            "BoundDevice",
            "LinkCounters",
            "Reach",
            "Sink",
            "Transport",
            "TransportSettings",
        ),
    },
)
