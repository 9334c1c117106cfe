"""The air by hours: as it is read from the store, each hour once, and as a batch hung in it.

In the air to come each member of a batch lives through days of its own about the space's usual day.
Where the space's next day is foreseen, a member lives through one of its likely courses first, and
then through days that begin where that course ended.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import NextDay
from monitor.ahead.grid import STEP_MIN
from monitor.drying.members import COUNT, Hung, seed

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


def without_holes(
    first_hour: int, temperature_c: Floats, humidity_pct: Floats, minutes: Whole
) -> HourlyAir:
    """Hours one after the other from `first_hour` on, their holes filled: with the mean of the
    same hour of the days before, else with the last hour known, else with the first one known.

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


HORIZON_DAYS = 28
"""No date is given that lies further ahead."""
STEP_H = 3
STEPS_A_DAY = 24 // STEP_H
RECENT_DAYS = 10

# Day-to-day changes of a space's mean air before it has shown its own, and how long they last:
# our own choice.
DAY_SPREAD = (2.0, 8.0)  # K, percent of humidity
DAY_SPREAD_WORTH_DAYS = 4
DAY_KEEPS = 0.7

HUMIDITY_PCT = 1  # the place of the humidity in the first axis; that of the temperature is 0
_LEAST_PCT, _MOST_PCT = 5.0, 98.0


class UsualDay(NamedTuple):
    """A space's last days in short: temperature [°C] and humidity [%].

    hour     epoch hour at which they end
    profile  means of STEP_H hours of a day that begins then, shape (2, STEPS_A_DAY)
    spread   deviation of a day's mean, (2,)
    level    the last day's mean less that of all, (2,)
    worth    how many days that do not hang together they are worth
    """

    hour: int
    profile: Floats
    spread: Floats
    level: Floats
    worth: float


def usual_day(recent: HourlyAir, hour: int) -> UsualDay:
    """The hours of the last RECENT_DAYS before an epoch hour, in short."""
    recent = recent.before(hour).since(hour - 24 * RECENT_DAYS)
    series = np.stack([recent.temperature_c, recent.humidity_pct])
    at_step = (recent.hour - hour) % 24 // STEP_H
    counts = np.bincount(at_step, minlength=STEPS_A_DAY)
    sums = np.stack([np.bincount(at_step, one, STEPS_A_DAY) for one in series])
    middle = series.mean(axis=1, keepdims=True)
    profile = np.where(counts > 0, sums / np.maximum(counts, 1), middle)
    known_days = len(recent) / 24
    days = np.array_split(series, max(int(known_days), 1), axis=1)
    daily = np.stack([day.mean(axis=1) for day in days], axis=1)
    off = daily - daily.mean(axis=1, keepdims=True)
    spread = np.sqrt(
        (DAY_SPREAD_WORTH_DAYS * np.square(DAY_SPREAD) + (off**2).sum(axis=1))
        / (DAY_SPREAD_WORTH_DAYS + len(days) - 1)
    )
    # The mean of a few days that hang together says little of the weeks to come.
    worth = max(known_days, 0.5) * (1 - DAY_KEEPS) / (1 + DAY_KEEPS)
    return UsualDay(hour, profile, spread, off[:, -1], worth)


@dataclass(frozen=True)
class AirToCome:
    """Measured temperature [°C] and humidity [%] of the days to come, for each member.

    usual    of a day, shape (2, STEPS_A_DAY, members)
    days     how far each day's mean is off that, (2, days, members)
    first    the first day as it is foreseen, (2, STEPS_A_DAY, members)
    departs  how far that is off the member's own first day; it dies out as day-to-day changes do,
             (2, members)
    """

    usual: Floats
    days: Floats
    first: Floats
    departs: Floats

    @property
    def steps(self) -> int:
        """How many steps of STEP_H hours."""
        return int(self.days.shape[1]) * STEPS_A_DAY

    def part(self, steps: slice, members: Whole | slice = slice(None)) -> tuple[Floats, Floats]:
        """Temperature and humidity of some whole days' steps, each (steps, members)."""
        begin, end = steps.start // STEPS_A_DAY, -(-steps.stop // STEPS_A_DAY)
        day = np.arange(begin, end)[:, None]
        air = self.usual[:, None, :, members] + self.days[:, begin:end, None, members]
        _bounded(air)
        air += (self.departs[:, None, members] * DAY_KEEPS**day)[:, :, None]
        _bounded(air)
        if begin == 0:
            air[:, 0] = self.first[..., members]
        both = air.reshape(2, (end - begin) * STEPS_A_DAY, -1)[:, : steps.stop - steps.start]
        return both[0], both[1]

    @property
    def mean_c(self) -> float:
        """The mean temperature of all of it [°C]."""
        later = np.arange(1, self.days.shape[1])
        means = self.usual[0].mean() + self.days[0, 1:].mean(axis=1)
        means += self.departs[0].mean() * DAY_KEEPS**later
        return float((self.first[0].mean() + means.sum()) / self.days.shape[1])


def _bounded(air: Floats) -> None:
    np.clip(air[HUMIDITY_PCT], _LEAST_PCT, _MOST_PCT, out=air[HUMIDITY_PCT])


def like_recent_days(hung: Hung, usual: UsualDay, days: int = HORIZON_DAYS) -> AirToCome:
    """For each member its own run of days about the usual one."""
    rng = np.random.default_rng([seed(hung), 4])
    drawn = rng.standard_normal((2, 1 + days, COUNT))
    spread = usual.spread[:, None]
    lasting = drawn[:, 0] * spread * np.sqrt(1 / (1 + usual.worth))
    kicks = drawn[:, 1:] * (spread * np.sqrt(1 - DAY_KEEPS**2))[:, None]
    level = usual.level[:, None] - lasting
    offsets = np.empty((2, days, COUNT))
    for day in range(days):
        level = DAY_KEEPS * level + kicks[:, day]
        offsets[:, day] = lasting + level
    profile = np.repeat(usual.profile[:, :, None], COUNT, axis=2)
    first = profile + offsets[:, :1]
    _bounded(first)
    return AirToCome(profile, offsets, first, np.zeros((2, COUNT)))


class Foreseen(NamedTuple):
    """The likely courses of a space's next day, in means of STEP_H hours.

    hour  epoch hour at which they begin
    air   temperature [°C] and humidity as a sensor would measure it [%], (2, STEPS_A_DAY, courses)
    """

    hour: int
    air: Floats


def foreseen(outlook: NextDay) -> Foreseen:
    """The courses of what is foreseen from a full hour on."""
    each = STEP_H * 60 // STEP_MIN
    both = np.stack([outlook.courses("temperature_c"), outlook.courses("relative_humidity_pct")])
    means = both.reshape(2, both.shape[1], -1, each).mean(axis=3)
    return Foreseen(outlook.asked // 60, means.transpose(0, 2, 1))


def beginning_with(coming: Foreseen, usual: AirToCome) -> AirToCome:
    """The same days after a first day as it is foreseen."""
    members = usual.first.shape[2]
    first = coming.air[..., np.arange(members) * coming.air.shape[2] // members]
    departs = (first - usual.first).mean(axis=1)
    first = first.copy()
    _bounded(first)
    return replace(usual, first=first, departs=departs)


def side_by_side(airs: Sequence[AirToCome]) -> AirToCome:
    """The air of the members of several batches."""
    if len(airs) == 1:
        return airs[0]
    return AirToCome(
        *(
            np.concatenate([getattr(air, name) for air in airs], axis=-1)
            for name in ("usual", "days", "first", "departs")
        )
    )
