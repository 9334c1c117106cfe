"""What the next hours of a space are read from.

One row a moment, one column a feature. Columns of the moment hold for every lead; columns of the
lead say what the usual day, yesterday and the sun do between now and then. All look back only.
The humidity ratio enters by its logarithm, so that its errors are shares of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.ahead.grid import (
    STEPS_PER_DAY,
    Array,
    History,
    Indices,
    at,
    damped_blend,
    held,
    mean_of,
    usual,
)
from monitor.site.time import DAY_MIN

HOUR = STEPS_PER_DAY // 24
USUAL_DAYS = 3
LOG_SCALE = 10.0  # brings the spread of ln(humidity ratio) near that of °C


class Site(NamedTuple):
    """Where the spaces stand.

    latitude, longitude  [°], north and east positive
    pressure_pa          of the air there [Pa]
    """

    latitude: float
    longitude: float
    pressure_pa: float = 101_325.0


class Signal(NamedTuple):
    """One quantity in the forms the features use, each a day longer than the history."""

    values: Array  # gaps of up to an hour held
    usual_day: Array
    departure: Array  # values less the usual day


def signal(values: Array) -> Signal:
    """Ready a quantity; the usual day is known a day further than the quantity itself."""
    longer = np.concatenate([held(values), np.full(STEPS_PER_DAY, np.nan)])
    usual_day = usual(longer, np.arange(len(longer)), USUAL_DAYS)
    return Signal(longer, usual_day, longer - usual_day)


class Past(NamedTuple):
    """A history made ready: temperature and scaled logarithm of the humidity ratio."""

    minute: Array  # a day longer than the history, as the signals are
    inside: tuple[Signal, Signal]
    outside: tuple[Signal, Signal] | None


def ready(history: History) -> Past:
    """Make a history ready for features and for the simple rule."""
    last = history.minute[-1]
    further = last + 10 * np.arange(1, STEPS_PER_DAY + 1)
    minute = np.concatenate([history.minute, further]).astype(np.float64)
    inside = signal(history.temperature_c), signal(_log(history.humidity_ratio_g_kg))
    if history.outdoor_temperature_c is None or history.outdoor_humidity_ratio_g_kg is None:
        return Past(minute, inside, None)
    outside = (
        signal(history.outdoor_temperature_c),
        signal(_log(history.outdoor_humidity_ratio_g_kg)),
    )
    return Past(minute, inside, outside)


def _log(humidity_ratio_g_kg: Array) -> Array:
    return LOG_SCALE * np.log(np.maximum(humidity_ratio_g_kg, 0.01))


def simple_rule(past: Past, index: Indices, leads: Indices) -> Array:
    """What a space without a past of its own would be told: (moments, leads, 2).

    Temperature by the damped blend. Scaled log humidity ratio as it is now: air masses change it,
    not the hour, and on airport records of a year nothing simple does better.
    """
    temperature, water = past.inside
    now = index[:, None]
    blend = damped_blend(temperature.values, temperature.usual_day, now, leads)
    return np.stack(np.broadcast_arrays(blend, at(water.values, now)), axis=-1)


def sun_height(minute: Array, site: Site) -> tuple[Array, Array, Array]:
    """Sine of the sun's elevation, its hour angle [rad] and its declination [rad].

    minute  UTC epoch minutes

    Declination after Cooper 1969 (from memory), without the equation of time: within 1° of the
    ephemerides in declination and 4° in hour angle, which is plenty for a feature.
    """
    declination = np.radians(-23.45) * np.cos(2 * np.pi * (minute / DAY_MIN - 18_617.0) / 365.2425)
    hour_angle = 2 * np.pi * ((minute + 4.0 * site.longitude) % DAY_MIN) / DAY_MIN - np.pi
    latitude = np.radians(site.latitude)
    height = np.sin(latitude) * np.sin(declination)
    height += np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return height, hour_angle, declination


def of_moment(past: Past, index: Indices, site: Site) -> Array:
    """Features that hold for every lead: shape (moments, features)."""
    temperature, water = past.inside
    _, angle, declination = sun_height(at(past.minute, index), site)
    waves = [wave(k * angle) for k in (1, 2, 3) for wave in (np.sin, np.cos)]
    daily = waves[:4]
    season = np.sin(declination)
    now = at(temperature.values, index)
    departed = _departures(temperature, index, (0, 3, 6, 12, 18, 36, 72))
    damp = _departures(water, index, (0, 6, 18, 36))
    day = np.stack([at(temperature.values, index - k) for k in range(0, STEPS_PER_DAY, HOUR)])
    mean = mean_of(day)
    swing = mean_of(np.abs(day - mean))  # a small one tells of cloud
    slope = now - at(temperature.values, index - 3 * HOUR)
    closeness = at(water.values, index) - 0.65 * now  # saturation grows some 6.5 % a kelvin
    lead_in = at(temperature.values, index - STEPS_PER_DAY) - at(temperature.usual_day, index)
    columns = [*departed, *damp, *waves, now, now - mean, swing, slope, closeness, lead_in, season]
    crossed = [departed[0], departed[2], departed[4], damp[0], closeness, swing, slope, now - mean]
    if past.outside is not None:
        air, vapour = past.outside
        outdoors = _departures(air, index, (0, 6, 18))
        wet = _departures(vapour, index, (0, 18))
        difference = at(air.values, index) - now
        wetter = at(vapour.values, index) - at(water.values, index)
        columns += [*outdoors, *wet, difference, wetter]
        crossed += [outdoors[0], outdoors[2], difference]
    columns += [column * wave for column in crossed for wave in daily]
    columns += [season * wave for wave in daily]
    return np.stack(columns, axis=1)


def _departures(one: Signal, index: Indices, lags: tuple[int, ...]) -> list[Array]:
    """The departure now, and by how much it was another at each lag."""
    present = at(one.departure, index)
    return [present, *(at(one.departure, index - lag) - present for lag in lags[1:])]


def of_leads(past: Past, index: Indices, leads: Indices, site: Site) -> Array:
    """Features of what comes between now and then: shape (moments, leads, features)."""
    now = index[:, None]
    later = now + leads
    height_now, _, _ = sun_height(at(past.minute, now), site)
    height_then, _, _ = sun_height(at(past.minute, now) + 10.0 * leads, site)
    columns = [np.maximum(height_then, 0.0) - np.maximum(height_now, 0.0)]
    for one in past.inside + (past.outside or ()):
        columns += [
            at(one.usual_day, later) - at(one.usual_day, now),
            at(one.values, later - STEPS_PER_DAY) - at(one.usual_day, later),
        ]
    for days in (7, 14):
        temperature = past.inside[0]
        longer_then = usual(temperature.values, later, days) - at(temperature.usual_day, later)
        longer_now = usual(temperature.values, now, days) - at(temperature.usual_day, now)
        columns += [longer_then - longer_now, np.broadcast_to(longer_now, later.shape)]
    return np.stack(columns, axis=-1)
