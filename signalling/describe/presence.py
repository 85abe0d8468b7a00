"""What is seen of each block: clear, occupied, or nothing that counts.

Law of this file: detection as the equations have it, with what they need not
know: whether a block counts as occupied because something was seen in it, or
because nothing is heard. No name, no rule of stepping. A block that reads clear
for less than its hold-off stays as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum, auto

from signalling.core.interlocking import Interlocking
from signalling.layout.notation import parse_joint
from signalling.layout.words import Device, Report

__all__ = ["Presence", "Seen", "seen_equation"]


class Seen(Enum):
    """What is seen of a block."""

    CLEAR = auto()
    OCCUPIED = auto()
    UNKNOWN = auto()


def seen_equation(block: str) -> str:
    """Return the name of the equation that says whether a block is not seen to be clear."""
    return f"block {block} seen"


class Presence:
    """What is seen of every block, from reports and from an interlocking that has observed them."""

    def __init__(self, interlocking: Interlocking) -> None:
        self._interlocking = interlocking
        layout = interlocking.table.layout
        self.state: dict[str, Seen] = dict.fromkeys(layout.blocks, Seen.UNKNOWN)
        self._said: dict[Device, str | None] = {}
        self._blocks: dict[Device, tuple[str, ...]] = {}
        """The blocks that each detector speaks of."""
        self._detectors: dict[str, list[Device]] = {block: [] for block in layout.blocks}
        for name, detector in layout.detectors.items():
            device = Device("detector", name)
            if detector.block is not None:
                blocks: tuple[str, ...] = (detector.block,)
            else:
                joint = parse_joint(detector.at or "")
                blocks = (joint.rear, joint.ahead)
            self._blocks[device] = blocks
            self._said[device] = None
            for block in blocks:
                self._detectors[block].append(device)

    def look(self, reports: Iterable[Report], changed: Iterable[str]) -> dict[str, Seen]:
        """Return the blocks of which something else is seen now, and what was seen before.

        ``changed`` are blocks whose equations of being seen have changed.
        """
        blocks = dict.fromkeys(changed)
        for report in reports:
            about = self._blocks.get(report.device)
            if about is not None:
                self._said[report.device] = report.value
                blocks.update(dict.fromkeys(about))
        before = {}
        for block in blocks:
            known = self.state[block]
            found = self._seen(block, known)
            if found is not known:
                before[block] = known
                self.state[block] = found
        return before

    def _seen(self, block: str, known: Seen) -> Seen:
        if not self._interlocking.holds(seen_equation(block)):
            return Seen.CLEAR
        said = [self._said[device] for device in self._detectors[block]]
        if "occupied" in said:
            return Seen.OCCUPIED
        if any(value != "clear" for value in said):
            return Seen.UNKNOWN
        # All read clear and have not done so for long enough, or nothing was seen to leave yet.
        return Seen.UNKNOWN if known is Seen.CLEAR else known
