"""Hours ahead, on made-up days whose course is known.

The truth is a sine over the day with a slow wander, written here; nothing of it comes from the
monitor. Figures on real weather are in tests/benchmarks/bench_ahead.py.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.ahead.courses import NextDay, ahead, fit
from monitor.ahead.grid import GridAir, held
from monitor.ahead.model import Location, sun_height
from monitor.science.moist_air import (
    saturation_vapour_pressure_liquid,
    saturation_vapour_pressure_liquid_array,
)

SITE = Location(54.9, -2.1, 99_650.0)
BEGIN = 27_000_000  # UTC epoch minute, on the ten-minute grid
DAY = 144


def made_up(days: float, seed: int = 5) -> GridAir:
    """Warmest at 15:00, coldest at 03:00; a slow wander of some 2 K about it."""
    count = round(days * DAY)
    minute = BEGIN + 10 * np.arange(count, dtype=np.int64)
    rng = np.random.default_rng(seed)
    shocks = rng.normal(size=(2, count))
    wander = np.zeros((2, count))
    for i in range(1, count):
        wander[:, i] = 0.995 * wander[:, i - 1] + 0.1 * shocks[:, i]
    daily = 6.0 * np.cos(2 * np.pi * (minute % 1440 - 900) / 1440)
    return GridAir(minute, 18.0 + daily + 2 * wander[0], 8.0 * np.exp(0.1 * wander[1]))


def look(history: GridAir, index: int) -> NextDay:
    now = int(history.minute[index])
    outlook = ahead(fit(history, now, SITE), history, now)
    assert outlook is not None
    return outlook


@pytest.fixture(scope="module")
def month() -> GridAir:
    return made_up(40)


def test_nothing_later_than_now_is_looked_at(month: GridAir) -> None:
    at = 30 * DAY + 50
    spoilt = GridAir(*(None if v is None else v.copy() for v in month))
    spoilt.temperature_c[at + 1 :] = -35.0
    spoilt.humidity_ratio_g_kg[at + 1 :] = np.nan
    ours, theirs = look(month, at), look(spoilt, at)
    np.testing.assert_array_equal(ours.minute, theirs.minute)
    np.testing.assert_array_equal(ours.paths, theirs.paths)


def test_the_day_ahead_is_on_the_grid_and_in_order(month: GridAir) -> None:
    outlook = look(month, 30 * DAY)
    assert outlook.minute[0] == outlook.asked + 10
    assert outlook.minute[-1] == outlook.asked + 1440
    for band in (
        outlook.temperature_c,
        outlook.humidity_ratio_g_kg,
        outlook.relative_humidity_pct,
        outlook.vpd_kpa,
    ):
        assert np.all(band.p10 <= band.p50)
        assert np.all(band.p50 <= band.p90)
    assert outlook.relative_humidity_pct.p90.max() <= 100.0
    assert outlook.vpd_kpa.p10.min() >= 0.0


def test_bands_hold_about_eight_in_ten_and_beat_standing_still(month: GridAir) -> None:
    inside, ours, still = [], [], []
    model = fit(month, int(month.minute[25 * DAY]), SITE)
    for at in range(25 * DAY, 39 * DAY, 31):
        outlook = ahead(model, month, int(month.minute[at]))
        assert outlook is not None
        truth = month.temperature_c[at + 18]
        inside.append(outlook.temperature_c.p10[17] <= truth <= outlook.temperature_c.p90[17])
        ours.append(abs(outlook.temperature_c.p50[17] - truth))
        still.append(abs(month.temperature_c[at] - truth))
    assert 0.65 <= np.mean(inside) <= 0.95
    assert np.mean(ours) < 0.5 * np.mean(still)


def test_warmer_and_drier_point_the_right_way(month: GridAir) -> None:
    """From the coldest hour on it gets warmer, so humidity falls and the deficit grows."""
    at = 30 * DAY + 18 - int(month.minute[30 * DAY] % 1440) // 10
    outlook = look(month, at)
    assert outlook.temperature_c.p50[60] > outlook.temperature_c.p50[0] + 3
    assert outlook.relative_humidity_pct.p50[60] < outlook.relative_humidity_pct.p50[0]
    assert outlook.vpd_kpa.p50[60] > outlook.vpd_kpa.p50[0]


def test_first_hour_stands_still_with_wide_bands() -> None:
    history = made_up(1 / 24)
    outlook = look(history, len(history.minute) - 1)
    last = history.temperature_c[-1]
    assert abs(outlook.temperature_c.p50[5] - last) < 0.5
    assert outlook.temperature_c.p90[71] - outlook.temperature_c.p10[71] > 4.0


def test_second_day_already_knows_the_hours() -> None:
    """After a day and a half the day's course is foreseen, which standing still cannot do."""
    history = made_up(3.0)
    at = round(1.5 * DAY)
    outlook = look(history, at)
    truth = history.temperature_c[at + 1 : at + 1 + DAY]
    ours = np.abs(outlook.temperature_c.p50 - truth).mean()
    assert ours < 0.7 * np.abs(history.temperature_c[at] - truth).mean()


