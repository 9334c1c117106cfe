"""Moist air: which way each quantity goes, what is refused, and the same answers with numba."""

import json
import math
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import moist_air
from monitor.science.moist_air import (
    TRIPLE_POINT_C,
    absolute_humidity,
    dew_or_frost_point,
    humidity_ratio,
    relative_humidity,
    saturation_vapour_pressure_liquid,
    specific_volume,
    standard_pressure,
    state,
    surface_relative_humidity,
    vapour_pressure,
    vapour_pressure_deficit,
)

SEA_LEVEL = 101_325.0

temperatures = st.floats(-40, 60)
humidities = st.floats(0, 100)
pressures = st.floats(50_000, 110_000)

# --- which way it goes ------------------------------------------------------------------------


def rises(function, values):
    """Whether each value gives more than the one before it."""
    answers = [function(value) for value in values]
    return all(before < after for before, after in pairwise(answers))


def falls(function, values):
    return rises(function, list(reversed(values)))


ACROSS = range(-40, 86, 5)
HUMIDITIES = range(5, 101, 5)
PRESSURES = range(60_000, 106_000, 5_000)


def test_pressure_falls_with_height():
    assert falls(standard_pressure, range(-500, 5001, 500))


def test_warm_air_can_hold_more():
    assert rises(saturation_vapour_pressure_liquid, ACROSS)


def test_ice_holds_its_water_back_more_than_supercooled_water_does():
    for temperature in range(-40, 0, 5):
        assert dew_or_frost_point(saturation_vapour_pressure_liquid(temperature)) > temperature


def test_water_in_the_air_rises_with_humidity_and_with_temperature():
    assert rises(lambda rh: vapour_pressure(20, rh), HUMIDITIES)
    assert rises(lambda t: vapour_pressure(t, 50), ACROSS)


def test_humidity_rises_with_water_and_falls_as_air_warms():
    assert rises(lambda water: relative_humidity(20, water), range(0, 2500, 250))
    assert falls(lambda t: relative_humidity(t, 600.0), ACROSS)


def test_dew_point_rises_with_humidity():
    assert rises(lambda rh: state(20, rh, SEA_LEVEL).dew_point_c, HUMIDITIES)
    assert rises(lambda rh: state(-5, rh, SEA_LEVEL).dew_point_c, HUMIDITIES)


@given(st.floats(1, 60), st.floats(1, 100))
def test_dew_point_is_never_above_the_airs_temperature(temperature, humidity):
    assert dew_or_frost_point(vapour_pressure(temperature, humidity)) <= temperature + 0.001


def test_frost_forms_before_dew_would():
    # Dew would need 100 % over liquid water at its surface; hoar settles while it is warmer.
    for temperature in (-30, -20, -10, -2):
        frost_point = dew_or_frost_point(vapour_pressure(temperature, 100))
        assert temperature < frost_point < 0


def test_deficit_rises_with_temperature_and_falls_with_humidity():
    assert rises(lambda t: vapour_pressure_deficit(t, 50), ACROSS)
    assert falls(lambda rh: vapour_pressure_deficit(20, rh), HUMIDITIES)
    assert vapour_pressure_deficit(20, 100) == 0.0


def test_humidity_ratio_rises_with_water_and_as_pressure_falls():
    assert rises(lambda water: humidity_ratio(water, SEA_LEVEL), range(0, 2500, 250))
    assert falls(lambda pressure: humidity_ratio(1200, pressure), PRESSURES)


def test_absolute_humidity_rises_with_water_and_falls_as_air_expands():
    assert rises(lambda water: absolute_humidity(20, water), range(0, 2500, 250))
    assert falls(lambda t: absolute_humidity(t, 600), ACROSS)


def test_specific_volume_rises_with_warmth_and_water_and_falls_with_pressure():
    assert rises(lambda t: specific_volume(t, 0.005, SEA_LEVEL), ACROSS)
    assert rises(lambda ratio: specific_volume(20, ratio, SEA_LEVEL), [0, 0.005, 0.01, 0.02])
    assert falls(lambda pressure: specific_volume(20, 0.005, pressure), PRESSURES)


def test_a_colder_surface_is_damper():
    assert falls(lambda surface: surface_relative_humidity(18, 65, surface), range(0, 31, 5))
    assert surface_relative_humidity(18, 65, 18) == pytest.approx(65, rel=1e-12)
    # Straddling the dew point of 18 °C and 65 %, 11.3 °C: condensation begins there.
    dew_point = dew_or_frost_point(vapour_pressure(18, 65))
    assert surface_relative_humidity(18, 65, dew_point - 0.1) > 100
    assert surface_relative_humidity(18, 65, dew_point + 0.1) < 100


