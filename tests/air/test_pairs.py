"""Two sensors of a space, and the sun on one of them.

Saturation pressures: psychrolib 2.5.0 (ASHRAE Fundamentals 2017, ch. 1).
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.neighbours import (
    SENSOR_K,
    SENSOR_PCT,
    Pair,
    SensorAir,
    Shine,
    allowed_pa,
    compare,
    odd_ones,
    shine,
    variance_pa2,
)

HOUR = 60
DAY = 24 * HOUR


def saturation_pa(temperature_c: float) -> float:
    psychrolib.SetUnitSystem(psychrolib.SI)
    return float(psychrolib.GetSatVapPres(temperature_c))


def says(temperature_c: float, humidity_pct: float) -> SensorAir:
    return SensorAir(temperature_c, humidity_pct, saturation_pa(temperature_c) * humidity_pct / 100)


@pytest.mark.parametrize(("t", "rh"), [(5, 90), (20, 30), (20, 50), (20, 80), (30, 40), (45, 20)])
def test_the_uncertainty_against_numerical_derivatives(t: float, rh: float) -> None:
    """JCGM 100:2008 (GUM), eq. 10, with e_s of psychrolib; within 1 %."""

    def e(temperature: float, humidity: float) -> float:
        return saturation_pa(temperature) * humidity / 100

    by_t = (e(t + 0.01, rh) - e(t - 0.01, rh)) / 0.02 * SENSOR_K
    by_rh = (e(t, rh + 0.01) - e(t, rh - 0.01)) / 0.02 * SENSOR_PCT
    assert math.sqrt(variance_pa2(*says(t, rh))) == pytest.approx(math.hypot(by_t, by_rh), rel=0.01)


def through(minutes: int, bias_pct: float = 0.0, from_minute: int = 0) -> list[Pair]:
    """A loft over some days; the second sensor hangs higher, 2 K warmer in the same water."""
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 1, (minutes, 2))
    pair, pairs = Pair(), []
    for minute in range(minutes):
        t = 20 + 4 * math.sin(2 * math.pi * minute / DAY)
        rh = 60 - 8 * math.sin(2 * math.pi * minute / DAY)
        water = saturation_pa(t) * rh / 100
        one = says(t, rh + 0.5 * noise[minute, 0])
        up = 100 * water / saturation_pa(t + 2) + 0.5 * noise[minute, 1]
        other = says(t + 2, up + (bias_pct if minute >= from_minute else 0.0))
        pair = compare(pair, minute, one, other)
        pairs.append(pair)
    return pairs


def test_two_good_sensors_agree_wherever_they_hang() -> None:
    assert all(pair.since is None for pair in through(10 * DAY))


@pytest.mark.parametrize("bias_pct", [12.0, -12.0])
def test_a_sensor_far_off_disagrees_within_hours(bias_pct: float) -> None:
    pairs = through(3 * DAY, bias_pct, from_minute=DAY)
    since = pairs[-1].since
    assert since is not None
    assert DAY < since < DAY + 18 * HOUR
    assert all(pair.since is None for pair in pairs[:DAY])


def test_an_offset_two_data_sheets_would_forgive_is_told_only_as_a_drift() -> None:
    """6 % from the first day on: as bought. 6 % after ten days: something has happened."""
    assert through(12 * DAY, 6.0)[-1].since is None
    drifting = through(14 * DAY, 6.0, from_minute=10 * DAY)
    since = drifting[-1].since
    assert since is not None
    assert 10 * DAY < since < 11 * DAY
    assert all(pair.since is None for pair in drifting[: 10 * DAY])


def test_it_ends_when_they_agree_again_and_a_short_difference_is_none() -> None:
    good, bad = says(20, 60), says(20, 85)
    pair = Pair()
    seen = []
    for minute in range(4 * DAY):
        apart = DAY <= minute < DAY + 30 or 2 * DAY <= minute < 2 * DAY + 12 * HOUR
        pair = compare(pair, minute, good, bad if apart else good)
        seen.append(pair.since)
    assert all(since is None for since in seen[: 2 * DAY])
    assert seen[2 * DAY + 12 * HOUR - 1] is not None
    assert seen[-1] is None


@pytest.mark.parametrize(
    ("sensors", "disagreeing", "odd"),
    [
        (["a", "b"], [], set()),
        (["a", "b"], [("a", "b")], {"a", "b"}),
        (["a", "b", "c"], [("a", "c"), ("b", "c")], {"c"}),
        (["a", "b", "c"], [("a", "c")], set()),
        (["a", "b", "c", "d"], [("a", "d"), ("b", "d"), ("c", "d")], {"d"}),
        (["a", "b", "c"], [("a", "b"), ("a", "c"), ("b", "c")], {"a", "b", "c"}),
    ],
)
def test_the_odd_one_out(
    sensors: list[str], disagreeing: list[tuple[str, str]], odd: set[str]
) -> None:
    assert odd_ones(sensors, disagreeing) == odd


def heated(air: SensorAir, by_k: float) -> SensorAir:
    """A sensor that light has warmed: the same water, told at a higher temperature."""
    warm = air.temperature_c + by_k
    return SensorAir(
        warm, 100 * air.vapour_pressure_pa / saturation_pa(warm), air.vapour_pressure_pa
    )


def sunlit(by_k: dict[int, float], minutes: int, sun_up: bool = True, **kw: Any) -> list[int]:
    """Minutes in the sun; `by_k`: from each minute on, how much warmer light makes the sensor."""
    before, warmer, lit = Shine(), 0.0, []
    for minute in range(minutes):
        warmer = by_k.get(minute, warmer)
        air = says(20 + 4 * math.sin(2 * math.pi * minute / DAY), 55)
        neighbours = kw.get("neighbours", [air])
        own = kw.get("own", heated(air, 0.8 + warmer))
        before = shine(before, minute, own, neighbours, kw.get("light_lx"), sun_up)
        if before.since is not None:
            lit.append(minute)
    return lit


def test_a_patch_of_sun_on_a_sensor_without_light() -> None:
    assert sunlit({600: 5.0, 680: 0.3}, DAY) == list(range(600, 680))


def test_it_may_come_over_some_minutes() -> None:
    lit = sunlit({600 + i: 0.5 * (i + 1) for i in range(10)} | {680: 0.0}, DAY)
    assert lit[0] in range(603, 607)
    assert lit == list(range(lit[0], 680))


def test_no_sun_at_night_and_none_without_neighbours() -> None:
    assert sunlit({600: 5.0, 680: 0.3}, DAY, sun_up=False) == []
    assert sunlit({600: 5.0, 680: 0.3}, DAY, neighbours=[]) == []


def test_warmth_that_comes_slowly_is_the_place_and_not_the_sun() -> None:
    assert sunlit({60 * i: 0.5 * i for i in range(12)}, DAY) == []


def test_warm_moist_air_is_air() -> None:
    """Warmer than the neighbour and wetter too: steam, or another room's air; not the sun."""
    before, lit = Shine(), []
    for minute in range(200):
        own = says(20, 55) if minute < 100 else says(26, 75)
        before = shine(before, minute, own, [says(20, 55)], None, True)
        lit.append(before.since)
    assert set(lit) == {None}


