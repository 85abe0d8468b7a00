"""Links to hardware, each behind the same small protocol."""

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