@given(st.floats(-40, 30), st.floats(1, 30), st.floats(0, 95))
def test_the_mean_of_deficits_exceeds_the_deficit_of_the_mean(night, swing, humidity):
    # The saturation curve bends upwards (Allen et al. 1998, FAO-56, ch. 3, box at eq. 12).
    minutes = [night + swing * minute / 60 for minute in range(61)]
    mean_of_deficits = sum(vapour_pressure_deficit(t, humidity) for t in minutes) / 61
    assert mean_of_deficits > vapour_pressure_deficit(night + swing / 2, humidity)


# --- how the quantities hang together ---------------------------------------------------------


@given(temperatures, humidities)
def test_humidity_comes_back_from_the_water(temperature, humidity):
    water = vapour_pressure(temperature, humidity)
    assert relative_humidity(temperature, water) == pytest.approx(humidity, rel=1e-12, abs=1e-12)


@given(st.floats(12.9, 57_800))
def test_at_its_dew_or_frost_point_air_is_saturated(water):
    # 0.001 K, to which psychrolib solves, is 0.01 % of saturation.
    point = dew_or_frost_point(water)
    over = saturation_vapour_pressure_liquid if point > TRIPLE_POINT_C else psychrolib.GetSatVapPres
    assert over(point) == pytest.approx(water, rel=1e-4)


@given(temperatures, st.floats(0.5, 100))
def test_deficit_is_what_is_missing_to_saturation(temperature, humidity):
    missing = saturation_vapour_pressure_liquid(temperature) - vapour_pressure(
        temperature, humidity
    )
    deficit = 1000 * vapour_pressure_deficit(temperature, humidity)
    assert deficit == pytest.approx(missing, abs=1e-9)


@given(temperatures, humidities, pressures)
def test_state_is_each_function_s_own_answer(temperature, humidity, pressure):
    water = vapour_pressure(temperature, humidity)
    assert state(temperature, humidity, pressure) == (
        water,
        dew_or_frost_point(water),
        vapour_pressure_deficit(temperature, humidity),
        1000 * humidity_ratio(water, pressure),
        absolute_humidity(temperature, water),
    )


@given(temperatures, humidities, pressures)
def test_every_answer_in_range_is_a_plain_finite_number(temperature, humidity, pressure):
    air = state(temperature, humidity, pressure)
    numbers = [*air] if air.dew_point_c is not None else [air.vpd_kpa]
    assert all(type(number) is float and math.isfinite(number) for number in numbers)


# PsychroLib 2.5.0, CalcPsychrometricsFromRelHum and GetVaporPressureDeficit, 101,325 Pa: vapour
# pressure and deficit [Pa], W [g/kg], absolute humidity by the gas law [g/m³], dew point
# [°C], specific volume [m³/kg].
@pytest.mark.parametrize(
    ("temperature", "humidity", "water", "deficit", "ratio", "density", "dew", "volume"),
    [
        (5, 90, 785.24, 87.25, 4.8575, 6.117, 3.498, 0.79412),
        (10, 80, 982.40, 245.60, 6.0891, 7.518, 6.713, 0.80998),
        (15, 60, 1023.27, 682.18, 6.3450, 7.695, 7.307, 0.82462),
        (20, 50, 1169.40, 1169.40, 7.2617, 8.644, 9.272, 0.84016),
        (20, 65, 1520.22, 818.58, 9.4734, 11.237, 13.227, 0.84311),
        (25, 50, 1584.61, 1584.61, 9.8810, 11.516, 13.864, 0.85804),
        (30, 40, 1698.41, 2547.62, 10.6028, 12.140, 14.936, 0.87343),
    ],
)
def test_check_states(temperature, humidity, water, deficit, ratio, density, dew, volume):
    air = state(temperature, humidity, SEA_LEVEL)
    assert air.vapour_pressure_pa == pytest.approx(water, abs=0.005)
    assert air.vpd_kpa == pytest.approx(deficit / 1000, abs=5e-6)
    assert air.humidity_ratio_g_kg == pytest.approx(ratio, abs=5e-5)
    assert air.absolute_humidity_g_m3 == pytest.approx(density, abs=5e-4)
    assert air.dew_point_c == pytest.approx(dew, abs=0.001)
    assert specific_volume(temperature, ratio / 1000, SEA_LEVEL) == pytest.approx(volume, abs=5e-6)


