"""The board that a node runs on: which it is, and how its node is made.

Law of this file: what a computer says of itself; no bus and no pin.
"""

from __future__ import annotations

import hashlib
import secrets
from pathlib import Path

from signalling.errors import ConfigurationError
from transports.can.node import Node
from transports.can.node_model import NodeFile
from transports.can.protect import COUNTER_RANGE

__all__ = ["CHIP", "make_node", "serial_of"]

CHIP = Path("/sys/firmware/devicetree/base/serial-number")
"""Where Linux tells the number of a Raspberry Pi's chip."""


def serial_of(file: NodeFile, chip: Path = CHIP) -> int:
    """Return the serial of this board: the node file's, or one made from its chip's number.

    Raises ``ConfigurationError`` where there is neither. A number that belongs to
    the system instead of the chip would be copied with its memory card.
    """
    if file.board.serial is not None:
        return file.board.serial
    try:
        number = chip.read_bytes().strip(b"\0\n ")
    except OSError:
        number = b""
    if not number:
        raise ConfigurationError(
            "board",
            "It has no serial, and this computer does not tell its chip's number.",
            "Write into the node file, for this board alone: [board] and "
            f"serial = {secrets.randbelow(0xFFFF_FFFF) + 1}.",
        )
    return int.from_bytes(hashlib.sha256(number).digest()[:4], "little") or 1


def make_node(
    file: NodeFile, number: int, serial: int, firmware: tuple[int, int, int], now: int
) -> Node:
    """Return the node of a board that starts now; its counters begin anywhere."""
    return Node(
        file,
        number=number,
        serial=serial,
        firmware=firmware,
        start=secrets.randbelow(COUNTER_RANGE),
        now=now,
    )
