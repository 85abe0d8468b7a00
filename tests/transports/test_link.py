from __future__ import annotations

from typing import Any

import pytest

from signalling.errors import ConfigurationError
from transports.link import Timing


def test_a_layout_may_set_the_figures() -> None:
    timing = Timing.from_options("club", {"refresh": 2, "lost_after": 0.5, "host": "x"})
    assert (timing.refresh, timing.lost_after) == (2, 0.5)


@pytest.mark.parametrize("lost_after", [0.5, 1.5, 10.0])
def test_a_dead_link_is_noticed_within_the_time_promised(lost_after: float) -> None:
    timing = Timing(lost_after=lost_after)
    assert timing.send + timing.silence <= lost_after


@pytest.mark.parametrize("value", [0, -1, "1", True, float("nan"), float("inf"), None, [1]])
@pytest.mark.parametrize("key", ["refresh", "lost_after"])
def test_a_figure_that_cannot_be_used_is_refused(key: str, value: Any) -> None:
    with pytest.raises(ConfigurationError, match=f"transport club: {key} is"):
        Timing.from_options("club", {key: value})
