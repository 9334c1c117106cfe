"""Whether and how fast mould can grow on a surface: an index, not a promise.

The index M of Hukka and Viitanen 1999 (doi:10.1007/s002260050131) with the sensitivity classes of
Ojanen et al. 2010: 0 none, 1 first trace under a microscope, 3 what the eye sees, 6 all covered.
It is made for walls and timber. A bunch that dries is wet inside for days without going mouldy:
applied to its own water, the index alarms on every healthy batch, so it never is.
"""

from __future__ import annotations

import math
from typing import NamedTuple

# Water activity below which nothing grows.
# Beuchat 1981, Cereal Foods World 26, 345, from a copied table.
NOTHING_GROWS_BELOW = 0.60


class Surface(NamedTuple):
    """How readily mould takes to a surface: the constants of one sensitivity class.

    early, late        k1, pace of growth against pine sapwood below and from index 1 on [-]
    a, b, c            the highest index in a climate: a + b·x - c·x² [-]
    lowest_humidity    no growth below [%]
    decline            how readily it fades again against pine [-], from memory
    """

    early: float
    late: float
    a: float
    b: float
    c: float
    lowest_humidity: float
    decline: float


# Glued boards, paper, spruce. The tests have the other classes too.
SENSITIVE = Surface(0.578, 0.386, 0.3, 6.0, 1.0, 80.0, 0.5)


class Mould(NamedTuple):
    """A surface's mould: the index M [-], and for how long it could not grow [h]."""

    value: float = 0.0
    dry_h: float = 0.0


def critical_humidity(temperature_c: float, surface: Surface) -> float | None:
    """Relative humidity from which mould grows at this temperature.

    temperature_c  of the surface [°C]
    returns        [%]; None at 0 °C and below, and from 50 °C, where it never grows

    Hukka and Viitanen 1999, eq. 1.

    >>> round(critical_humidity(10, SENSITIVE), 2)
    82.03
    """
    t = temperature_c
    if not 0 < t < 50:
        return None
    if t > 20:
        return surface.lowest_humidity
    return max(surface.lowest_humidity, -0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0)


def highest_index(temperature_c: float, humidity_pct: float, surface: Surface) -> float:
    """Index beyond which mould does not grow in this climate [-]; 0 where it cannot grow.

    humidity_pct  at the surface [%]

    Hukka and Viitanen 1999, eq. 5, with the constants of the class.

    >>> round(highest_index(20, 90, SENSITIVE), 3)
    3.045
    """
    critical = critical_humidity(temperature_c, surface)
    if critical is None or humidity_pct < critical:
        return 0.0
    x = (critical - min(humidity_pct, 100.0)) / (critical - 100.0)
    return max(0.0, surface.a + surface.b * x - surface.c * x * x)


def growth(temperature_c: float, humidity_pct: float, index: float, surface: Surface) -> float:
    """Pace of growth at a surface.

    humidity_pct  at the surface [%]; over 100 counts as 100
    index         present mould index [-]
    returns       [1/day], 0 where it cannot grow or has reached the highest index

    Hukka and Viitanen 1999, eq. 2, for pine of average quality; the bracket is in weeks.

    >>> round(growth(20, 90, 0, SENSITIVE), 5)
    0.01963
    """
    critical = critical_humidity(temperature_c, surface)
    if critical is None or humidity_pct < critical:
        return 0.0
    rh = min(humidity_pct, 100.0)
    weeks = math.exp(-0.68 * math.log(temperature_c) - 13.9 * math.log(rh) + 66.02)
    pace = surface.early if index < 1 else surface.late
    room = 1 - math.exp(2.3 * (index - highest_index(temperature_c, rh, surface)))
    return pace * max(room, 0.0) / (7 * weeks)


def decline(dry_h: float, surface: Surface) -> float:
    """Pace of fading once mould cannot grow.

    dry_h    hours since it last could [h]
    returns  [1/day], 0 or below

    Hukka and Viitanen 1999, eq. 6: quick for six hours, then none until a day is over.
    """
    if dry_h < 6:
        return -0.032 * surface.decline
    return 0.0 if dry_h < 24 else -0.016 * surface.decline


def step(before: Mould, temperature_c: float, humidity_pct: float, surface: Surface) -> Mould:
    """The mould of a surface one hour later.

    temperature_c, humidity_pct  mean of the hour at the surface [°C], [%]

    >>> mould = Mould()
    >>> for hour in range(28 * 24):
    ...     mould = step(mould, 20, 90, SENSITIVE)
    >>> round(mould.value, 2)
    0.55
    """
    critical = critical_humidity(temperature_c, surface)
    if critical is not None and humidity_pct >= critical:
        grown = before.value + growth(temperature_c, humidity_pct, before.value, surface) / 24
        return Mould(grown, 0.0)
    faded = max(0.0, before.value + decline(before.dry_h, surface) / 24)
    return Mould(faded, before.dry_h + 1)
