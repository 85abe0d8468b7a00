"""Requests can only ask: none of them, and no row of them, shows a proceed aspect by itself."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from signalling.core.interlocking import Interlocking
from signalling.core.requests import FORMS, parse_request
from signalling.core.words import NameRequest, Refusal
from tests.rig import SECOND, table_from
from tests.strategies import SECONDS, layouts


@given(st.data())
def test_where_nothing_is_reported_whatever_is_asked_leaves_everything_at_danger(
    data: st.DataObject,
) -> None:
    text = data.draw(layouts())
    if data.draw(st.booleans()):
        text = re.sub(r"^(S\d+ = \{)", r"\1 controlled = true,", text, flags=re.MULTILINE)
    table = table_from(text)
    interlocking = Interlocking(table)
    # Distant signals are never at danger.
    main = [name for name, each in table.layout.signals.items() if each.distant is False]
    names = {
        "SIGNAL": list(table.layout.signals),
        "BLOCK": list(table.layout.blocks),
        "TURNOUT": [*table.layout.turnouts, "t"],
        "ROUTE": [row.name for row in table.rows],
        "TRAIN": ["1A23"],
        "PERSON": ["Ann", "Bea"],
        "REASON...": ["hands on the track"],
    }
    now = 0
    for _ in range(data.draw(st.integers(1, 20))):
        form = data.draw(st.sampled_from(FORMS))
        said = [
            data.draw(st.sampled_from(names[word])) if word.isupper() else word
            for word in form.words.split()
        ]
        request = parse_request(" ".join(said))
        assert not isinstance(request, Refusal)
        now += round(data.draw(SECONDS) * SECOND)
        if not isinstance(request, NameRequest):
            interlocking.request(request, now)
        interlocking.advance(now)
        snapshot = interlocking.snapshot()
        assert {snapshot.aspects[name] for name in main} == {"danger"}
        assert all(snapshot.stops.values())
