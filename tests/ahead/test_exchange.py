"""Air changes learned from water, in simulated rooms whose truth is known."""

import numpy as np
import pytest

from monitor.ahead.lesson import Exchange, by_following, opening_that_gives, tightness
from monitor.science import moist_air

PRESSURE_PA = 101_325.0
MINUTE = np.arange(0, 2 * 1440, 10, dtype=np.int64)


def room(per_h: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """A bare room of constant leaks, worked out with steps of one minute."""
    rng = np.random.default_rng(3)
    fine = np.arange(MINUTE.size * 10)
    outside = 7 + 1.5 * np.sin(fine / 300) + np.cumsum(rng.normal(0, 0.04, fine.size))
    inside = np.empty(fine.size)
    now = 10.0
    for i, out in enumerate(outside):
        now += per_h / 60 * (out - now)
        inside[i] = now
    temperature = 18 + 3 * np.sin(2 * np.pi * MINUTE / 1440)
    noise = rng.normal(0, 0.03, (2, MINUTE.size))
    return temperature, inside[::10] + noise[0], outside[::10] + noise[1]


@pytest.mark.parametrize("per_h", [0.3, 1.0, 3.0])
def test_a_bare_room(per_h: float) -> None:
    found = by_following(MINUTE, *room(per_h), PRESSURE_PA)
    assert found is not None
    assert per_h / 1.5 < found.per_h < per_h * 1.5
    assert found.low < found.per_h < found.high


def test_no_stir_no_answer() -> None:
    """Where outdoors never changes, leaks and sources cannot be told apart."""
    temperature, inside, _ = room(1.0)
    assert by_following(MINUTE, temperature, inside, np.full(MINUTE.size, 7.0), PRESSURE_PA) is None


def test_too_little_heard_no_answer() -> None:
    temperature, inside, outside = room(1.0)
    inside[::2] = np.nan
    assert by_following(MINUTE, temperature, inside, outside, PRESSURE_PA) is None


def test_too_tight_too_leaky_and_right() -> None:
    """100 g/h at 20 °C/65 % against 15 °C/60 % need 26.95 m³/h (mass balance by PsychroLib)."""
    air = ((20.0, 65.0), (15.0, 60.0))
    tight = tightness(Exchange(0.3, 0.25, 0.36), 30, 100, *air, PRESSURE_PA)
    right = tightness(Exchange(1.0, 0.8, 1.2), 30, 100, *air, PRESSURE_PA)
    leaky = tightness(Exchange(8.0, 7.0, 9.0), 30, 100, *air, PRESSURE_PA)
    assert tight is not None
    assert right is not None
    assert leaky is not None
    assert "needs about 27 m³ of air an hour and gets 9" in tight
    assert "Local rules" in tight
    assert "about what the water here needs" in right
    assert "far more than what hangs here needs" in leaky
    assert tightness(Exchange(1, 0.8, 1.2), 30, 100, (20, 60), (22, 60), PRESSURE_PA) is None


def test_a_small_flow_is_a_window_ajar_a_large_one_is_not() -> None:
    assert "open by" in opening_that_gives(30, 5)
    assert "opposite" in opening_that_gives(800, 5)


def test_the_ratio_of_the_simulated_air_is_real() -> None:
    temperature, inside, _ = room(1.0)
    full = 1000 * moist_air.humidity_ratio(
        moist_air.saturation_vapour_pressure_liquid(float(temperature.min())), PRESSURE_PA
    )
    assert np.median(inside) < full
