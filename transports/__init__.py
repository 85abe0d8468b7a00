"""Links to hardware, each behind the same small protocol."""

from transports.conformance import check_lossy_transport, check_transport
from transports.loopback import LoopbackBench, LoopbackTransport
from transports.transport import BoundDevice, LinkCounters, Sink, Transport, TransportSettings

__all__ = [  # noqa: RUF022 - in reading order
    "Transport",
    "TransportSettings",
    "BoundDevice",
    "LinkCounters",
    "Sink",
    "LoopbackBench",
    "LoopbackTransport",
    "check_transport",
    "check_lossy_transport",
]
