"""Where the sun stands, and how its beam meets a pane.

astral does the astronomy. Angles in degrees; azimuth clockwise from north; elevation with the
refraction of ordinary air, as the eye sees it. Good to 0.02° by day, where a degree is all that
the edge of a window asks.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
from astral import Observer
from astral.sun import elevation, zenith_and_azimuth

# Direct-beam illuminance outside the atmosphere [lx] and how clear air thins it:
# E = 127,500 · exp(-0.21 · m), Illuminating Engineering Society, RP-21-1984, clear sky, from
# memory, with air mass m of Kasten and Young 1989 (doi:10.1364/AO.28.004735).
_SOLAR_ILLUMINANCE_LX = 127_500.0
_CLEAR_EXTINCTION = 0.21


class SunPosition(NamedTuple):
    """Where the sun stands [°]; below the horizon the elevation is negative."""

    elevation_deg: float
    azimuth_deg: float


def sun_position(latitude: float, longitude: float, epoch_minute: float) -> SunPosition:
    """Where the sun stands.

    latitude, longitude  [°], north and east positive
    epoch_minute         minutes since 1970-01-01 00:00 UTC
    returns              elevation with refraction, and azimuth [°]
    raises               ValueError naming the value that is out of range

    Meeus 1998, Astronomical Algorithms, as astral carries it out.

    >>> at = sun_position(52.0, 0.0, 29175120)  # 2025-06-21 12:00 UTC
    >>> round(at.elevation_deg, 1), round(at.azimuth_deg, 1)
    (61.4, 179.1)
    """
    if not -90 <= latitude <= 90:
        raise ValueError(f"latitude is {latitude} °; expected -90 to 90 °")
    if not -180 <= longitude <= 180:
        raise ValueError(f"longitude is {longitude} °; expected -180 to 180 °")
    at = datetime.fromtimestamp(epoch_minute * 60, UTC)
    zenith, azimuth = zenith_and_azimuth(Observer(latitude, longitude, 0.0), at)
    return SunPosition(90.0 - zenith, azimuth)


def incidence(sun: SunPosition, tilt_deg: float, facing_deg: float) -> float:
    """Angle between the beam and the line square to a pane.

    tilt_deg    of the pane from lying flat [°], 0 to 90: a wall's window 90, a roof light less
    facing_deg  compass direction it looks to [°]
    returns     [°], 0 to 180; at 90 and above the sun is behind it

    cos θ = sin z · sin β · cos(A - γ) + cos z · cos β. Duffie and Beckman 2013, Solar Engineering
    of Thermal Processes, ch. 1.6, from memory.

    >>> round(incidence(SunPosition(90 - 50.11162, 194.34024), 30, 170), 3)
    25.187
    """
    height, tilt = math.radians(sun.elevation_deg), math.radians(tilt_deg)
    aside = math.radians(sun.azimuth_deg - facing_deg)
    cosine = math.cos(height) * math.sin(tilt) * math.cos(aside)
    cosine += math.sin(height) * math.cos(tilt)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def clear_beam(elevation_deg: float) -> float:
    """Illuminance of the sun's beam, square to it, under a clear sky.

    elevation_deg  [°]
    returns        [lx]; 0 where the sun is down

    >>> round(clear_beam(60), -3)
    100000.0
    """
    if elevation_deg <= 0:
        return 0.0
    height = math.radians(elevation_deg)
    air_mass = 1 / (math.sin(height) + 0.50572 * (elevation_deg + 6.07995) ** -1.6364)
    return _SOLAR_ILLUMINANCE_LX * math.exp(-_CLEAR_EXTINCTION * air_mass)


def glass_transmittance(incidence_deg: float) -> float:
    """Share of the beam that clear single glass lets through.

    incidence_deg  [°], 0 to 180
    returns        [-]: about 0.82 up to 50°, 0.65 at 70°, 0.4 at 80°, 0 from 90° (from memory)

    >>> glass_transmittance(30), glass_transmittance(80), glass_transmittance(100)
    (0.82, 0.4, 0.0)
    """
    return float(np.interp(incidence_deg, (50.0, 70.0, 80.0, 90.0), (0.82, 0.65, 0.4, 0.0)))


def sun_elevation(latitude: float, longitude: float, epoch_s: float) -> float:
    """Elevation of the sun's middle above the horizon, without refraction.

    latitude, longitude  WGS 84, north and east positive [°]
    epoch_s              UTC epoch [s], years 1901 to 2099
    returns              -90 to 90 [°], within 0.02° of NREL's SPA (Reda and Andreas 2004,
                         Solar Energy 76, 577-589, doi:10.1016/j.solener.2003.12.003)

    By astral, after Meeus 1998, Astronomical Algorithms, ch. 25.

    >>> round(sun_elevation(54.9, -2.1, 1_783_166_400), 1)
    57.9
    """
    moment = datetime.fromtimestamp(epoch_s, UTC)
    return float(elevation(Observer(latitude, longitude), moment, with_refraction=False))
