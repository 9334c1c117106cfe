"""Where the sun stands."""

from __future__ import annotations

from datetime import UTC, datetime

from astral import Observer
from astral.sun import elevation


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
