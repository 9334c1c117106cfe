"""Light doses against the published blue-wool figures."""

import pytest

from monitor.science import light


def test_ends_of_the_scale() -> None:
    """Michalski 1990 as quoted by CAMEO (MFA Boston): 0.4 Mlx·h and 900 Mlx·h without UV."""
    assert light.dose_to_fade(1, ultraviolet=False) == pytest.approx(0.4e6)
    assert light.dose_to_fade(8, ultraviolet=False) == pytest.approx(900e6)


def test_worked_doses() -> None:
    """0.4 Mlx·h is 8 h of 50 klx sun, or 67 days of 500 lx for 12 h a day (by hand)."""
    assert light.share_of_colour_used(50_000 * 8, 1, ultraviolet=False) == pytest.approx(1)
    months = light.months_of_colour_left(0, 500 * 12, 1, ultraviolet=False)
    assert months is not None
    assert months * light.DAYS_A_MONTH == pytest.approx(67, abs=0.5)


def test_direction() -> None:
    """Fast colours bear more, ultraviolet leaves less, dark fades nothing, spent is spent."""
    doses = [light.dose_to_fade(1 + step / 4, ultraviolet=True) for step in range(29)]
    assert doses == sorted(doses)
    for blue_wool in range(1, 9):
        with_uv = light.dose_to_fade(blue_wool, ultraviolet=True)
        assert with_uv < light.dose_to_fade(blue_wool, ultraviolet=False)
    assert light.months_of_colour_left(0, 0, 1, ultraviolet=False) is None
    assert light.months_of_colour_left(1e9, 100, 1, ultraviolet=False) == 0


def test_a_class_off_the_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="9"):
        light.dose_to_fade(9, ultraviolet=False)
