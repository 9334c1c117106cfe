"""Means by hour from the minutes of air, as the dryness of batches is worked out from them."""

from __future__ import annotations

import numpy as np

from monitor.drying.hour_means import NO_HOURS, HourMeans
from monitor.store.reader import Reader

_COLUMNS = ("temperature_c", "relative_humidity_pct", "illuminance_lx")


class HoursOfAir:
    """The reader's minutes as an archive of hours; where only ten-minute means are left, those."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end of a space, where there are any."""
        if begin >= end:
            return NO_HOURS
        air = self._reader.air_of(space, begin, end, _COLUMNS)
        temperature, humidity, light = (air[column] for column in _COLUMNS)
        hour = np.arange(begin, end) // 60
        slot = hour - hour[0]
        both = ~np.isnan(temperature) & ~np.isnan(humidity)
        count = int(slot[-1]) + 1
        minutes = np.bincount(slot[both], minlength=count)
        with np.errstate(invalid="ignore"):
            mean_c = np.bincount(slot[both], temperature[both], count) / minutes
            mean_pct = np.bincount(slot[both], humidity[both], count) / minutes
        dose = np.bincount(slot, np.nan_to_num(light), count) / 60
        heard = both | ~np.isnan(light)
        there = np.flatnonzero(np.bincount(slot[heard], minlength=count))
        return HourMeans(
            hour[0] + there, mean_c[there], mean_pct[there], minutes[there], dose[there]
        )
