"""Means of a space's air by hour, each hour read from the store once."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray


class HourMeans(NamedTuple):
    """Means of the known minutes of several hours, as arrays of one length in order of time.

    hour        epoch hours
    minutes     of which temperature and humidity are known; of none, both are NaN
    light_lx_h  light dose [lx·h]
    """

    hour: NDArray[np.int64]
    temperature_c: NDArray[np.float64]
    humidity_pct: NDArray[np.float64]
    minutes: NDArray[np.int64]
    light_lx_h: NDArray[np.float64]


NO_HOURS = HourMeans(
    np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.int64), np.empty(0)
)


class Archive(Protocol):
    """Where the minutes of air are."""

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end of a space, where there are any."""


class KnownHours:
    """Whole hours of each space, remembered from the first to the last that was asked for."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._hours: dict[str, HourMeans] = {}
        self._span: dict[str, tuple[int, int]] = {}  # from which hour to which they hold

    def forget_since(self, minute: int) -> None:
        """The air from this minute on has changed."""
        hour = minute // 60
        for space, (first, end) in list(self._span.items()):
            if hour < end:
                self._span[space] = (first, max(first, hour))

    def means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end; a part of an hour is read anew."""
        first, last = -(-begin // 60), end // 60
        if first > last:  # inside one hour
            return self._archive.hour_means(space, begin, end)
        return _joined(
            self._archive.hour_means(space, begin, first * 60),
            self._whole(space, first, last),
            self._archive.hour_means(space, last * 60, end),
        )

    def read_on(self, space: str, begin: int, end: int, most: int) -> bool:
        """Read at most so many of the whole hours in begin ≤ minute < end that were not read yet;
        whether there were any."""
        first, last = -(-begin // 60), end // 60
        known_first, known_last = self._span.get(space, (first, first))
        if first < known_first:
            self._whole(space, max(first, known_first - most), known_first)
        elif last > known_last:
            self._whole(space, known_last, min(last, known_last + most))
        else:
            return False
        return True

    def _whole(self, space: str, first: int, last: int) -> HourMeans:
        known_first, known_last = self._span.get(space, (first, first))
        hours = _between(self._hours.get(space, NO_HOURS), known_first, known_last)
        if first < known_first:
            hours = _joined(self._archive.hour_means(space, first * 60, known_first * 60), hours)
        if last > known_last:
            hours = _joined(hours, self._archive.hour_means(space, known_last * 60, last * 60))
        self._hours[space] = hours
        self._span[space] = (min(first, known_first), max(last, known_last))
        return _between(hours, first, last)


def _joined(*parts: HourMeans) -> HourMeans:
    return HourMeans(*map(np.concatenate, zip(*parts, strict=True)))


def _between(hours: HourMeans, first: int, end: int) -> HourMeans:
    """Those in first ≤ hour < end."""
    there = slice(*np.searchsorted(hours.hour, (first, end)).tolist())
    return HourMeans._make(column[there] for column in hours)
