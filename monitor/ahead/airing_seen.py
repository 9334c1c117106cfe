"""Hours in which airing would have helped a space: those that were used, and those missed.

Nobody tells when a window stands open; the water in the air does. Shut, a room with flowers in it
carries more water than the drier air outside. Opened, it comes down to that within the hour, and
stays there until the window is shut again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from monitor.ahead.airing import Airing, Verb, consider_each
from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air

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
        dries = airing.verb is Verb.OPEN and airing.vpd_after > airing.vpd_now  # not only cools
        if dries:
            is_open = _comes_down(told, water, i, within)
            if not is_open:
                gained_kpa += airing.vpd_after - airing.vpd_now
        elif airing.verb is Verb.CLOSE:
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
    if t is None or rh is None or not (-40.0 <= t <= 60.0 and 0.0 <= rh <= 100.0):
        return math.nan
    return 1000 * moist_air.humidity_ratio(moist_air.vapour_pressure(t, rh), pressure_pa)
