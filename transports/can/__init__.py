"""CAN: devices on nodes of our own schema, and foreign ones by their own DBC files."""

from transports.can.transport import CanTransport

__all__ = ["CanTransport"]
