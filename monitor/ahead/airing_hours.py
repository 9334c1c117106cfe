"""Hours in which airing helps a space: the best to come; those that were used, and those missed.

Nobody tells when a window stands open; the water in the air does. Shut, a room with flowers in it
carries more water than the drier air outside. Opened, it comes down to that within the hour, and
stays there until the window is shut again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.airing import WARMTH_LEFT, WORTH_OPENING, Airing, Doors, consider_each
from monitor.ahead.courses import NextDay
from monitor.ahead.sensors_apart import UNTAUGHT, SameAir, difference
from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air

Floats = NDArray[np.float64]

# An airing advised for later lasts at least so long [h].
SHORTEST_H = 1.0
# One in ten to nine in ten of a normal spread, in standard deviations.
_P10_TO_P90 = 2.563

# Opened: within an hour the air indoors lost this share of the water it had more than outdoors,
# and not because it grew damper outside. Our own choice.
_LOST_SHARE = 0.5
_WITHIN_MIN = 60


class AiringSeen(NamedTuple):
    """Hours of a span in which good air was outside.

    used_h        the space was open
    missed_h      it was shut
    missed_kpa_h  drying load that opening up would have added in the missed hours [kPa·h]
    known_h       hours that could be looked at
    """

    used_h: float
    missed_h: float
    missed_kpa_h: float
    known_h: float


def airing_seen(
    indoors: Sequence[MinuteOfAir],
    outdoors: Sequence[MinuteOfAir],
    pressure_pa: float,
    step_min: int,
    hot_c: float | None = None,
) -> AiringSeen:
    """What was made of the good air outside.

    indoors, outdoors  air of the same minutes, every `step_min` [min]
    pressure_pa        air pressure at the site [Pa]
    hot_c              limit of the space [°C]
    """
    told = consider_each(indoors, outdoors, pressure_pa, hot_c)
    water = [_ratio_g_kg(outside, pressure_pa) for outside in outdoors]
    within = max(1, _WITHIN_MIN // step_min)
    used = missed = 0
    gained_kpa = 0.0
    is_open = False
    for i, airing in enumerate(told):
        if airing is None:
            is_open = False
            continue
        dries = airing.verb is Doors.OPEN and airing.vpd_after > airing.vpd_now  # not only cools
        if dries:
            is_open = _comes_down(told, water, i, within)
            if not is_open:
                gained_kpa += airing.vpd_after - airing.vpd_now
        elif airing.verb is Doors.CLOSE:
            is_open = False
        used += is_open
        missed += dries and not is_open
    hours = step_min / 60
    known = sum(airing is not None for airing in told)
    return AiringSeen(used * hours, missed * hours, gained_kpa * hours, known * hours)


def _comes_down(
    told: Sequence[Airing | None], outdoors_g_kg: Sequence[float], i: int, within: int
) -> bool:
    """Whether the water indoors falls to that outdoors soon after, by its own loss."""
    now = told[i]
    for k in range(i + 1, min(i + 1 + within, len(told))):
        later = told[k]
        if now is None or later is None:
            return False
        damper_outside = max(0.0, outdoors_g_kg[k] - outdoors_g_kg[i])
        if later.gain_g_kg + damper_outside <= (1 - _LOST_SHARE) * now.gain_g_kg:
            return True
    return False


def _ratio_g_kg(air: MinuteOfAir, pressure_pa: float) -> float:
    """Water in the air [g/kg]; NaN where it is not known."""
    t, rh = air.temperature_c, air.relative_humidity_pct
    if t is None or rh is None:
        return math.nan
    if not (moist_air.COLDEST_C <= t <= moist_air.HOTTEST_C and 0.0 <= rh <= 100.0):
        return math.nan
    return 1000 * moist_air.humidity_ratio(moist_air.vapour_pressure(t, rh), pressure_pa)


class AirAhead(NamedTuple):
    """The coming hours of one space: arrays by minute, each quantity as p10, p50 and p90.

    minute             UTC epoch minutes, evenly spaced
    temperature_c      (p10, p50, p90) [°C]
    ratio_g_kg         (p10, p50, p90) humidity ratio [g/kg]
    """

    minute: NDArray[np.int64]
    temperature_c: tuple[Floats, Floats, Floats]
    ratio_g_kg: tuple[Floats, Floats, Floats]


class AiringHours(NamedTuple):
    """When to air. sure: probability, over the whole of it, that the air outside is the drier;
    gain_kpa: how much harder it would pull on water, in the mean."""

    begins: int
    ends: int
    sure: float
    gain_kpa: float


def best_hours(
    indoors: AirAhead,
    outdoors: AirAhead,
    pressure_pa: float,
    most: int = 2,
    sensors: SameAir = UNTAUGHT,
) -> list[AiringHours]:
    """The best hours to air in the time ahead, the best first; empty where none pays.

    The rule of `consider`, with the spread of what is foreseen added to the sensors' doubt.
    """
    if indoors.minute.size < 2 or not np.array_equal(indoors.minute, outdoors.minute):
        return []
    pays, sure, gains = _ahead(indoors, outdoors, pressure_pa, sensors)
    step = int(indoors.minute[1] - indoors.minute[0])
    found: list[AiringHours] = []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], pays, [False]]).astype(int)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if (end - first) * step >= SHORTEST_H * 60:
            part = slice(int(first), int(end))
            begins = int(indoors.minute[first])
            found.append(
                AiringHours(
                    begins,
                    begins + step * int(end - first),
                    float(sure[part].mean()),
                    float(gains[part].mean()),
                )
            )
    return sorted(found, key=lambda h: -h.gain_kpa * (h.ends - h.begins))[:most]


def _ahead(
    indoors: AirAhead, outdoors: AirAhead, pressure_pa: float, sensors: SameAir
) -> tuple[NDArray[np.bool_], Floats, Floats]:
    """For every minute: whether airing pays, how sure it is, what it gains [kPa]."""
    inside, outside = _foreseen(indoors, pressure_pa), _foreseen(outdoors, pressure_pa)
    gain, of_sensors = difference(sensors, inside, outside, pressure_pa)
    doubt = np.sqrt(of_sensors**2 + _spread(indoors) ** 2 + _spread(outdoors) ** 2)
    now = (1 - inside[1] / 100) * _full(inside[0]) / 1000
    mixed_c = outside[0] + WARMTH_LEFT * (inside[0] - outside[0])
    gains = (_full(mixed_c) - outside[1] / 100 * _full(outside[0])) / 1000 - now
    sure = np.array([NormalDist().cdf(x) for x in gain / doubt])
    return (gain >= 2 * doubt) & (gains > WORTH_OPENING * now), sure, gains


_full = moist_air.saturation_vapour_pressure_liquid_array


def _spread(air: AirAhead) -> Floats:
    """Standard deviation of the humidity ratio foreseen [g/kg]."""
    spread: Floats = (air.ratio_g_kg[2] - air.ratio_g_kg[0]) / _P10_TO_P90
    return spread


def _foreseen(air: AirAhead, pressure_pa: float) -> tuple[Floats, Floats]:
    """Temperature and humidity in the middle of what is foreseen; NaN where out of range."""
    water = moist_air.vapour_pressure_array(air.ratio_g_kg[1], pressure_pa)
    temperature = air.temperature_c[1]
    return temperature, np.minimum(100.0, 100.0 * water / _full(temperature))


def air_ahead(outlook: NextDay) -> AirAhead:
    """The coming hours of a space as they are foreseen."""
    return AirAhead(outlook.minute, outlook.temperature_c, outlook.humidity_ratio_g_kg)
