"""What the sensors indoors and outdoors are off against each other, learned from airings.

A room aired for an hour holds the air outside and a little of what hangs in it: what the two
sensors then tell apart is mostly their own error. Each airing seen narrows it, by the linear
least squares of Kalman 1960 (doi 10.1115/1.3662552) over four offsets: temperature and humidity
of the one and of the other. Only the difference becomes surer; which of the two is wrong is not
to be told.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.moist_air import (
    humidity_ratio_array,
    saturation_vapour_pressure_liquid_array,
)

Floats = NDArray[np.float64]

# What an ordinary, well-kept sensor may be wrong by: data sheets of common digital sensors say
# 0.2 to 0.3 K and 2 to 3 %.
SENSOR_TEMPERATURE_K = 0.3
SENSOR_HUMIDITY_PCT = 3.0

# What an aired room still carries more than the air outside, from its wood and what hangs, and how
# much that differs [g/kg]. Our own choice, from simulated rooms other than the judged.
STILL_GIVEN_G_KG, STILL_GIVEN_DIFFERS = 0.1, 0.25
# Sensors wander: so much in the root of an hour, a third of their doubt in two months. Our choice.
_WANDER = (0.0026, 0.026, 0.0026, 0.026)
# Farther off than this many standard deviations a sensor was changed: begin anew.
_CHANGED = 4.0


class SameAir(NamedTuple):
    """Offsets of the sensors, as told less true: indoors [K], [%], outdoors [K], [%].

    covariance  of the four, row by row, 16 numbers
    """

    offsets: tuple[float, ...]
    covariance: tuple[float, ...]


_ALONE = np.array([SENSOR_TEMPERATURE_K, SENSOR_HUMIDITY_PCT] * 2)
UNTAUGHT = SameAir((0.0,) * 4, tuple(np.diag(_ALONE**2).ravel().tolist()))


def ratios(temperature_c: Floats, humidity_pct: Floats, pressure_pa: float) -> Floats:
    """Humidity ratios [g/kg]."""
    water = humidity_pct / 100 * saturation_vapour_pressure_liquid_array(temperature_c)
    return humidity_ratio_array(water, pressure_pa)


def _slopes(air: tuple[Floats, Floats], pressure_pa: float) -> tuple[Floats, Floats]:
    """What a kelvin and a percent do to a humidity ratio [g/(kg·K)], [g/(kg·%)]."""
    t, rh = air
    by_warmth = ratios(t + SENSOR_TEMPERATURE_K, rh, pressure_pa)
    by_warmth = by_warmth - ratios(t - SENSOR_TEMPERATURE_K, rh, pressure_pa)
    high = np.minimum(100.0, rh + SENSOR_HUMIDITY_PCT)
    low = np.maximum(0.0, rh - SENSOR_HUMIDITY_PCT)
    by_humidity = ratios(t, high, pressure_pa) - ratios(t, low, pressure_pa)
    return by_warmth / (2 * SENSOR_TEMPERATURE_K), by_humidity / (high - low)


def difference(
    known: SameAir,
    indoors: tuple[Floats, Floats],
    outdoors: tuple[Floats, Floats],
    pressure_pa: float,
) -> tuple[Floats, Floats]:
    """Water indoors less that outdoors, and its standard uncertainty in this very air [g/kg].

    indoors, outdoors  temperatures [°C] and humidities [%] as told
    """
    gain = ratios(*indoors, pressure_pa) - ratios(*outdoors, pressure_pa)
    slopes = _of_both(indoors, outdoors, pressure_pa)
    covariance = np.reshape(known.covariance, (4, 4))
    variance = np.einsum("...i,ij,...j", slopes, covariance, slopes)
    return gain - slopes @ np.array(known.offsets), np.sqrt(variance)


def _of_both(
    indoors: tuple[Floats, Floats], outdoors: tuple[Floats, Floats], pressure_pa: float
) -> Floats:
    inside, outside = _slopes(indoors, pressure_pa), _slopes(outdoors, pressure_pa)
    return np.stack([*inside, *(-slope for slope in outside)], axis=-1)


def corrected(
    known: SameAir, indoors: tuple[float, float], outdoors: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Both airs less the likeliest offsets, temperatures [°C] and humidities [%]."""
    off = known.offsets

    def less(air: tuple[float, float], kelvins: float, percent: float) -> tuple[float, float]:
        return air[0] - kelvins, min(100.0, max(0.0, air[1] - percent))

    return less(indoors, off[0], off[1]), less(outdoors, off[2], off[3])


def an_hour_later(known: SameAir) -> SameAir:
    """The same, a little less sure, never less than of sensors nothing is known of."""
    covariance = np.reshape(known.covariance, (4, 4)) + np.diag(np.square(_WANDER))
    beyond = np.sqrt(np.maximum(1.0, np.diag(covariance) / _ALONE**2))
    return known._replace(covariance=tuple((covariance / np.outer(beyond, beyond)).ravel()))


def taught(
    known: SameAir, indoors: tuple[float, float], outdoors: tuple[float, float], pressure_pa: float
) -> SameAir:
    """What is known after one more hour with the room aired."""
    inside, outside = ((np.array(t), np.array(rh)) for t, rh in (indoors, outdoors))
    slopes = _of_both(inside, outside, pressure_pa)
    gain, doubt = difference(known, inside, outside, pressure_pa)
    surprise = float(gain) - STILL_GIVEN_G_KG
    variance = float(doubt) ** 2 + STILL_GIVEN_DIFFERS**2
    if surprise**2 > _CHANGED**2 * variance:
        return UNTAUGHT
    covariance = np.reshape(known.covariance, (4, 4))
    weights = covariance @ slopes / variance
    return SameAir(
        tuple((np.array(known.offsets) + weights * surprise).tolist()),
        tuple((covariance - np.outer(weights, slopes @ covariance)).ravel().tolist()),
    )
