"""Where on a terminal each part of Merrow Bay is drawn.

Law of this file: places only. The front of the layout is at the bottom, the
back at the top, as an operator sees it; rows are drawn from left to right,
whichever way their trains run.
"""

from __future__ import annotations

from enum import Enum, auto

from attrs import frozen

__all__ = ["AWAY", "SCENE", "Away", "Gap", "Row"]


class Gap(Enum):
    """Room without track."""

    BLOCK = auto()
    SIGNAL = auto()


@frozen(kw_only=True)
class Away:
    """What is beyond the described track, and as wide as so many blocks and signals."""

    title: str
    exit: str
    """The block by which trains go there."""
    blocks: int
    signals: int
    covered: bool = False


@frozen(kw_only=True)
class Row:
    """One track: names of blocks and signals, and gaps."""

    items: tuple[str | Gap | Away, ...]
    leftwards: bool = False
    """Whether its trains run to the left."""


_B, _S = Gap.BLOCK, Gap.SIGNAL

AWAY = {"d7": "in the tunnel", "b2": "at Gannet Point"}
"""Where a train is, by the block by which it went."""

_DOWN = ("d1", "D1", "xd", "d2", "D2", "k1", "p1", "D3", "k2", "d3", "D5", "d4", "D6", "j1")
_UP = ("xu", "U4", "u3", "k5", "U3", "p3", "U2", "u2", "j2", "x1", "U1", "u1")
_TUNNEL = Away(title="tunnel", exit="d7", blocks=6, signals=3, covered=True)
_GANNET = Away(title="Gannet Point", exit="b2", blocks=3, signals=2)

SCENE = (
    Row(items=(_B, _B, _B, "u4", "U5", "u5", "U6", "u6", "U7", "u7", "U8", "u8", "U9", _B)),
    Row(items=(_TUNNEL, "d7", "D8", "d6", "D7", "d5"), leftwards=True),
    Row(items=(_B, _S, _B, _B, _S, _B, "p2", "D4")),
    Row(items=_DOWN),
    Row(items=(_B, _S, *_UP), leftwards=True),
    Row(items=(_B, _S, _B, _B, _S, "y1", _B, _B, _B, _S, "C2", "c2", "C1", "c1"), leftwards=True),
    Row(items=(_B, _B, _S, _S, _GANNET, _B, _B, "b1", "B1", "b2")),
)
"""The rows, from the back. The first has as many columns as any."""
