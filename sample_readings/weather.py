"""The air outside, the sun, and where it shines in: plain physics, made to look right.

Formulas named without a number are from memory.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sample_readings.scenario import ELEVATION_M, LATITUDE, LONGITUDE, START

Array = NDArray[np.float64]
Anchors = tuple[tuple[float, float], ...]  # (hours since the start, value)


class Weather(NamedTuple):
    """The outdoors, one value a minute.

    temperature [°C]; vapour_pressure [kPa]; irradiance, global horizontal [W/m2];
    beam, share of the direct sun that comes through [0 to 1]; pressure [hPa];
    sun_height and sun_azimuth, clockwise from north [°]; fog [0 to 1]
    """

    temperature: Array
    vapour_pressure: Array
    irradiance: Array
    beam: Array
    pressure: Array
    sun_height: Array
    sun_azimuth: Array
    fog: Array


class Script(NamedTuple):
    """How the weather goes, as points that a smooth line is drawn through."""

    temperature: Anchors
    dew_point: Anchors
    cloud: Anchors
    pressure: Anchors
    fog: Anchors


NINE_DAYS = Script(
    temperature=(
        *((-9.5, 18.0), (3.5, 11.0), (14.5, 20.0), (27.5, 10.5), (38.5, 24.0), (51.5, 12.5)),
        *((62.5, 27.0), (75.5, 14.0), (86.5, 28.5), (99.5, 15.5), (110.5, 30.0), (123.5, 17.0)),
        *((133.5, 29.0), (136.5, 27.5), (138.0, 17.5), (147.5, 12.5), (158.5, 15.0)),
        *((171.0, 10.0), (182.5, 18.0), (195.5, 11.0), (206.5, 20.0), (220.0, 12.0)),
    ),
    dew_point=(
        *((0.0, 9.5), (38.0, 9.5), (62.0, 10.5), (86.0, 11.5), (110.0, 12.5), (132.0, 14.0)),
        *((138.0, 15.0), (150.0, 12.3), (165.0, 11.5), (171.0, 11.0), (176.0, 11.0)),
        *((190.0, 9.5), (206.0, 8.0), (220.0, 9.0)),
    ),
    cloud=(
        *((0.0, 0.5), (12.0, 0.45), (15.0, 0.9), (19.0, 0.8), (27.0, 0.1), (62.0, 0.08)),
        *((86.0, 0.05), (131.0, 0.06), (134.0, 0.3), (135.5, 0.95), (170.0, 1.0)),
        *((178.0, 0.95), (184.0, 0.8), (195.0, 0.75), (204.0, 0.55), (207.0, 0.85), (216.0, 0.6)),
    ),
    pressure=(
        *((0.0, 1014.0), (60.0, 1021.0), (100.0, 1017.0), (136.0, 1006.0), (150.0, 1003.0)),
        *((175.0, 1011.0), (216.0, 1018.0)),
    ),
    fog=((0.0, 0.0), (168.5, 0.0), (170.0, 1.0), (173.5, 1.0), (175.0, 0.0), (216.0, 0.0)),
)


def saturation_kpa(temperature: Array) -> Array:
    """Vapour pressure over water [kPa]; Allen et al. 1998 (FAO-56), eq. 11."""
    return np.asarray(0.6108 * np.exp(17.27 * temperature / (temperature + 237.3)))


def through(anchors: Anchors, hours: Array) -> Array:
    """A smooth line through the anchors: half a cosine between one and the next."""
    at = np.array([a[0] for a in anchors])
    value = np.array([a[1] for a in anchors])
    left = np.clip(np.searchsorted(at, hours, side="right") - 1, 0, len(at) - 2)
    share = np.clip((hours - at[left]) / (at[left + 1] - at[left]), 0, 1)
    return np.asarray(value[left] + np.diff(value)[left] * (1 - np.cos(np.pi * share)) / 2)


def noise(rng: np.random.Generator, n: int) -> Array:
    """Bell-shaped noise of standard deviation one, from uniform draws (they never change)."""
    return np.asarray((rng.random((4, n)).sum(axis=0) - 2) * math.sqrt(3))


def follow(signal: Array, minutes: float) -> Array:
    """What follows the signal with this time constant: a first-order lag."""
    step = 1 - math.exp(-1 / minutes)
    out, now = [], float(signal[0])
    for value in signal.tolist():
        now += (value - now) * step
        out.append(now)
    return np.array(out)


def wander(rng: np.random.Generator, n: int, minutes: float) -> Array:
    """Noise of standard deviation about one that keeps its mood for some minutes."""
    return follow(noise(rng, n), minutes) * math.sqrt(2 * minutes)


def sun(minutes: Array) -> tuple[Array, Array]:
    """Height and azimuth of the sun [°] at Thornlaw; Cooper 1969 and Spencer 1971."""
    day = START.timetuple().tm_yday + minutes / 1440
    tilt = np.radians(23.45 * np.sin(2 * np.pi * (284 + day) / 365))
    b = 2 * np.pi * (day - 1) / 365
    late = 229.18 * (0.000075 + 0.001868 * np.cos(b) - 0.032077 * np.sin(b))
    late -= 229.18 * (0.014615 * np.cos(2 * b) + 0.04089 * np.sin(2 * b))
    hour = np.radians((minutes + late + 4 * LONGITUDE) / 4 - 180)
    here = math.radians(LATITUDE)
    up = math.sin(here) * np.sin(tilt) + math.cos(here) * np.cos(tilt) * np.cos(hour)
    west = np.cos(tilt) * np.sin(hour)
    south = math.sin(here) * np.cos(tilt) * np.cos(hour) - math.cos(here) * np.sin(tilt)
    return np.degrees(np.arcsin(up)), (np.degrees(np.arctan2(west, south)) + 180) % 360


def weather(script: Script, n: int, seed: int) -> Weather:
    """n minutes of the script, with the unrest of real air.

    Clear sky after Haurwitz 1945, clouds after Kasten & Czeplak 1980.
    """
    rng = np.random.default_rng(seed)
    minutes = np.arange(n, dtype=float)
    hours = minutes / 60
    height, azimuth = sun(minutes)
    sine = np.maximum(np.sin(np.radians(height)), 1e-3)
    cloud = np.clip(through(script.cloud, hours) * (1 + 0.15 * wander(rng, n, 12)), 0, 1)
    clear = np.where(height > 0, 1098 * sine * np.exp(-0.057 / sine), 0)
    light = clear * (1 - 0.75 * cloud**3.4)
    temperature = through(script.temperature, hours)
    temperature += wander(rng, n, 25) * (0.15 + light / 4000)
    fog = through(script.fog, hours)
    vapour = saturation_kpa(through(script.dew_point, hours) + 0.2 * wander(rng, n, 60))
    full = saturation_kpa(temperature)
    return Weather(
        temperature=temperature,
        vapour_pressure=np.where(fog > 0.5, full, np.minimum(vapour, 0.985 * full)),
        irradiance=light,
        beam=np.clip(1 - cloud / 0.7, 0, 1),
        pressure=through(script.pressure, hours) - ELEVATION_M / 8.4,
        sun_height=height,
        sun_azimuth=azimuth,
        fog=fog,
    )


def any_weather(days: int, seed: int) -> Script:
    """Weather by the dice: a summer's days, one after another."""
    rng = np.random.default_rng(seed)
    clouds = rng.random(days + 1)
    warm = 17 + 5 * rng.random(days + 1) + 6 * (1 - clouds)
    damp = 7 + 5 * rng.random(days + 1)
    half_days = [(24 * d + h, d) for d in range(days + 1) for h in (3.5, 14.5)]
    temperature = [(at, warm[d] if at % 24 > 12 else damp[d] + 2) for at, d in half_days]
    return Script(
        temperature=tuple((at, float(t)) for at, t in temperature),
        dew_point=tuple((24.0 * d, float(t)) for d, t in enumerate(damp)),
        cloud=tuple((24.0 * d, float(c)) for d, c in enumerate(clouds)),
        pressure=tuple((24.0 * d, 1022.0 - 16 * float(c)) for d, c in enumerate(clouds)),
        fog=((0.0, 0.0), (24.0 * days, 0.0)),
    )


class RoofLight(NamedTuple):
    """A roof light as seen from the sensor on the rail.

    faces   [° clockwise from north]          away_m   level distance to it [m]
    left_m, right_m   its edges, seen from the rail, north is right [m]
    below_m, above_m  its lower and upper edge above the rail [m]
    """

    faces: float
    away_m: float
    left_m: float
    right_m: float
    below_m: float
    above_m: float


ROOF_LIGHT = RoofLight(258.0, 1.2, -0.195, 0.230, 0.55, 1.15)


def sun_patch(window: RoofLight, out: Weather) -> Array:
    """Share of the sun's disc and the sensor's dome that see each other through it, 0 to 1."""
    aside = np.radians(out.sun_azimuth - window.faces)
    before = np.abs(aside) < math.pi / 3
    level = np.where(before, np.tan(np.where(before, aside, 0)), np.inf) * window.away_m
    up = np.tan(np.radians(out.sun_height)) / np.where(before, np.cos(aside), 1) * window.away_m
    inside = np.minimum(
        np.minimum(level - window.left_m, window.right_m - level),
        np.minimum(up - window.below_m, window.above_m - up),
    )
    return np.clip(inside / 0.02, 0, 1) * (out.sun_height > 0)
