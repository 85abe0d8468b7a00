"""Runs a command in a network of its own: the loopback, with multicast kept on it.

    unshare --map-root-user --net python alone.py COMMAND...

Without this, multicast frames leave by whatever interface the machine has.
Linux's ``ip`` would do it in three lines, but is not on every machine.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import socket
import struct
import sys

# linux/sockios.h, linux/if.h, linux/route.h
_SET_FLAGS, _ADD_ROUTE = 0x8914, 0x890B
_UP, _RUNNING, _MULTICAST = 0x1, 0x40, 0x1000
_ROUTE_UP = 0x1


def _address(text: str) -> bytes:
    return struct.pack("=HH4s8x", socket.AF_INET, 0, socket.inet_aton(text))


def main(command: list[str]) -> None:
    name = ctypes.create_string_buffer(b"lo")
    route = struct.pack(
        "L16s16s16sHhLPhPLLH",
        *(0, _address("239.0.0.0"), _address("0.0.0.0"), _address("255.0.0.0")),  # noqa: S104
        *(_ROUTE_UP, 0, 0, 0, 0, ctypes.addressof(name), 0, 0, 0),
    )
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as control:
        flags = struct.pack("16sh14x", b"lo", _UP | _RUNNING | _MULTICAST)
        fcntl.ioctl(control, _SET_FLAGS, flags)
        fcntl.ioctl(control, _ADD_ROUTE, route)
    os.execvp(command[0], command)  # noqa: S606


if __name__ == "__main__":
    main(sys.argv[1:])
