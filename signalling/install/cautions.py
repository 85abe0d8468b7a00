"""What is said wherever somebody is told how to wire something.

Law of this file: sentences, and nothing else; they stand here once.
"""

from __future__ import annotations

__all__ = ["CAUTIONS"]

CAUTIONS = (
    "For model railways only, and for nothing that can hurt somebody.",
    "Mains supplies are for licensed people, and local electrical codes come first.",
    "Switch off before you change wiring, and fuse every feed for its wire.",
)
