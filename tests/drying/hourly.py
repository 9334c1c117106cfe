"""Hours of air from minutes, for tests and benchmarks that have no store."""

from __future__ import annotations

import numpy as np

from monitor.drying.hours import Floats, HourlyAir, Whole, without_holes


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
