"""Good places to store and to show."""

import pytest

from monitor.places.places import colour_there, humidity_there, near_a_radiator, told
from monitor.site.spaces import Use


@pytest.mark.parametrize(("rh", "good"), [(50, True), (59, True), (62, False), (30, False)])
def test_humidity(rh: float, good: bool) -> None:
    assert humidity_there(Use.STORING, rh).good is good


def test_a_radiator_is_seen_by_how_fast_it_warms() -> None:
    assert near_a_radiator([16.0, 16.5, 17.0, 17.5, 18.0]) is None
    warm = near_a_radiator([16.0, 16.0, 19.0, 21.0, 21.0])
    assert warm is not None
    assert "metre" in warm.caution
    assert near_a_radiator([]) is None


def test_months_of_colour() -> None:
    """Blue wool 1 bears 0.4 Mlx·h (Michalski 1990): 500 lx for 12 h a day, 67 days."""
    told = colour_there(500 * 12, 1, ultraviolet=False)
    assert not told.good
    assert "two months" in told.what
    assert colour_there(0.0, 1, ultraviolet=False).good
    assert colour_there(50 * 8, 4, ultraviolet=False).good


def test_each_judgement_says_why_what_to_do_and_what_would_change_it() -> None:
    good, damp = humidity_there(Use.STORING, 52), humidity_there(Use.STORING, 68)
    assert "To do" not in told(good)
    assert told(damp).startswith("At 68 % flowers take up water again")
    assert "To do: move them to a drier room" in told(damp)
    assert "Air that stays under 60 % would do." in told(damp)
    near = near_a_radiator([16.0, 18.0, 22.0])
    assert near is not None
    assert told(near).endswith("dried flowers are tinder.")
