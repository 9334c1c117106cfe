"""When opening up helps: worked states, computed with psychrolib 2.5.0 and held against CoolProp
8.0.0 by the tests of moist air; the state of the trap is a worked example of our own."""

import math

import numpy as np
import pytest

from monitor.ahead.airing import Doors, airing_helps, consider, consider_each
from monitor.ahead.airing_hours import AirAhead, airing_seen, best_hours
from monitor.ahead.sensors_apart import UNTAUGHT, difference
from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air

PRESSURE_PA = 101_325.0


def air(t: float | None, rh: float | None, margin_k: float | None = None) -> MinuteOfAir:
    if t is None or rh is None:
        return MinuteOfAir(0, "granary", t, rh, None, None, None, None, None, None, 1)
    made = moist_air.state(t, rh, PRESSURE_PA)
    return MinuteOfAir(
        0,
        "granary",
        t,
        rh,
        None,
        made.dew_point_c,
        made.vpd_kpa,
        made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3,
        margin_k,
        1,
    )


def test_cold_wet_night_air_carries_less_water_and_still_wets_the_room() -> None:
    indoors, outdoors = air(18, 65), air(9, 90)
    assert indoors.humidity_ratio_g_kg is not None
    assert outdoors.humidity_ratio_g_kg is not None
    gain = (indoors.humidity_ratio_g_kg - outdoors.humidity_ratio_g_kg) / 1000
    assert gain > 0, "by its water alone, opening would seem to help"
    assert airing_helps(indoors, outdoors, PRESSURE_PA) is False


def test_dry_mild_air_dries_a_damp_room() -> None:
    assert airing_helps(air(18, 85), air(17, 45), PRESSURE_PA) is True


def test_the_pull_of_the_air_alone_decides_where_the_water_differs_enough() -> None:
    """Far less water outdoors, but so cold that the room would hold less: 20 °C/75 % indoors pulls
    with 0.58 kPa; the water of 2 °C/85 % in a room cooled to 6 °C with 0.33 kPa."""
    assert airing_helps(air(20, 75), air(2, 85), PRESSURE_PA) is False


@pytest.mark.parametrize("better_by_pct", [1, 2, 3])
def test_within_the_doubt_of_two_sensors_nothing_is_advised(better_by_pct: int) -> None:
    assert airing_helps(air(20, 60), air(20, 60 - better_by_pct), PRESSURE_PA) is False


def test_wet_air_never_onto_a_colder_surface() -> None:
    """A stone wall at 8 °C below the outdoor dew point of 10.5 °C."""
    indoors, outdoors = air(20, 85), air(22, 48)
    assert airing_helps(indoors, outdoors, PRESSURE_PA) is True
    assert indoors.dew_point_c is not None
    cold_wall = air(20, 85, 8 - indoors.dew_point_c)
    assert airing_helps(cold_wall, outdoors, PRESSURE_PA) is False


@pytest.mark.parametrize("gap", [None, air(None, 50), air(20, None), air(None, None)])
def test_what_is_not_known_is_not_guessed(gap: MinuteOfAir | None) -> None:
    assert airing_helps(gap, air(10, 40), PRESSURE_PA) is None
    assert airing_helps(air(20, 80), gap, PRESSURE_PA) is None


@pytest.mark.parametrize(
    ("t", "rh", "expected_g_kg"),
    [(20, 30, 0.44), (20, 50, 0.46), (20, 60, 0.47), (20, 80, 0.50), (5, 90, 0.19), (30, 40, 0.83)],
)
def test_doubt_of_a_humidity_ratio(t: float, rh: float, expected_g_kg: float) -> None:
    """Root sum of squares of 0.3 K and 3 %, from analytic slopes of the ASHRAE equations in
    psychrolib 2.5.0, given to two decimals."""
    here = np.array(t), np.array(rh)
    _, of_two = difference(UNTAUGHT, here, here, PRESSURE_PA)
    assert of_two / math.sqrt(2) == pytest.approx(expected_g_kg, abs=0.006)


def test_the_trap_in_figures() -> None:
    """Worked out with PsychroLib: 18 °C/65 % cooled to 11 °C, 0.72 → 0.28 kPa."""
    told = consider(air(18, 65), air(9, 90), PRESSURE_PA)
    assert told is not None
    assert told.verb is Doors.CLOSE
    assert told.becomes_c == pytest.approx(11, abs=0.05)
    assert told.vpd_now == pytest.approx(0.72, abs=0.005)
    assert told.vpd_after == pytest.approx(0.28, abs=0.005)
    assert told.heat_k < 0
    assert told.sure > 0.9, "it carries less water, and still"
    assert "cool" in told.why


def test_heat_is_not_let_in_to_dry() -> None:
    indoors, outdoors = air(28, 75), air(36, 30)
    open_up, keep_shut = (
        consider(indoors, outdoors, PRESSURE_PA, hot_c=limit) for limit in (None, 32.0)
    )
    assert open_up is not None
    assert keep_shut is not None
    assert (open_up.verb, keep_shut.verb) == (Doors.OPEN, Doors.CLOSE)


