"""Links to hardware, each behind the same small protocol."""

from transports.transport import BoundDevice, LinkCounters, Sink, Transport, TransportSettings

__all__ = ["BoundDevice", "LinkCounters", "Sink", "Transport", "TransportSettings"]
