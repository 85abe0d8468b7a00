"""One line of the benchmark's table."""

from __future__ import annotations

from attrs import frozen


@frozen(kw_only=True)
class Row:
    name: str
    value: float
    unit: str
    against: str = ""
    """What the ratio is to."""
    ratio: float | None = None
    target: str = ""
    """In words; empty where there is none."""
    ok: bool | None = None
    """Whether the target is met; ``None`` where there is none."""
