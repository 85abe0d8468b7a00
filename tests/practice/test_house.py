"""The `house` practice: four aspects from three lamps."""

from __future__ import annotations

from signalling.practice.load import load_practice

R, Y, YY, G = "danger", "caution", "preliminary-caution", "clear"


def test_preliminary_caution_is_a_flashing_yellow() -> None:
    house = load_practice("house")
    name = house.head_name(4)
    assert name == "three-flashing"
    head = house.heads[name]
    assert [head.colours[lamp] for lamp in head.lamps] == ["green", "yellow", "red"]
    assert head.shows[YY].lamps == head.shows[Y].lamps == ("yellow",)
    assert {aspect: shown.flash for aspect, shown in head.shows.items()} == {
        R: False,
        Y: False,
        YY: True,
        G: False,
    }


def test_chain_rules_are_those_of_uk() -> None:
    """Only the look is the house's own; the rules are tested against their sources for `uk`."""
    house, uk = load_practice("house"), load_practice("uk")
    for aspects in (2, 3, 4):
        own, published = house.head_name(aspects), uk.head_name(aspects)
        assert own is not None
        assert published is not None
        aspects_of_both = {R, Y, YY, G}
        assert house.heads[own].next == {
            beyond: here
            for beyond, here in uk.heads[published].next.items()
            if beyond in aspects_of_both
        }
        assert house.heads[own].followed_by == {
            aspect: tuple(each for each in may_follow if each in aspects_of_both)
            for aspect, may_follow in uk.heads[published].followed_by.items()
        }
    assert {name: position.angle for name, position in house.indicators.items()} == {
        name: position.angle for name, position in uk.indicators.items()
    }
