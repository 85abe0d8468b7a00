"""Whose fault it is when a bus cannot be opened."""

from __future__ import annotations

import asyncio

import pytest

from signalling.errors import ConfigurationError, LinkError
from transports.can.opening import Openings

WRONG = ConfigurationError("transport bus", "The channel is wrong.", "Correct it.")


class Opening:
    def __init__(self, error: BaseException | None = None) -> None:
        self.error = error
        self.abandoned = False

    async def open(self) -> None:
        if self.error is not None:
            raise self.error

    def abandon(self) -> None:
        self.abandoned = True


async def test_a_wrong_setup_is_one_until_it_has_worked() -> None:
    openings = Openings()
    first, good, later = Opening(WRONG), Opening(), Opening(WRONG)
    with pytest.raises(ConfigurationError):
        await openings.open(first)
    await openings.open(good)
    with pytest.raises(LinkError, match="The channel is wrong"):
        await openings.open(later)
    assert (first.abandoned, good.abandoned, later.abandoned) == (True, False, True)


@pytest.mark.parametrize("error", [LinkError("absent"), asyncio.CancelledError()])
async def test_an_opening_that_fails_or_is_given_up_is_abandoned(error: BaseException) -> None:
    opening = Opening(error)
    with pytest.raises(type(error)):
        await Openings().open(opening)
    assert opening.abandoned
