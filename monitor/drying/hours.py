"""The air by hours: as it is read from the store, each hour once, and as a batch hung in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple, Protocol

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


AT_A_TIME_H = 8 * 7 * 24  # read in some 50 ms


class HourMeans(NamedTuple):
    """Means of the known minutes of several hours, as arrays of one length in order of time.

    hour        epoch hours
    minutes     of which temperature and humidity are known; of none, both are NaN
    light_lx_h  light dose [lx·h]
    """

    hour: Whole
    temperature_c: Floats
    humidity_pct: Floats
    minutes: Whole
    light_lx_h: Floats


NO_HOURS = HourMeans(
    np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.int64), np.empty(0)
)


class HoursKept(Protocol):
    """What is read back of the minutes of air."""

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end of a space, where there are any."""


class KnownHours:
    """Whole hours of each space, remembered from the first to the last that was asked for."""

    def __init__(self, kept: HoursKept) -> None:
        self._kept = kept
        self._hours: dict[str, HourMeans] = {}
        self._span: dict[str, tuple[int, int]] = {}  # from which hour to which they hold
        self._parts: dict[tuple[str, int, int], HourMeans] = {}  # of hours, by their minutes

    def forget_since(self, minute: int) -> None:
        """The air from this minute on has changed."""
        hour = minute // 60
        self._parts = {key: part for key, part in self._parts.items() if key[2] <= minute}
        for space, (first, end) in list(self._span.items()):
            if hour < end:
                self._span[space] = (first, max(first, hour))

    def means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end."""
        first, last = -(-begin // 60), end // 60
        if first > last:  # inside one hour
            return self._part(space, begin, end)
        parts = [self._whole(space, first, last)]
        if begin < first * 60:
            parts.insert(0, self._part(space, begin, first * 60))
        if last * 60 < end:
            parts.append(self._part(space, last * 60, end))
        return parts[0] if len(parts) == 1 else _joined(*parts)

    def _part(self, space: str, begin: int, end: int) -> HourMeans:
        """A part of an hour, as of one in which a batch was hung or moved."""
        key = (space, begin, end)
        if key not in self._parts:
            self._parts[key] = self._kept.hour_means(space, begin, end)
        return self._parts[key]

    def read(self, space: str, begin: int, end: int) -> Iterator[None]:
        """Read the whole hours in begin ≤ minute < end that were not read yet, piece by piece."""
        first, last = -(-begin // 60), end // 60
        while True:
            known_first, known_last = self._span.get(space, (first, first))
            if first < known_first:
                self._whole(space, max(first, known_first - AT_A_TIME_H), known_first)
            elif last > known_last:
                self._whole(space, known_last, min(last, known_last + AT_A_TIME_H))
            else:
                return
            yield

    def _whole(self, space: str, first: int, last: int) -> HourMeans:
        known_first, known_last = self._span.get(space, (first, first))
        hours = _between(self._hours.get(space, NO_HOURS), known_first, known_last)
        if first < known_first:
            hours = _joined(self._kept.hour_means(space, first * 60, known_first * 60), hours)
        if last > known_last:
            hours = _joined(hours, self._kept.hour_means(space, known_last * 60, last * 60))
        self._hours[space] = hours
        self._span[space] = (min(first, known_first), max(last, known_last))
        return _between(hours, first, last)


def _joined(*parts: HourMeans) -> HourMeans:
    return HourMeans(*map(np.concatenate, zip(*parts, strict=True)))


def _between(hours: HourMeans, first: int, end: int) -> HourMeans:
    """Those in first ≤ hour < end."""
    there = slice(*np.searchsorted(hours.hour, (first, end)).tolist())
    return HourMeans._make(column[there] for column in hours)
