"""Whether the sun shone, from the air outdoors: for a rail on which no light is measured.

A sunny hour is drier than that hour was of late, and warmer than the day's coldest. From these two
alone each hour gets a probability of sunshine (a beam of over 120 W/m², as the WMO counts it). The
constants were fitted by logistic regression to the typical years of Sand Point, Alaska, and Miami,
Florida, sun above 5°, 11 April to 7 October; `bench_adviser` holds them against Greensboro, North
Carolina, which they never saw.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Log odds: constant, per 10 % of humidity above the usual, per ln(1 + K above the day's coldest).
_CONSTANT, _HUMIDITY, _WARMTH = -1.896, -0.483, 1.592
# What is usual for an hour: the median of so many days before.
_USUAL_DAYS = 15
_FEWEST_DAYS = 3


def chance_of_sun(outdoor_c: Floats, outdoor_pct: Floats) -> Floats:
    """Probability that the sun shone, hour by hour; at night it says nothing.

    outdoor_c, outdoor_pct  temperature [°C] and humidity [%] of the hours of local days one after
                            the other, shape (days, 24), NaN where unknown
    returns                 [-], shape (days, 24); NaN where the day or those before are not known
    """
    chance = np.full(outdoor_c.shape, np.nan)
    known = np.flatnonzero(np.isfinite(outdoor_c + outdoor_pct).all(axis=1))
    for day in range(len(outdoor_c)):
        before = known[(known >= day - _USUAL_DAYS) & (known < day)]
        if before.size < _FEWEST_DAYS:
            continue
        damper = outdoor_pct[day] - np.median(outdoor_pct[before], axis=0)
        warmer = outdoor_c[day] - outdoor_c[day].min()
        odds = np.exp(_CONSTANT + _HUMIDITY * damper / 10 + _WARMTH * np.log1p(warmer))
        chance[day] = odds / (1 + odds)
    return chance
