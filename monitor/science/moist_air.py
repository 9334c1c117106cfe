"""Moist air: temperature, relative humidity and pressure in; everything else out.

Relative humidity is over liquid water at every temperature, below 0 °C too: that is what
humidity sensors report. Below the triple point the water therefore comes from the liquid curve
first, and the frost point from the ice curve after. Mixing the two up costs over 1 K at -10 °C.

psychrolib does the work and is imported here only: its unit system is one setting for the whole
process. It answers out-of-range values with an error, or, where numba can be imported, with 0.0.
So every value is checked before it is handed over, and every answer is made a plain float.

ASHRAE: ASHRAE Handbook Fundamentals 2017, chapter 1 (SI).
"""

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import psychrolib  # type: ignore[import-untyped]
from numpy.typing import NDArray

psychrolib.SetUnitSystem(psychrolib.SI)

ZERO_CELSIUS_K = 273.15
TRIPLE_POINT_C = 0.01
# J/(kg·K): 8314.46 J/(kmol·K) by 18.015 kg/kmol, rounded.
WATER_VAPOUR_GAS_CONSTANT = 461.5

# psychrolib's curves end at -100 °C; a degree short of that, no rounding can fall outside.
_DRIEST_PA = float(psychrolib.GetSatVapPres(-99.0))
# As far as the sensors themselves go; under plastic and under roofs it gets past 60 °C.
COLDEST_C, HOTTEST_C = -40.0, 85.0
_WETTEST_PA = 58_000.0  # saturation at 85 °C is 57,867 Pa


