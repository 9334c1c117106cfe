"""The air to come, as a batch that hangs in it will feel it.

Each member of a batch lives through days of its own about the space's usual day. Where the space's
next day is foreseen, a member lives through one of its likely courses first, and then through days
that begin where that course ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import NextDay
from monitor.ahead.grid import STEP_MIN
from monitor.drying.ensemble import Ensemble
from monitor.drying.hours import HourlyAir
from monitor.drying.members import seed

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

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


def like_recent_days(ensemble: Ensemble, usual: UsualDay, days: int = HORIZON_DAYS) -> AirToCome:
    """For each member its own run of days about the usual one."""
    count = ensemble.points.shape[0]
    rng = np.random.default_rng([seed(ensemble.hung), 4])
    drawn = rng.standard_normal((2, 1 + days, count))
    spread = usual.spread[:, None]
    lasting = drawn[:, 0] * spread * np.sqrt(1 / (1 + usual.worth))
    kicks = drawn[:, 1:] * (spread * np.sqrt(1 - DAY_KEEPS**2))[:, None]
    level = usual.level[:, None] - lasting
    offsets = np.empty((2, days, count))
    for day in range(days):
        level = DAY_KEEPS * level + kicks[:, day]
        offsets[:, day] = lasting + level
    profile = np.repeat(usual.profile[:, :, None], count, axis=2)
    first = profile + offsets[:, :1]
    _bounded(first)
    return AirToCome(profile, offsets, first, np.zeros((2, count)))


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
