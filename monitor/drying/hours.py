"""The air a batch hung in, hour by hour, from its minutes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

DAYS_LOOKED_BACK = 7
"""An hour without readings is taken like the same hour of so many days before it."""


@dataclass(frozen=True)
class HourlyAir:
    """Air hour by hour, without holes in between.

    hour               epoch hours, each one after the other
    temperature_c      mean of the hour [°C]; NaN only if no minute was ever known
    humidity_pct       mean relative humidity of the hour [%]; NaN likewise
    known              share of the hour's minutes that were known [-], 0 to 1
    """

    hour: Whole
    temperature_c: Floats
    humidity_pct: Floats
    known: Floats

    def __len__(self) -> int:
        return int(self.hour.size)

    def since(self, hour: int) -> HourlyAir:
        """From that epoch hour on."""
        return self.part(int(np.searchsorted(self.hour, hour)), len(self))

    def before(self, hour: int) -> HourlyAir:
        """Before that epoch hour."""
        return self.part(0, int(np.searchsorted(self.hour, hour)))

    def part(self, first: int, end: int) -> HourlyAir:
        """Hours by their place, first to before end."""
        kept = slice(first, end)
        return HourlyAir(
            self.hour[kept], self.temperature_c[kept], self.humidity_pct[kept], self.known[kept]
        )


def hourly(
    minute: Whole, temperature_c: Floats, humidity_pct: Floats, first_hour: int, end_hour: int
) -> HourlyAir:
    """Hours [first_hour, end_hour) from minutes of air; a function of the set of minutes alone.

    minute         epoch minutes, in any order; those outside the hours are not looked at
    temperature_c  [°C], NaN where unknown
    humidity_pct   relative humidity [%], NaN where unknown

    An hour's air is the mean of its known minutes. An hour without any is filled with the mean
    of the same hour of the days before it, else with the last hour known, else with the first
    one known.
    """
    count = max(end_hour - first_hour, 0)
    slot = np.asarray(minute) // 60 - first_hour
    good = (slot >= 0) & (slot < count) & np.isfinite(temperature_c) & np.isfinite(humidity_pct)
    # Summed in order of time, so that the order of arrival leaves no trace in the last digit.
    order = np.flatnonzero(good)[np.argsort(minute[good], kind="stable")]
    slot = slot[order]
    seen = np.bincount(slot, minlength=count)
    with np.errstate(invalid="ignore"):
        temperature = np.bincount(slot, temperature_c[order], count) / seen
        humidity = np.bincount(slot, humidity_pct[order], count) / seen
    return without_holes(first_hour, temperature, humidity, seen)


def without_holes(
    first_hour: int, temperature_c: Floats, humidity_pct: Floats, minutes: Whole
) -> HourlyAir:
    """Hours one after the other from `first_hour` on, their holes filled as `hourly` says.

    temperature_c, humidity_pct  means of the known minutes of each hour, NaN where there are none
    minutes                      how many were known
    """
    return HourlyAir(
        hour=np.arange(first_hour, first_hour + len(minutes), dtype=np.int64),
        temperature_c=_filled(temperature_c),
        humidity_pct=_filled(humidity_pct),
        known=np.minimum(minutes / 60, 1.0),
    )


def _filled(series: Floats) -> Floats:
    """The series with its holes filled, each from what lies before it."""
    holes = np.flatnonzero(np.isnan(series))
    known = np.flatnonzero(~np.isnan(series))
    if holes.size == 0 or known.size == 0:
        return series
    filled = series.copy()
    for hole in holes:
        alike = series[max(hole % 24, hole - 24 * DAYS_LOOKED_BACK) : hole : 24]
        alike = alike[~np.isnan(alike)]
        if alike.size:
            filled[hole] = alike.mean()
        else:
            before = known[known < hole]
            filled[hole] = series[before[-1] if before.size else known[0]]
    return filled