# --- around the triple point ------------------------------------------------------------------


def test_the_two_curves_meet_at_the_triple_point():
    # 611.657 Pa, International Association for the Properties of Water and Steam (IAPWS R14-08).
    for curve in (saturation_vapour_pressure_liquid, psychrolib.GetSatVapPres):
        assert curve(TRIPLE_POINT_C) == pytest.approx(611.657, abs=0.001)
    above = saturation_vapour_pressure_liquid(math.nextafter(TRIPLE_POINT_C, 1))
    assert above == pytest.approx(saturation_vapour_pressure_liquid(TRIPLE_POINT_C), abs=1e-9)


def test_dew_point_passes_smoothly_through_the_triple_point():
    # One Pa down is 20 mK over ice (50.3 Pa/K), one up is 23 mK over water (44.4 Pa/K): the slopes
    # of Murphy and Koop 2005, eq. 7 and 10 (doi:10.1256/qj.04.94). psychrolib solves to 1 mK.
    points = [dew_or_frost_point(611.657 + step * 1e-3) for step in range(-1000, 1001)]
    assert points[0] == pytest.approx(0.01 - 1 / 50.3, abs=2e-4)
    assert points[-1] == pytest.approx(0.01 + 1 / 44.4, abs=2e-4)
    assert all(-1e-6 < after - before < 1e-4 for before, after in pairwise(points))


# --- what is refused, and what is bone dry ----------------------------------------------------


def test_bone_dry_air_has_no_dew_point():
    air = state(20, 0, SEA_LEVEL)
    assert air.dew_point_c is None
    assert air.vapour_pressure_pa == 0.0
    assert air.absolute_humidity_g_m3 == 0.0
    assert air.humidity_ratio_g_kg < 0.001
    assert air.vpd_kpa == pytest.approx(saturation_vapour_pressure_liquid(20) / 1000)
    assert state(20, 1e-9, SEA_LEVEL).dew_point_c is None
    # Close above the driest air psychrolib can answer for: its own figure is -97.47 °C.
    assert state(20, 1e-4, SEA_LEVEL).dew_point_c == pytest.approx(-97.5, abs=0.1)


NOT_A_TEMPERATURE = [math.nan, math.inf, -math.inf, -40.1, 85.1, 293.15]
NOT_A_HUMIDITY = [math.nan, math.inf, -math.inf, -0.01, -1, 100.01, 100.3]
NOT_A_PRESSURE = [math.nan, math.inf, 0, -101_325, 1013.25, 101.325, 49_999, 110_001]
NOT_A_VAPOUR_PRESSURE = [math.nan, math.inf, -0.1, 58_001]

REFUSED = [
    *(("temperature", lambda t=t: state(t, 50, SEA_LEVEL), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: vapour_pressure(t, 50), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: vapour_pressure_deficit(t, 50), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: relative_humidity(t, 500), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: absolute_humidity(t, 500), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: specific_volume(t, 0, SEA_LEVEL), t) for t in NOT_A_TEMPERATURE),
    *(("temperature", lambda t=t: saturation_vapour_pressure_liquid(t), t) for t in [-41, 86]),
    *(
        ("surface temperature", lambda t=t: surface_relative_humidity(20, 50, t), t)
        for t in NOT_A_TEMPERATURE
    ),
    *(("relative humidity", lambda rh=rh: state(20, rh, SEA_LEVEL), rh) for rh in NOT_A_HUMIDITY),
    *(("relative humidity", lambda rh=rh: vapour_pressure(20, rh), rh) for rh in NOT_A_HUMIDITY),
    *(
        ("relative humidity", lambda rh=rh: vapour_pressure_deficit(20, rh), rh)
        for rh in NOT_A_HUMIDITY
    ),
    *(
        ("relative humidity", lambda rh=rh: surface_relative_humidity(20, rh, 15), rh)
        for rh in NOT_A_HUMIDITY
    ),
    *(("air pressure", lambda p=p: state(20, 50, p), p) for p in NOT_A_PRESSURE),
    *(("air pressure", lambda p=p: humidity_ratio(500, p), p) for p in NOT_A_PRESSURE),
    *(("air pressure", lambda p=p: specific_volume(20, 0, p), p) for p in NOT_A_PRESSURE),
    *(("vapour pressure", lambda e=e: dew_or_frost_point(e), e) for e in NOT_A_VAPOUR_PRESSURE),
    *(("vapour pressure", lambda e=e: relative_humidity(20, e), e) for e in NOT_A_VAPOUR_PRESSURE),
    *(
        ("vapour pressure", lambda e=e: humidity_ratio(e, SEA_LEVEL), e)
        for e in NOT_A_VAPOUR_PRESSURE
    ),
    *(("vapour pressure", lambda e=e: absolute_humidity(20, e), e) for e in NOT_A_VAPOUR_PRESSURE),
    *(("humidity ratio", lambda w=w: specific_volume(20, w, SEA_LEVEL), w) for w in [-0.1, 7.3]),
    *(("elevation", lambda z=z: standard_pressure(z), z) for z in [math.nan, -501, 5001]),
]


