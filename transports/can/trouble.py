"""What can go wrong with a bus, sorted by what is to be done about it.

Law of this file: errors and error frames to a verdict and a sentence; no bus.
Drivers say the same thing in many ways; here is the one place that knows them.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import can

if TYPE_CHECKING:
    from can import Message

__all__ = [
    "bus_condition",
    "error_counters",
    "is_full",
    "is_malformed",
    "is_wrong_setup",
    "sentence",
]

_FULL = frozenset({errno.ENOBUFS, errno.EAGAIN, errno.EWOULDBLOCK, errno.ETIMEDOUT})

# Linux, include/uapi/linux/can/error.h.
_CONTROLLER, _ACK, _BUS_OFF, _BUS_ERROR, _RESTARTED = 0x04, 0x20, 0x40, 0x80, 0x100
_COUNTERS = 0x200
_OVERFLOW, _PASSIVE, _WARNING = 0x03, 0x30, 0x0C
_ACTIVE = 0x40


def is_malformed(error: Exception) -> bool:
    """Return whether something arrived that is no message, and the bus is otherwise sound."""
    if isinstance(error, can.CanError):
        # Drivers wrap what they stumble over; what the system said is an OSError.
        return error.__cause__ is not None and not isinstance(error.__cause__, OSError)
    return isinstance(error, ValueError | IndexError)


def is_full(error: Exception) -> bool:
    """Return whether the bus took no frame, and may take it in a moment."""
    cause = error.__cause__
    if isinstance(error, can.CanTimeoutError):
        return True
    if isinstance(error, OSError):
        return error.errno in _FULL
    if isinstance(cause, OSError):
        return cause.errno in _FULL
    return isinstance(error, can.CanError)


def is_wrong_setup(error: Exception) -> bool:
    """Return whether opening failed for what the layout file says, so that trying is no use."""
    if isinstance(error, can.CanInterfaceNotImplementedError | ImportError):
        return True
    kinds = TypeError | ValueError
    return isinstance(error, kinds) or isinstance(error.__cause__, kinds)


def sentence(error: BaseException, arguments: Mapping[str, Any]) -> str:
    """Return what went wrong, with what to do about it where that is known."""
    channel = arguments.get("channel", "")
    cause = error if isinstance(error, OSError) else error.__cause__
    match cause.errno if isinstance(cause, OSError) else None:
        case errno.ENODEV | errno.ENXIO | errno.ENOENT:
            return f"there is no {channel!r} (plug it in; `ip link` lists SocketCAN interfaces)"
        case errno.ENETDOWN:
            bitrate = arguments.get("bitrate", 125_000)
            return (
                f"the interface {channel} is down (sudo ip link set {channel} up "
                f"type can bitrate {bitrate} restart-ms 100)"
            )
        case errno.EAFNOSUPPORT:
            return "this system has no SocketCAN (Linux has it as the modules can and can-raw)"
        case errno.EBUSY:
            return f"another program has {channel!r} open, and a serial adapter serves only one"
        case errno.EACCES | errno.EPERM:
            return f"this user may not use {channel!r} (serial ports: be in the group dialout)"
    text = str(error) or type(error).__name__
    return f"{text}: {cause}" if cause not in (None, error) else text


def bus_condition(frame: Message) -> str:
    """Return what an error frame of SocketCAN says: ``bus-off`` is the end, all else is a sign."""
    kinds = frame.arbitration_id
    if kinds & _BUS_OFF:
        return "bus-off"
    if kinds & _RESTARTED:
        return "restarted"
    if kinds & _CONTROLLER and len(frame.data) > 1:
        state = frame.data[1]
        if state & _OVERFLOW:
            return "overrun"
        if state & _PASSIVE:
            return "error-passive"
        if state & _WARNING:
            return "error-warning"
        if state & _ACTIVE:
            return "error-active"
    if kinds & _ACK:
        return "not-acknowledged"
    return "bus-error" if kinds & _BUS_ERROR else "error-frame"


def error_counters(frame: Message) -> tuple[int, int] | None:
    """Return the transmit and the receive error counter that an error frame tells, if it does."""
    if frame.arbitration_id & _COUNTERS and len(frame.data) == 8:
        return frame.data[6], frame.data[7]
    return None