def _require(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse what lies outside low to high; NaN does, by its nature."""
    if not low <= value <= high:
        raise ValueError(f"{name} is {value} {unit}; expected {low:g} to {high:g} {unit}")


def _require_temperature(value: float, name: str = "temperature") -> None:
    _require(name, value, COLDEST_C, HOTTEST_C, "°C")


def _require_humidity(value: float) -> None:
    _require("relative humidity", value, 0.0, 100.0, "%")


def _require_vapour_pressure(value: float) -> None:
    _require("vapour pressure", value, 0.0, _WETTEST_PA, "Pa")


def _require_pressure(value: float) -> None:
    _require("air pressure", value, 50_000.0, 110_000.0, "Pa")


def standard_pressure(elevation_m: float) -> float:
    """Pressure of the standard atmosphere at a height above the sea.

    elevation_m  [m], -500 to 5000
    returns      [Pa]
    raises       ValueError naming the value that is out of range

    ASHRAE, eq. 3.

    >>> round(standard_pressure(500))
    95461
    """
    _require("elevation", elevation_m, -500.0, 5000.0, "m")
    return float(psychrolib.GetStandardAtmPressure(elevation_m))


@lru_cache(maxsize=16)  # a minute of air asks for the same one several times
def saturation_vapour_pressure_liquid(temperature_c: float) -> float:
    """Vapour pressure of air saturated over liquid water, supercooled below 0.01 °C.

    temperature_c  [°C], -40 to 85
    returns        [Pa]
    raises         ValueError naming the value that is out of range

    ASHRAE, eq. 6. psychrolib turns to ice at the triple point, so below it the same equation is
    continued here. Against Murphy and Koop 2005, eq. 10 (doi:10.1256/qj.04.94) it is 0.1 % high
    at -20 °C and 0.7 % at -40 °C.

    >>> round(saturation_vapour_pressure_liquid(25), 1)
    3169.2
    >>> round(saturation_vapour_pressure_liquid(-10), 1)
    286.6
    """
    _require_temperature(temperature_c)
    if temperature_c > TRIPLE_POINT_C:
        return float(psychrolib.GetSatVapPres(temperature_c))
    t = temperature_c + ZERO_CELSIUS_K
    return math.exp(
        -5.8002206e3 / t
        + 1.3914993
        - 4.8640239e-2 * t
        + 4.1764768e-5 * t**2
        - 1.4452093e-8 * t**3
        + 6.5459673 * math.log(t)
    )


def saturation_vapour_pressure_liquid_array(
    temperature_c: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The same for many temperatures at once, as forecasts need it.

    temperature_c  [°C], -40 to 85; any shape
    returns        [Pa], the same shape; NaN where the temperature is unknown or out of range

    ASHRAE, eq. 6, continued below 0.01 °C as above.

    >>> saturation_vapour_pressure_liquid_array(np.array([25.0, -10.0])).round(1)
    array([3169.2,  286.6])
    """
    inside = (temperature_c >= COLDEST_C) & (temperature_c <= HOTTEST_C)
    t = np.where(inside, temperature_c, np.nan) + ZERO_CELSIUS_K
    answer: NDArray[np.float64] = np.exp(
        -5.8002206e3 / t
        + 1.3914993
        - 4.8640239e-2 * t
        + 4.1764768e-5 * t**2
        - 1.4452093e-8 * t**3
        + 6.5459673 * np.log(t)
    )
    return answer


def vapour_pressure(temperature_c: float, relative_humidity_pct: float) -> float:
    """Partial pressure of the water vapour in the air.

    temperature_c          dry-bulb air temperature [°C], -40 to 85
    relative_humidity_pct  over liquid water, also below 0 °C [%], 0 to 100
    returns                [Pa]
    raises                 ValueError naming the value that is out of range

    ASHRAE, eq. 22: p_w = RH · p_ws.

    >>> round(vapour_pressure(20, 50), 1)
    1169.4
    """
    _require_humidity(relative_humidity_pct)
    return relative_humidity_pct / 100.0 * saturation_vapour_pressure_liquid(temperature_c)


def relative_humidity(temperature_c: float, vapour_pressure_pa: float) -> float:
    """Share of the vapour the air could hold over liquid water.

    temperature_c       dry-bulb air temperature [°C], -40 to 85
    vapour_pressure_pa  [Pa], 0 to 58,000
    returns             over liquid water, also below 0 °C [%]; over 100 where the air holds more
                        than it can
    raises              ValueError naming the value that is out of range

    ASHRAE, eq. 22.

    >>> round(relative_humidity(20, 1169.4), 1)
    50.0
    """
    _require_vapour_pressure(vapour_pressure_pa)
    return 100.0 * vapour_pressure_pa / saturation_vapour_pressure_liquid(temperature_c)


def dew_or_frost_point(vapour_pressure_pa: float) -> float | None:
    """Temperature of a surface on which dew, or below 0.01 °C frost, begins to form.

    vapour_pressure_pa  [Pa], 0 to 58,000
    returns             [°C]; None in bone-dry air, whose frost point lies below -99 °C
    raises              ValueError naming the value that is out of range

    ASHRAE, eq. 5 and 6, inverted by psychrolib to 0.001 K. In air that is saturated over liquid
    water below 0 °C the frost point lies above the air's own temperature: hoar grows there.

    >>> round(dew_or_frost_point(1169.4), 3)
    9.272
    >>> round(dew_or_frost_point(vapour_pressure(-10, 80)), 3)
    -11.406
    >>> dew_or_frost_point(0.0) is None
    True
    """
    _require_vapour_pressure(vapour_pressure_pa)
    if vapour_pressure_pa < _DRIEST_PA:
        return None
    # psychrolib starts here and never answers above it; past 60 °C the estimate is lower.
    above = 0.1 if vapour_pressure_pa <= 20_000.0 else 0.5
    just_above = _magnus_dew_or_frost_point(vapour_pressure_pa) + above
    return float(psychrolib.GetTDewPointFromVapPres(just_above, vapour_pressure_pa))


def _magnus_dew_or_frost_point(vapour_pressure_pa: float) -> float:
    """First estimate of the dew or frost point [°C].

    At most 0.06 K too low up to 60 °C, 0.36 K up to 85 °C.
    Magnus form over water and over ice; constants of Sonntag 1990, from memory.
    """
    x = math.log(vapour_pressure_pa / 611.2)
    return 243.12 * x / (17.62 - x) if x > 0.0 else 272.62 * x / (22.46 - x)


def vapour_pressure_deficit(temperature_c: float, relative_humidity_pct: float) -> float:
    """Pull of the air on water: what it could hold less what it holds, as vapour pressure.

    temperature_c          dry-bulb air temperature [°C], -40 to 85
    relative_humidity_pct  over liquid water, also below 0 °C [%], 0 to 100
    returns                [kPa]
    raises                 ValueError naming the value that is out of range

    The curve bends upwards, so the mean of deficits exceeds the deficit of the mean: take this
    minute by minute, then average. Allen et al. 1998, FAO Irrigation and Drainage Paper 56, ch. 3.

    >>> round(vapour_pressure_deficit(30, 40), 4)
    2.5476
    """
    _require_humidity(relative_humidity_pct)
    dryness = 1.0 - relative_humidity_pct / 100.0
    return dryness * saturation_vapour_pressure_liquid(temperature_c) / 1000.0


def humidity_ratio(vapour_pressure_pa: float, pressure_pa: float) -> float:
    """Water carried by each kilogram of dry air.

    vapour_pressure_pa  [Pa], 0 to 58,000
    pressure_pa         of the whole air [Pa], 50,000 to 110,000
    returns             [kg/kg]; psychrolib's floor of 1e-7 for bone-dry air
    raises              ValueError naming the value that is out of range

    ASHRAE, eq. 20: W = 0.621945 p_w / (p - p_w).

    >>> round(humidity_ratio(1169.4, 101325), 5)
    0.00726
    """
    _require_vapour_pressure(vapour_pressure_pa)
    _require_pressure(pressure_pa)
    return float(psychrolib.GetHumRatioFromVapPres(vapour_pressure_pa, pressure_pa))


def humidity_ratio_array(
    vapour_pressure_pa: NDArray[np.float64], pressure_pa: float
) -> NDArray[np.float64]:
    """The same for many at once, unguarded: NaN and negative vapour go through.

    vapour_pressure_pa  [Pa], any shape
    pressure_pa         of the whole air [Pa]
    returns             [g/kg], the same shape

    >>> humidity_ratio_array(np.array([1169.4]), 101325).round(2)
    array([7.26])
    """
    ratio: NDArray[np.float64] = 621.945 * vapour_pressure_pa / (pressure_pa - vapour_pressure_pa)
    return ratio


def vapour_pressure_array(
    humidity_ratio_g_kg: NDArray[np.float64], pressure_pa: float
) -> NDArray[np.float64]:
    """Pressure of the vapour in air that carries so much: `humidity_ratio_array` turned round.

    humidity_ratio_g_kg  [g/kg], any shape
    pressure_pa          of the whole air [Pa]
    returns              [Pa], the same shape

    >>> vapour_pressure_array(np.array([7.2616]), 101325).round(1)
    array([1169.4])
    """
    vapour: NDArray[np.float64] = (
        pressure_pa * humidity_ratio_g_kg / (621.945 + humidity_ratio_g_kg)
    )
    return vapour


def absolute_humidity(temperature_c: float, vapour_pressure_pa: float) -> float:
    """Water in each cubic metre of air.

    temperature_c       dry-bulb air temperature [°C], -40 to 85
    vapour_pressure_pa  [Pa], 0 to 58,000
    returns             [g/m³]
    raises              ValueError naming the value that is out of range

    Ideal gas law: ρ_w = p_w / (R_w T), R_w = 461.5 J/(kg·K).

    >>> round(absolute_humidity(20, 1520.22), 2)
    11.24
    """
    _require_temperature(temperature_c)
    _require_vapour_pressure(vapour_pressure_pa)
    return (
        1000.0 * vapour_pressure_pa / (WATER_VAPOUR_GAS_CONSTANT * (temperature_c + ZERO_CELSIUS_K))
    )


def specific_volume(temperature_c: float, humidity_ratio: float, pressure_pa: float) -> float:
    """Room taken by each kilogram of dry air together with its water.

    temperature_c   dry-bulb air temperature [°C], -40 to 85
    humidity_ratio  [kg/kg], 0 to 0.5
    pressure_pa     of the whole air [Pa], 50,000 to 110,000
    returns         [m³/kg of dry air]
    raises          ValueError naming the value that is out of range

    ASHRAE, eq. 26: v = 287.042 T (1 + 1.607858 W) / p.

    >>> round(specific_volume(20, 0.0072617, 101325), 4)
    0.8402
    """
    _require_temperature(temperature_c)
    _require("humidity ratio", humidity_ratio, 0.0, 0.5, "kg/kg")
    _require_pressure(pressure_pa)
    return float(psychrolib.GetMoistAirVolume(temperature_c, humidity_ratio, pressure_pa))


def surface_relative_humidity(
    air_temperature_c: float, relative_humidity_pct: float, surface_temperature_c: float
) -> float:
    """Relative humidity of the air that touches a surface colder or warmer than the room.

    air_temperature_c      dry-bulb air temperature [°C], -40 to 85
    relative_humidity_pct  of that air, over liquid water [%], 0 to 100
    surface_temperature_c  [°C], -40 to 85
    returns                over liquid water [%]; over 100 where water condenses
    raises                 ValueError naming the value that is out of range

    The vapour pressure is the same throughout the room: RH_s = RH · p_ws(T) / p_ws(T_s).

    >>> round(surface_relative_humidity(18, 65, 14), 2)
    83.93
    """
    _require_temperature(surface_temperature_c, "surface temperature")
    return relative_humidity(
        surface_temperature_c, vapour_pressure(air_temperature_c, relative_humidity_pct)
    )


class MoistAir(NamedTuple):
    """What follows from temperature, relative humidity and pressure in one minute of air."""

    vapour_pressure_pa: float
    dew_point_c: float | None  # frost point below 0.01 °C; None in bone-dry air
    vpd_kpa: float
    humidity_ratio_g_kg: float
    absolute_humidity_g_m3: float


def state(temperature_c: float, relative_humidity_pct: float, pressure_pa: float) -> MoistAir:
    """Work out a minute of air; the one way every stored value is made, live or again later.

    temperature_c          dry-bulb air temperature [°C], -40 to 85
    relative_humidity_pct  over liquid water, also below 0 °C [%], 0 to 100
    pressure_pa            of the whole air [Pa], 50,000 to 110,000
    returns                the derived quantities, each as its own function here gives it
    raises                 ValueError naming the value that is out of range

    >>> air = state(20, 50, 101325)
    >>> round(air.dew_point_c, 2), round(air.vpd_kpa, 3), round(air.humidity_ratio_g_kg, 2)
    (9.27, 1.169, 7.26)
    """
    water = vapour_pressure(temperature_c, relative_humidity_pct)
    return MoistAir(
        vapour_pressure_pa=water,
        dew_point_c=dew_or_frost_point(water),
        vpd_kpa=vapour_pressure_deficit(temperature_c, relative_humidity_pct),
        humidity_ratio_g_kg=1000.0 * humidity_ratio(water, pressure_pa),
        absolute_humidity_g_m3=absolute_humidity(temperature_c, water),
    )