@pytest.mark.parametrize(("name", "ask", "value"), REFUSED)
def test_what_is_out_of_range_is_named_and_refused(name, ask, value):
    with pytest.raises(ValueError, match=f"^{name} is ") as refusal:
        ask()
    assert f"{name} is {value} " in str(refusal.value)
    assert "; expected " in str(refusal.value)


def test_a_refusal_reads_as_a_sentence():
    with pytest.raises(ValueError, match="relative humidity") as refusal:
        state(20, 103.2, SEA_LEVEL)
    assert str(refusal.value) == "relative humidity is 103.2 %; expected 0 to 100 %"


# --- with numba or without --------------------------------------------------------------------

# What psychrolib needs of numba, with the one habit that hurts: a compiled ufunc does not raise,
# it answers 0.0 (seen with numba 0.68.1, which warns of an "invalid value" at most).
STAND_IN_FOR_NUMBA = """
import numpy

class njit:
    def __init__(self, function):
        self.py_func = function

    def __call__(self, *values):
        return self.py_func(*values)

def vectorize(function):
    over_arrays = numpy.vectorize(function, otypes=[float])

    def ufunc(*values):
        try:
            return over_arrays(*values)
        except ValueError:
            return numpy.zeros(())

    return ufunc
"""

ANSWERS = """
import json, sys
import psychrolib
from monitor.science import moist_air as air

def every_answer():
    for tenths in [*range(-400, 601, 100), -5, -1, 0, 1, 2, 5, 37, 213]:
        t = tenths / 10
        for rh in (0, 1e-9, 1e-4, 0.5, 30, 65.3, 90, 99.99, 100):
            for p in (101325.0, 89874.5):
                yield [*air.state(t, rh, p)]
            yield air.surface_relative_humidity(t, rh, 4.0)
        yield air.specific_volume(t, 0.007, 95461.0)
    for step in range(-20, 21):
        yield air.dew_or_frost_point(611.657 + step * 1e-4)
    yield air.standard_pressure(140.0)
    for refused in [(20, float("nan"), 101325.0), (20, -1, 101325.0), (20, 100.3, 101325.0),
                    (float("nan"), 50, 101325.0), (20, 50, 1013.25)]:
        try:
            yield repr(air.state(*refused))
        except ValueError as error:
            yield str(error)

bare = []
for humidity in (0.0, float("nan")):
    try:
        bare.append(float(psychrolib.GetTDewPointFromRelHum(20.0, humidity)))
    except ValueError:
        bare.append(None)
json.dump({"numba": psychrolib.has_numba, "bare": bare, "ours": list(every_answer())}, sys.stdout)
"""


def answers(python_path):
    """What a fresh Python answers that finds its modules there."""
    project = str(Path(moist_air.__file__).parents[2])
    search = os.pathsep.join([*python_path, project])
    child = subprocess.run(
        [sys.executable, "-c", ANSWERS],
        env={**os.environ, "PYTHONPATH": search},
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    return json.loads(child.stdout)


def test_the_same_answers_with_numba_and_without(tmp_path):
    (tmp_path / "numba.py").write_text(STAND_IN_FOR_NUMBA, encoding="utf-8")
    without, with_numba = answers([]), answers([str(tmp_path)])
    # The trap is there: bone-dry air and NaN become a dew point of 0 °C.
    assert (without["numba"], without["bare"]) == (False, [None, None])
    assert (with_numba["numba"], with_numba["bare"]) == (True, [0.0, 0.0])
    # We do not step into it.
    assert with_numba["ours"] == without["ours"]
    assert None in [row[1] for row in without["ours"] if isinstance(row, list)]