@pytest.mark.parametrize(("light_lx", "lit"), [(2_000.0, 0), (9_999.0, 0), (20_000.0, 100)])
def test_its_own_light_decides_where_it_measures_light(light_lx: float, lit: int) -> None:
    assert len(sunlit({}, 100, light_lx=light_lx)) == lit


air = st.builds(says, st.floats(-5, 40), st.floats(10, 95))


@given(st.lists(st.tuples(air, air), max_size=40))
def test_pairs_are_alike_from_both_sides_and_survive_json(
    minutes: list[tuple[SensorAir, SensorAir]],
) -> None:
    there, back = Pair(), Pair()
    for minute, (one, other) in enumerate(minutes):
        assert allowed_pa(one, other) == pytest.approx(allowed_pa(other, one))
        there = Pair(*json.loads(json.dumps(compare(there, minute, one, other))))
        back = compare(back, minute, other, one)
        assert there.lately_pa == pytest.approx(-back.lately_pa)
        assert there.since == back.since


@given(st.lists(st.tuples(air, air, st.booleans()), max_size=40))
def test_the_sun_survives_json(minutes: list[tuple[SensorAir, SensorAir, bool]]) -> None:
    kept, whole = Shine(), Shine()
    for minute, (own, other, sun_up) in enumerate(minutes):
        whole = shine(whole, minute, own, [other], None, sun_up)
        kept = Shine(*json.loads(json.dumps(list(shine(kept, minute, own, [other], None, sun_up)))))
        assert kept == whole
        if not sun_up:
            assert whole.since is None
