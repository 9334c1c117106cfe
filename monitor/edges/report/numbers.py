"""The week of a space in numbers, from its minutes of air.

Only what is known is counted: an unknown minute adds nothing, and how many there were is said
beside every sum. Means and sums are taken minute by minute: the pull of the air is a curve that
bends upwards, so a week's mean of it is more than the pull at the week's mean temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from monitor.air.spells import Limit, Spell, limits_of
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site, Space
from monitor.store.queries import Reader

# A daily mean is of the hour going on and the 23 before it, and of half a day known at least.
MEAN_HOURS = 24
MEAN_KNOWN_MIN = 720

OF_AIR = tuple(quantity for quantity in Quantity if quantity.row.column)
_COLUMNS = (*(q.row.column for q in OF_AIR), "dew_point_c", "vpd_kpa", "surface_margin_k")


class Extreme(NamedTuple):
    """A highest or lowest value, and the first minute in which it was reached."""

    value: float
    minute: int


class LimitHours(NamedTuple):
    """Hours past a limit, within it, and not known; the limit in the unit of its kind."""

    kind: Kind
    limit: float
    unit: str
    past_h: float
    within_h: float
    unknown_h: float


class Gap(NamedTuple):
    """A run of minutes in which a quantity is not known, from begin to before end."""

    quantity: Quantity
    begin: int
    end: int

    @property
    def hours(self) -> float:
        """Its length [h]."""
        return (self.end - self.begin) / 60


class SpellHours(NamedTuple):
    """A spell and its share of the week [h]."""

    spell: Spell
    hours: float


@dataclass(frozen=True)
class SpaceWeek:
    """What a week was like in one space.

    past                  minute by minute, whether a limit of this kind is passed
    begin, end            the span that counts [UTC epoch minutes]: later than the week's own
                          beginning where the space was only added then
    minutes               the air, one row for each minute of the span; NaN: not known
    known_h               hours known, for each quantity the space is measured in
    drying_load_kpa_h     ∫ VPD dt over the known minutes; None: none known; light dose likewise
    spells                of its air; those of its sensors are faults
    """

    space: Space
    begin: int
    end: int
    added: bool
    minutes: pd.DataFrame
    known_h: dict[Quantity, float]
    limits: list[LimitHours]
    past: dict[Kind, pd.Series[bool]]
    warmest: Extreme | None
    coldest: Extreme | None
    dampest: Extreme | None
    driest: Extreme | None
    mean_temperature_c: float | None
    mean_humidity_pct: float | None
    mean_vpd_kpa: float | None
    drying_load_kpa_h: float | None
    light_dose_lx_h: float | None
    spells: list[SpellHours]
    gaps: list[Gap]

    @property
    def hours(self) -> float:
        """Hours of the span, known or not."""
        return (self.end - self.begin) / 60

    @property
    def air_known_h(self) -> float:
        """Hours in which both temperature and humidity are known."""
        return float(self.minutes["vpd_kpa"].count()) / 60

    @property
    def air_gaps(self) -> list[tuple[int, int]]:
        """Runs of minutes in which temperature or humidity is missing, if measured here at all."""
        columns = [q.row.column for q in self.known_h if q is not Quantity.ILLUMINANCE]
        return _runs(self.minutes[columns].isna().any(axis=1))


def space_week(reader: Reader, site: Site, space: Space, begin: int, end: int) -> SpaceWeek | None:
    """The numbers of a space from minute begin to before end; None: it was added only later."""
    first = reader.first_minute(space.name)
    if first is not None and first >= end:
        return None
    added = first is not None and first > begin
    start = max(begin, first) if first is not None else begin
    minutes = _minutes(reader, site, space.name, start, end)
    measured = _measured(site, space, minutes)
    touching = [s for s in reader.spells(start, end) if s.space == space.name and s.sensor is None]
    # Mould is a memory of weeks, not of a minute: its spells tell of it.
    limits = [limit for limit in limits_of(space) if limit.kind is not Kind.MUSTY]
    compared = {limit.kind: _compared(reader, space, limit.kind, minutes) for limit in limits}
    return SpaceWeek(
        space=space,
        begin=start,
        end=end,
        added=added,
        minutes=minutes,
        known_h={q: float(minutes[q.row.column].count()) / 60 for q in measured},
        limits=[_limit_hours(limit, compared[limit.kind]) for limit in limits],
        past={limit.kind: _past(limit, compared[limit.kind]) for limit in limits},
        warmest=_extreme(minutes["temperature_c"], highest=True),
        coldest=_extreme(minutes["temperature_c"], highest=False),
        dampest=_extreme(minutes["relative_humidity_pct"], highest=True),
        driest=_extreme(minutes["relative_humidity_pct"], highest=False),
        mean_temperature_c=_mean(minutes["temperature_c"]),
        mean_humidity_pct=_mean(minutes["relative_humidity_pct"]),
        mean_vpd_kpa=_mean(minutes["vpd_kpa"]),
        drying_load_kpa_h=_integral(minutes["vpd_kpa"]),
        light_dose_lx_h=_integral(minutes["illuminance_lx"]),
        spells=[SpellHours(s, hours_within(s, start, end)) for s in touching],
        gaps=[Gap(q, *run) for q in measured for run in _runs(minutes[q.row.column].isna())],
    )


def hours_within(spell: Spell, begin: int, end: int) -> float:
    """Hours of a spell that lie in the span; one that goes on reaches to its end."""
    until = end if spell.ended is None else min(spell.ended, end)
    return max(0, until - max(spell.began, begin)) / 60


def by_day(week: SpaceWeek) -> pd.DataFrame:
    """Each local day's hours known, extremes, means, drying load and light dose."""
    return _by(week, "day")