def test_bands_narrow_as_a_space_becomes_known(month: GridAir) -> None:
    def width(at: int) -> float:
        band = look(month, at).temperature_c
        return float(band.p90[35] - band.p10[35])

    assert width(30 * DAY) < width(6)


def test_gaps_are_lived_with_and_silence_is_said(month: GridAir) -> None:
    holed = GridAir(*(None if v is None else v.copy() for v in month))
    rng = np.random.default_rng(2)
    for start in rng.integers(0, 30 * DAY - 40, 40):
        holed.temperature_c[start : start + 20] = np.nan
    outlook = look(holed, 30 * DAY)
    assert np.isfinite(outlook.temperature_c.p50).all()
    holed.temperature_c[30 * DAY - 10 : 30 * DAY + 1] = np.nan
    now = int(holed.minute[30 * DAY])
    assert ahead(fit(holed, now, SITE), holed, now) is None


def test_outdoors_is_used_and_may_fall_silent(month: GridAir) -> None:
    outside = GridAir(
        month.minute,
        month.temperature_c,
        month.humidity_ratio_g_kg,
        np.roll(month.temperature_c, -6) - 2.0,  # an hour ahead of the room
        month.humidity_ratio_g_kg * 0.9,
    )
    now = int(month.minute[30 * DAY])
    model = fit(outside, now, SITE)
    assert model.with_outdoors
    silent = outside._replace(
        outdoor_temperature_c=np.full(len(month.minute), np.nan),
        outdoor_humidity_ratio_g_kg=np.full(len(month.minute), np.nan),
    )
    for recent in (outside, silent, month):
        outlook = ahead(model, recent, now)
        assert outlook is not None
        assert np.isfinite(outlook.temperature_c.p50).all()


def test_what_is_not_on_one_grid_is_refused(month: GridAir) -> None:
    with pytest.raises(ValueError, match="humidity_ratio_g_kg has 3 values"):
        fit(month._replace(humidity_ratio_g_kg=np.ones(3)), BEGIN, SITE)
    crooked = month._replace(minute=month.minute + np.arange(len(month.minute)))
    with pytest.raises(ValueError, match="steps of 10"):
        ahead(fit(month, BEGIN + 14_400, SITE), crooked, BEGIN + 14_400)


def test_a_value_is_held_for_an_hour_and_no_longer() -> None:
    values = np.array([3.0, *[np.nan] * 8])
    np.testing.assert_array_equal(held(values), [3.0] * 7 + [np.nan] * 2)


def test_many_saturations_are_the_same_as_one_by_one() -> None:
    """Same equation, two ways: psychrolib's scalar above 0.01 °C is the reference."""
    temperatures = np.linspace(-40.0, 85.0, 501)
    one_by_one = [saturation_vapour_pressure_liquid(float(t)) for t in temperatures]
    np.testing.assert_allclose(
        saturation_vapour_pressure_liquid_array(temperatures), one_by_one, rtol=1e-12
    )
    assert np.isnan(saturation_vapour_pressure_liquid_array(np.array([np.nan, 86.0, -41.0]))).all()


@pytest.mark.parametrize(
    ("when", "elevation"),
    [
        (datetime(2025, 6, 21, 12, tzinfo=UTC), 61.444),
        (datetime(2025, 12, 21, 12, tzinfo=UTC), 14.621),
        (datetime(2025, 3, 20, 9, tzinfo=UTC), 24.935),
        (datetime(2025, 8, 1, 16, tzinfo=UTC), 33.273),
    ],
)
def test_the_sun_stands_about_where_it_should(when: datetime, elevation: float) -> None:
    """Elevations at 52° N, 0° E by pvlib 0.16.1 (NREL SPA); this formula is good to some 3°."""
    height, _, _ = sun_height(np.array([when.timestamp() / 60]), Location(52.0, 0.0))
    assert np.degrees(np.arcsin(height[0])) == pytest.approx(elevation, abs=3.0)
