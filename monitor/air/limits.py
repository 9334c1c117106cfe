"""A space's settings → the limits its watches compare with, and the value each compares."""

from __future__ import annotations

from typing import NamedTuple

from monitor.air.minute import MinuteOfAir
from monitor.air.musty import Musty, surface_of
from monitor.air.spells import Limit
from monitor.site.kinds import Kind
from monitor.site.spaces import Space

# How far back inside a limit ends a spell. Our own choice within the 0.5–1 K, 3–5 % and 0.5 K of
# dew margin that suit a slow shed (after EEMUA 191's starting points for alarm deadbands).
DEADBAND_TEMPERATURE_K = 0.5
DEADBAND_HUMIDITY_PCT = 3.0
DEADBAND_DEW_K = 0.5
DEADBAND_LIGHT_SHARE = 0.2  # of the limit
DEADBAND_MUSTY_SHARE = 0.1  # of the limit


def limits_of(space: Space) -> tuple[Limit, ...]:
    """The limits of a space, those that are set."""
    set_, delay = space.limits, space.delays
    limits: list[Limit] = []
    if set_.hot_c is not None:
        limits.append(Limit(Kind.HOT, set_.hot_c, DEADBAND_TEMPERATURE_K, True, delay.hot))
    if set_.cold_c is not None:
        limits.append(Limit(Kind.COLD, set_.cold_c, DEADBAND_TEMPERATURE_K, False, delay.cold))
    if set_.damp_pct is not None:
        limits.append(_damp(space, set_.damp_pct))
    if set_.arid_pct is not None:
        limits.append(Limit(Kind.ARID, set_.arid_pct, DEADBAND_HUMIDITY_PCT, False, delay.arid))
    if set_.sun_lux is not None:
        deadband = DEADBAND_LIGHT_SHARE * set_.sun_lux
        limits.append(Limit(Kind.SUNNY, set_.sun_lux, deadband, True, delay.sunny))
    if set_.dew_margin_k is not None:
        limits.append(Limit(Kind.DEWY, set_.dew_margin_k, DEADBAND_DEW_K, False, delay.dewy))
    if set_.musty_index is not None:
        deadband = DEADBAND_MUSTY_SHARE * set_.musty_index
        limits.append(Limit(Kind.MUSTY, set_.musty_index, deadband, True, 0))
    return tuple(limits)


def limit_once_crisp(space: Space) -> Limit | None:
    """The limit that holds only while something crisp hangs in the space; None: there is none."""
    arid_pct = space.limits.arid_once_crisp_pct
    if arid_pct is None:
        return None
    return Limit(Kind.ARID, arid_pct, DEADBAND_HUMIDITY_PCT, False, space.delays.arid)


def _damp(space: Space, damp_pct: float) -> Limit:
    return Limit(
        Kind.DAMP,
        damp_pct,
        DEADBAND_HUMIDITY_PCT,
        True,
        0 if space.limits.damp_is_daily_mean else space.delays.damp,
        space.limits.damp_now_pct,
        0 if space.limits.damp_is_daily_mean else space.delays.damp_now,
    )


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
    if kind in (Kind.HOT, Kind.COLD):
        return air.temperature_c
    if kind is Kind.SUNNY:
        return air.illuminance_lx
    if kind is Kind.DEWY:
        return air.surface_margin_k
    if kind is Kind.MUSTY:
        return None if surface_of(air) is None else musty.measured()
    if kind is Kind.DAMP and space.limits.damp_is_daily_mean:
        return None if air.relative_humidity_pct is None else humidity.mean()
    return air.relative_humidity_pct
