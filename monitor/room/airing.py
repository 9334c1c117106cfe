"""Whether opening up would dry a space or wet it."""

from __future__ import annotations

import math

from monitor.room.air import MinuteOfAir
from monitor.science import moist_air

# What an ordinary, well-kept sensor may be wrong by: data sheets of common digital sensors say
# 0.2 to 0.3 K and 2 to 3 %.
SENSOR_TEMPERATURE_K = 0.3
SENSOR_HUMIDITY_PCT = 3.0

# After an airing the room holds outdoor air, a little warmed by its walls: this share of the
# difference in temperature is left. Our own choice, from no source.
WARMTH_LEFT = 0.22


def airing_helps(
    indoors: MinuteOfAir | None, outdoors: MinuteOfAir | None, pressure_pa: float
) -> bool | None:
    """Whether opening up now would leave the space with drier air; None: cannot be told.

    pressure_pa  air pressure at the site [Pa]

    Three things must hold. The air indoors carries more water than that outdoors, by twice what
    the sensors may be wrong by in this very air. The air the room would then have pulls harder on
    water: cold night air can carry little and still wet a room, by cooling it. And no surface
    indoors is colder than the dew point outdoors.
    """
    if indoors is None or outdoors is None:
        return None
    inside, outside = _known(indoors), _known(outdoors)
    if inside is None or outside is None:
        return None
    gain = _ratio(*inside, pressure_pa) - _ratio(*outside, pressure_pa)
    doubt = math.hypot(
        humidity_ratio_doubt(*inside, pressure_pa), humidity_ratio_doubt(*outside, pressure_pa)
    )
    if gain < 2 * doubt or _would_wet_a_surface(indoors, outdoors):
        return False
    return _pull_after(inside, outside) > moist_air.vapour_pressure_deficit(*inside)


def humidity_ratio_doubt(
    temperature_c: float, relative_humidity_pct: float, pressure_pa: float
) -> float:
    """Standard uncertainty of a humidity ratio told by one sensor in this air [kg/kg].

    The two errors are independent: √((∂W/∂T · u_T)² + (∂W/∂RH · u_RH)²), by central differences.

    >>> round(1000 * humidity_ratio_doubt(20, 50, 101325), 2)
    0.46
    """
    warmer = _ratio(temperature_c + SENSOR_TEMPERATURE_K, relative_humidity_pct, pressure_pa)
    cooler = _ratio(temperature_c - SENSOR_TEMPERATURE_K, relative_humidity_pct, pressure_pa)
    high = min(100.0, relative_humidity_pct + SENSOR_HUMIDITY_PCT)
    low = max(0.0, relative_humidity_pct - SENSOR_HUMIDITY_PCT)
    by_humidity = (
        (_ratio(temperature_c, high, pressure_pa) - _ratio(temperature_c, low, pressure_pa))
        / (high - low)
        * SENSOR_HUMIDITY_PCT
    )
    return math.hypot((warmer - cooler) / 2, by_humidity)


def _known(air: MinuteOfAir) -> tuple[float, float] | None:
    """Temperature and humidity, where both are known and within what the formulas bear."""
    t, rh = air.temperature_c, air.relative_humidity_pct
    if t is None or rh is None or not (-39.0 <= t <= 59.0 and 0.0 <= rh <= 100.0):
        return None
    return t, rh


def _ratio(temperature_c: float, relative_humidity_pct: float, pressure_pa: float) -> float:
    water = moist_air.vapour_pressure(temperature_c, relative_humidity_pct)
    return moist_air.humidity_ratio(water, pressure_pa)


def _pull_after(inside: tuple[float, float], outside: tuple[float, float]) -> float:
    """Vapour-pressure deficit once the room holds outdoor air [kPa]; negative: fog."""
    temperature = outside[0] + WARMTH_LEFT * (inside[0] - outside[0])
    could_hold = moist_air.saturation_vapour_pressure_liquid(temperature)
    return (could_hold - moist_air.vapour_pressure(*outside)) / 1000


def _would_wet_a_surface(indoors: MinuteOfAir, outdoors: MinuteOfAir) -> bool:
    """Whether the coldest surface indoors, where it is known, lies below the outdoor dew point."""
    if indoors.surface_margin_k is None or indoors.dew_point_c is None:
        return False
    surface = indoors.dew_point_c + indoors.surface_margin_k
    return outdoors.dew_point_c is not None and surface < outdoors.dew_point_c