def by_hour(week: SpaceWeek) -> pd.DataFrame:
    """Each hour's minutes known, means, extremes, drying load and light dose."""
    return _by(week, "hour")


def days_over_dose(week: SpaceWeek) -> int:
    """Days on which the space took more light than its settings allow."""
    most = week.space.limits.light_klxh_a_day
    if most is None:
        return 0
    return int((by_day(week)["light_dose_lx_h"] > 1000 * most).sum())


def _minutes(reader: Reader, site: Site, space: str, begin: int, end: int) -> pd.DataFrame:
    table = pd.DataFrame(
        reader.air_of(space, begin, end, _COLUMNS), index=pd.RangeIndex(begin, end, name="minute")
    )
    local = pd.to_datetime(table.index * 60, unit="s", utc=True).tz_convert(ZoneInfo(site.timezone))
    # An hour is named by its beginning, offset and all: where clocks go back, two are at 1 o'clock.
    table["hour"] = local - pd.to_timedelta(local.minute, unit="min")
    table["day"] = local.date
    return table


def _by(week: SpaceWeek, part: str) -> pd.DataFrame:
    groups = week.minutes.groupby(part, sort=True)
    known = groups["vpd_kpa"].count()
    temperature, humidity = groups["temperature_c"], groups["relative_humidity_pct"]
    return pd.DataFrame(
        {
            "hours": groups.size() / 60,
            "known_h": known / 60,
            "temperature_min_c": temperature.min(),
            "temperature_mean_c": temperature.mean(),
            "temperature_max_c": temperature.max(),
            "relative_humidity_min_pct": humidity.min(),
            "relative_humidity_mean_pct": humidity.mean(),
            "relative_humidity_max_pct": humidity.max(),
            "vpd_mean_kpa": groups["vpd_kpa"].mean(),
            # min_count: a sum of nothing is not known, rather than nought.
            "drying_load_kpa_h": groups["vpd_kpa"].sum(min_count=1) / 60,
            "light_dose_lx_h": groups["illuminance_lx"].sum(min_count=1) / 60,
        }
    )


def _measured(site: Site, space: Space, minutes: pd.DataFrame) -> list[Quantity]:
    """The quantities of its air that are measured here, or were in this span."""
    read = {quantity for sensor in site.sensors_of(space.name) for quantity in sensor.reads}
    return [q for q in OF_AIR if q in read or minutes[q.row.column].notna().any()]


def _compared(reader: Reader, space: Space, kind: Kind, minutes: pd.DataFrame) -> pd.Series[float]:
    """The value that a limit of this kind is compared with, minute by minute."""
    if kind is Kind.DAMP and space.limits.damp_is_daily_mean:
        return _daily_mean(reader, space.name, minutes)
    return minutes[kind.row.column]


def _daily_mean(reader: Reader, space: str, minutes: pd.DataFrame) -> pd.Series[float]:
    """Mean humidity of the hour going on and the 23 before it, where half a day is known."""
    begin, end = int(minutes.index[0]), int(minutes.index[-1]) + 1
    first_hour = begin // 60 - MEAN_HOURS + 1
    humidity = reader.air_of(space, first_hour * 60, end, ("relative_humidity_pct",))
    values = humidity["relative_humidity_pct"]
    known = ~np.isnan(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    at = np.arange(begin, end) - first_hour * 60
    since = (at // 60 - MEAN_HOURS + 1) * 60
    count = counts[at + 1] - counts[since]
    enough = known[at] & (count >= MEAN_KNOWN_MIN)
    mean = np.full(len(at), np.nan)
    mean[enough] = (sums[at + 1] - sums[since])[enough] / count[enough]
    return pd.Series(mean, index=minutes.index)


def _past(limit: Limit, compared: pd.Series[float]) -> pd.Series[bool]:
    return compared > limit.value if limit.above else compared < limit.value


def _limit_hours(limit: Limit, compared: pd.Series[float]) -> LimitHours:
    known_min, past_min = int(compared.count()), int(_past(limit, compared).sum())
    return LimitHours(
        kind=limit.kind,
        limit=limit.value,
        unit=limit.kind.row.unit,
        past_h=past_min / 60,
        within_h=(known_min - past_min) / 60,
        unknown_h=(len(compared) - known_min) / 60,
    )


def _extreme(values: pd.Series[float], highest: bool) -> Extreme | None:
    if not values.notna().any():
        return None
    at = int(np.nanargmax(values) if highest else np.nanargmin(values))
    return Extreme(float(values.iloc[at]), int(values.index[0]) + at)


def _mean(values: pd.Series[float]) -> float | None:
    return float(values.mean()) if values.notna().any() else None


def _integral(values: pd.Series[float]) -> float | None:
    """∫ dt over the known minutes [unit·h]."""
    return float(values.sum()) / 60 if values.notna().any() else None


def _runs(true: pd.Series[bool]) -> list[tuple[int, int]]:
    """The runs of minutes for which it is true, each from its first to before its last."""
    framed = np.concatenate(([False], true.to_numpy(), [False]))
    edges = np.flatnonzero(framed[1:] != framed[:-1]) + int(true.index[0])
    return [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]