def test_a_space_hotter_than_it_may_be_is_cooled() -> None:
    """37 °C/30 % over a limit of 32 °C against 31 °C/34 % outdoors: no more water out there, and
    the room comes down to 32.3 °C; within its limit it is kept shut, for it would pull less."""
    indoors, outdoors = air(37, 30), air(31, 34)
    hot = consider(indoors, outdoors, PRESSURE_PA, hot_c=32.0)
    warm = consider(indoors, outdoors, PRESSURE_PA, hot_c=40.0)
    assert hot is not None
    assert warm is not None
    assert (hot.verb, warm.verb) == (Doors.OPEN, Doors.CLOSE)
    assert "cooler" in hot.why
    assert hot.becomes_c == pytest.approx(32.3, abs=0.05)
    wetter = consider(indoors, air(31, 75), PRESSURE_PA, hot_c=32.0)
    assert wetter is not None
    assert wetter.verb is Doors.CLOSE


def test_heat_carried_by_one_change_of_air() -> None:
    """30 m³ of air at 20 °C and 80 % is 35.5 kg dry; 1.006 kJ/(kg·K)."""
    told = consider(air(20, 80), air(10, 50), PRESSURE_PA, volume_m3=30)
    assert told is not None
    assert told.heat_kj == pytest.approx(35.2 * 1.006 * told.heat_k, rel=0.01)


@pytest.mark.parametrize("before", [Doors.OPEN, Doors.CLOSE])
def test_advice_stands_until_the_opposite_is_true(before: Doors) -> None:
    told = consider(air(20, 60), air(21, 56), PRESSURE_PA, before)
    assert told is not None
    assert told.verb is before
    fresh = consider(air(20, 60), air(21, 56), PRESSURE_PA)
    assert fresh is not None
    assert fresh.verb is Doors.LEAVE


def bands(t: np.ndarray, w: np.ndarray, spread: float) -> AirAhead:  # type: ignore[type-arg]
    minute = np.arange(0, 60 * t.size, 60, dtype=np.int64)
    return AirAhead(minute, (t - spread, t, t + spread), (w - spread, w, w + spread))


def test_the_best_hours_are_the_warm_dry_ones() -> None:
    """By PsychroLib: the room pulls with 0.34 kPa; with 7 g/kg in it and as warm as outdoors lets
    it be, with 0.40 at eight (12.2 °C out there), with 0.27 at eleven in the evening (10.5 °C)."""
    hour = np.arange(24)
    outdoors = bands(14 + 7 * np.sin((hour - 9) / 24 * 2 * np.pi), np.full(24, 7.0), 0.1)
    indoors = bands(np.full(24, 17.0), np.full(24, 10.0), 0.1)
    best = best_hours(indoors, outdoors, PRESSURE_PA)
    assert best
    assert (best[0].begins / 60, best[0].ends / 60) == (8, 23)
    assert best[0].sure > 0.95
    assert best[0].gain_kpa > 0


def test_what_is_foreseen_badly_is_not_promised() -> None:
    hour = np.arange(24)
    outdoors = bands(14 + 7 * np.sin((hour - 9) / 24 * 2 * np.pi), np.full(24, 8.5), 4.0)
    indoors = bands(np.full(24, 17.0), np.full(24, 10.0), 4.0)
    assert best_hours(indoors, outdoors, PRESSURE_PA) == []


def test_air_that_only_cools_a_hot_space_is_no_drying_that_was_missed() -> None:
    loft, yard = [air(37, 27)] * 12, [air(27, 48)] * 12
    advised = consider(loft[0], yard[0], PRESSURE_PA, hot_c=32)
    assert advised is not None
    assert advised.verb is Doors.OPEN
    assert advised.vpd_after < advised.vpd_now
    seen = airing_seen(loft, yard, PRESSURE_PA, 10, hot_c=32)
    assert (seen.used_h, seen.missed_h, seen.missed_kpa_h) == (0.0, 0.0, 0.0)


def test_drier_air_outside_a_shut_room_is_drying_that_was_missed() -> None:
    room, yard = [air(18, 75)] * 12, [air(20, 45)] * 12
    seen = airing_seen(room, yard, PRESSURE_PA, 10)
    assert (seen.used_h, seen.missed_h) == (0.0, 2.0)
    advised = consider(room[0], yard[0], PRESSURE_PA)
    assert advised is not None
    assert seen.missed_kpa_h == pytest.approx(2 * (advised.vpd_after - advised.vpd_now))


def test_many_at_once_are_told_what_each_is_told_alone() -> None:
    rng = np.random.default_rng(4)
    indoors = [air(float(t), float(rh)) for t, rh in rng.uniform((0, 20), (40, 100), (60, 2))]
    outdoors = [air(float(t), float(rh)) for t, rh in rng.uniform((-10, 20), (35, 100), (60, 2))]
    indoors[7] = outdoors[9] = indoors[7]._replace(relative_humidity_pct=None)
    together = consider_each(indoors, outdoors, PRESSURE_PA, 30.0)
    alone = [
        consider(inside, outside, PRESSURE_PA, hot_c=30.0)
        for inside, outside in zip(indoors, outdoors, strict=True)
    ]
    assert [one is None for one in together] == [n in (7, 9) for n in range(60)]
    assert len({one.verb for one in together if one is not None}) == 3
    for one, other in zip(together, alone, strict=True):
        if one is not None and other is not None:
            assert (one.verb, one.why, one.changes) == (other.verb, other.why, other.changes)
            assert one.gain_g_kg == pytest.approx(other.gain_g_kg, abs=1e-12)
            assert one.doubt_g_kg == pytest.approx(other.doubt_g_kg, rel=1e-12)
    assert consider_each([], [], PRESSURE_PA) == []
