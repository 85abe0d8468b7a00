"""Two routes at one time: what the running interlocking says of a pair.

Law of this file: asked of the interlocking and of nothing that prints.
"""

from __future__ import annotations

from signalling.core.words import SetRoute
from signalling.table.row import Row
from signalling.table.table import Table
from tests.rig import Rig


def go_together(table: Table, one: Row, two: Row) -> bool:
    """Set two controlled routes, one after the other, on clear track; return whether both are.

    Turnouts that others move lie as the two need them, where they agree.
    """
    rig = Rig(table).all_clear()
    for row in (two, one):
        for turnout, lie in row.lies:
            if table.layout.turnouts[turnout].moved_by != "us":
                rig.lies(turnout, lie)
    rig.wait(5)
    first = rig.ask(SetRoute(one.name))
    assert first is None, f"{one.name}: {first}"
    for order in list(rig.orders):
        if order.device.kind == "turnout":
            rig.lies(order.device.name, order.value)
    rig.wait(5)
    return rig.ask(SetRoute(two.name)) is None
