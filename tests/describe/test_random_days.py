"""Whatever is reported: no name is lost without a word, none stands twice, and nothing fails."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from signalling.core.words import (
    NameRequest,
    NameTrain,
    StepTrain,
    UnnameBlock,
    UnnameTrain,
)
from signalling.describe.words import Cause
from tests.describe.named import Named
from tests.strategies import days, layouts

TRAINS = ("1A23", "2B40", "3C50", "4D60")


def requests(blocks: list[str]) -> st.SearchStrategy[NameRequest]:
    block, train = st.sampled_from(blocks), st.sampled_from(TRAINS)
    return st.one_of(
        st.builds(NameTrain, block, train, st.booleans()),
        st.builds(StepTrain, train, block),
        st.builds(UnnameBlock, block),
        st.builds(UnnameTrain, block, train),
    )


@settings(max_examples=60)
@given(data=st.data())
def test_names_are_kept_whatever_happens(data: st.DataObject) -> None:
    text = data.draw(layouts())
    benches = [Named(text), Named(text)]
    blocks = list(benches[0].table.layout.blocks)
    where: dict[str, str] = {}
    for event in data.draw(days(benches[0].table)):
        request = data.draw(st.none() | requests(blocks))
        for bench in benches:
            bench.wait(event.after)
            bench.tell(*event.reports)
            if request is not None:
                bench.say(request)
        one, two = benches
        steps = one.describer.steps()
        assert steps == two.describer.steps(), "the same calls give the same steps"
        assert one.shown == two.shown
        for step in steps:
            assert where.pop(step.train, None) == step.rear
            if step.ahead is not None:
                where[step.train] = step.ahead
            else:
                assert step.cause in (Cause.LEFT, Cause.CLEARED)
        berths = one.describer.berths
        stand = [(name.train, block) for block, names in berths.items() for name in names]
        assert len(stand) == len(where)
        assert dict(stand) == where
        assert sorted(one.doubts()) == sorted(
            name.train for names in berths.values() for name in names if name.doubtful
        )
        one.berths()


@settings(max_examples=30)
@given(data=st.data())
def test_no_name_moves_a_signal(data: st.DataObject) -> None:
    text = data.draw(layouts())
    named, plain = Named(text), Named(text)
    blocks = list(named.table.layout.blocks)
    for event in data.draw(days(named.table, events=12)):
        for bench in (named, plain):
            bench.wait(event.after)
            bench.tell(*event.reports)
        request = data.draw(requests(blocks))
        named.say(request)
        assert named.orders == plain.orders
        assert named.interlocking.snapshot() == plain.interlocking.snapshot()
