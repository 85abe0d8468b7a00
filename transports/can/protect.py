"""Check sum and counter: how a receiver tells a good frame from any other.

Law of this file: numbers only; no frame, no clock, no bus. What the receiver
does follows the practice of end-to-end protection in vehicles (AUTOSAR, E2E
Protocol Specification, document 849): a counter that stands is a repetition, a
small step means that some frames were lost, anything else is a wrong sequence,
after which several good frames are needed.
"""

from __future__ import annotations

import secrets
from enum import StrEnum

__all__ = ["COUNTER_RANGE", "Sequence", "Tracker", "Verdict", "check_sum", "crc8"]

COUNTER_RANGE = 1 << 16

_POLYNOMIAL, _START, _FINAL = 0x1D, 0xFF, 0xFF
"""SAE J1850."""


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte << 1 ^ _POLYNOMIAL if byte & 0x80 else byte << 1) & 0xFF
    return byte


_TABLE = bytes(_table_entry(byte) for byte in range(256))


def crc8(data: bytes) -> int:
    """Return the CRC-8 of SAE J1850."""
    crc = _START
    for byte in data:
        crc = _TABLE[crc ^ byte]
    return crc ^ _FINAL


def check_sum(identifier: int, data: bytes) -> int:
    """Return the check sum of a frame: over its identifier, low byte first, and bytes 1 onwards."""
    crc = _TABLE[_TABLE[_START ^ identifier & 0xFF] ^ identifier >> 8]
    for byte in data[1:]:
        crc = _TABLE[crc ^ byte]
    return crc ^ _FINAL


class Sequence:
    """A sender's counter of one stream of frames. It begins anywhere.

    A sender that always began at the same number could be taken, after a
    restart, for a recording of its own past.
    """

    def __init__(self, start: int | None = None) -> None:
        self.counter = secrets.randbelow(COUNTER_RANGE) if start is None else start
        """The counter of the frame that goes next."""

    def advance(self) -> None:
        """Take it that this frame has gone."""
        self.counter = (self.counter + 1) % COUNTER_RANGE


class Verdict(StrEnum):
    """What a receiver makes of a frame, by its counter. All but ``GOOD`` is not to be believed."""

    GOOD = "good"
    SYNCING = "syncing"
    """So far so good, but not yet enough frames in a row."""
    REPEATED = "repeated"
    """The frame before, once more: it proves nothing."""
    LATE = "late"
    """Overtaken by newer ones."""
    CONTRADICTORY = "contradictory"
    """The counter of the frame before with other content: two senders, or a broken one."""
    WRONG_SEQUENCE = "wrong-sequence"
    """The counter jumped: a restart, many frames lost, or something said long ago."""


class Tracker:
    """A receiver's view of one stream of frames. At first, and after a jump, not in step."""

    def __init__(self, largest_step: int, frames_to_sync: int) -> None:
        self.synced = False
        self.lost = 0
        """Frames that were missing between those that arrived in step."""
        self._largest_step = largest_step
        self._frames_to_sync = frames_to_sync
        self._last: int | None = None
        self._content = 0
        self._good = 0

    def reset(self) -> None:
        """Forget the stream, such as when nothing was heard for too long."""
        self.synced = False
        self._last = None

    def take(self, counter: int, content: int) -> Verdict:
        """Judge the next frame. ``content`` is all that it says, as a number."""
        if self._last is None:
            return self._begin(counter, content, Verdict.SYNCING)
        step = (counter - self._last) % COUNTER_RANGE
        if step == 0:
            if content == self._content:
                return Verdict.REPEATED
            return self._begin(counter, content, Verdict.CONTRADICTORY)
        if step <= self._largest_step:
            self._last, self._content = counter, content
            self._good += 1
            if self.synced:
                self.lost += step - 1
                return Verdict.GOOD
            self.synced = self._good >= self._frames_to_sync
            return Verdict.GOOD if self.synced else Verdict.SYNCING
        if self.synced and step >= COUNTER_RANGE - self._largest_step:
            return Verdict.LATE
        return self._begin(counter, content, Verdict.WRONG_SEQUENCE)

    def _begin(self, counter: int, content: int, verdict: Verdict) -> Verdict:
        self.synced = False
        self._last, self._content, self._good = counter, content, 1
        return verdict
