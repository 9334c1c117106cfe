"""A space's settings → the limits its watches compare with, and the value each compares."""

from __future__ import annotations

from typing import NamedTuple

from monitor.air.minute import MinuteOfAir
from monitor.air.musty import Musty, surface_of
from monitor.air.spells import Limit
from monitor.site.kinds import Kind
from monitor.site.spaces import Space


def limits_of(space: Space) -> tuple[Limit, ...]:
    """The limits of a space, those that are set."""
    found = ((kind, getattr(space.limits, kind.row.limit)) for kind in Kind if kind.row.limit)
    return tuple(_limit(space, kind, value) for kind, value in found if value is not None)


def limit_once_crisp(space: Space) -> Limit | None:
    """The limit that holds only while something crisp hangs in the space; None: there is none."""
    arid_pct = space.limits.arid_once_crisp_pct
    return None if arid_pct is None else _limit(space, Kind.ARID, arid_pct)


def _limit(space: Space, kind: Kind, value: float) -> Limit:
    row, delays = kind.row, space.delays
    deadband = row.deadband * value if row.of_limit else row.deadband
    limit = Limit(kind, value, deadband, row.above, getattr(delays, row.delay) if row.delay else 0)
    if kind is not Kind.DAMP:
        return limit
    urgent = limit._replace(
        urgent_value=space.limits.damp_now_pct, urgent_delay_min=delays.damp_now
    )
    mean = space.limits.damp_is_daily_mean
    return urgent._replace(delay_min=0, urgent_delay_min=0) if mean else urgent


class DailyMean(NamedTuple):
    """Running sums of the last 24 full hours and the one going on.

    hours   (hour of the epoch, sum, count) of known minutes, oldest first
    """

    hours: tuple[tuple[int, float, int], ...] = ()

    def with_minute(self, minute: int, value: float | None) -> DailyMean:
        """One minute further."""
        hour = minute // 60
        hours = self.hours
        if hours and hours[0][0] <= hour - 24:
            hours = tuple(h for h in hours if h[0] > hour - 24)
        if value is None:
            return DailyMean(hours)
        if hours and hours[-1][0] == hour:
            _, total, count = hours[-1]
            return DailyMean((*hours[:-1], (hour, total + value, count + 1)))
        return DailyMean((*hours, (hour, value, 1)))

    def mean(self) -> float | None:
        """The mean; None unless at least half the day is known."""
        count = sum(h[2] for h in self.hours)
        return sum(h[1] for h in self.hours) / count if count >= 720 else None


def measured(
    kind: Kind, space: Space, air: MinuteOfAir | None, humidity: DailyMean, musty: Musty
) -> float | None:
    """The value that a limit of this kind compares with in this minute."""
    if air is None:
        return None
    if kind is Kind.MUSTY:
        return None if surface_of(air) is None else musty.measured()
    value: float | None = getattr(air, kind.row.column)
    if kind is Kind.DAMP and space.limits.damp_is_daily_mean:
        return None if value is None else humidity.mean()
    return value
