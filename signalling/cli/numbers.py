"""Numbers that are given on the command line.

Law of this file: from a text to a number; what it is for is the verb's affair.
"""

from __future__ import annotations

import argparse
import math

__all__ = ["positive"]


def positive(text: str) -> float:
    """Return a finite number above 0. Raises ``argparse.ArgumentTypeError`` where it is none."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return number
