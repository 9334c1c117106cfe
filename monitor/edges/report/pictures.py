"""The week's pictures: each space hour by hour, and its humidity with limits and spells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from monitor.edges.charts import Level, Mark, Passed, Series, line_chart, week_strips
from monitor.edges.report.gather import SiteWeek
from monitor.edges.report.numbers import SpaceWeek
from monitor.edges.report.text import PASSED
from monitor.site import words
from monitor.site.kinds import Kind

# How each kind of spell looks; the word beside it says the rest.
LOOK: dict[Kind, str] = {
    Kind.HOT: "heat",
    Kind.COLD: "cold",
    Kind.DAMP: "damp",
    Kind.DEWY: "damp",
    Kind.MUSTY: "damp",
    Kind.ARID: "dry",
    Kind.SUNNY: "sun",
}
_IN_STRIPS = {Kind.HOT: "hot", Kind.DAMP: "damp", Kind.SUNNY: "sunny"}


def strips(week: SiteWeek, space: SpaceWeek, nights: npt.NDArray[np.bool_]) -> str:
    """A space's week, a strip a day."""
    begin, end = week.week.span(week.site.timezone)
    temperature = _whole(space.minutes["temperature_c"], begin, end)
    unit = week.site.temperature_unit
    return week_strips(
        title=f"{words.named(space.space.name)}, hour by hour",
        unit=unit,
        begin=begin,
        temperature=temperature * 1.8 + 32 if unit == "°F" else temperature,
        timezone=week.site.timezone,
        passed=[
            Passed(
                word,
                f"{word}: {limit_words(week, space, kind)}",
                LOOK[kind],
                _whole(space.past[kind].astype(float), begin, end) == 1.0,
            )
            for kind, word in _IN_STRIPS.items()
            if kind in space.past
        ],
        nights=nights,
        since=space.begin,
        until=space.end,
    )


def humidity(week: SiteWeek, space: SpaceWeek) -> str:
    """A space's humidity with its limits and spells."""
    begin, end = week.week.span(week.site.timezone)
    series = [
        Series(_whole(space.minutes["relative_humidity_pct"], begin, end), "humidity", "damp")
    ]
    levels = [
        Level(limit.limit, f"limit {words.humidity(limit.limit)}", LOOK[limit.kind])
        for limit in space.limits
        if limit.kind in (Kind.DAMP, Kind.ARID)
    ]
    return line_chart(
        title=f"{words.named(space.space.name)}, humidity",
        unit="%",
        begin=begin,
        series=series,
        timezone=week.site.timezone,
        levels=levels,
        marks=_marks(space, week.end),
        height=110,
    )


def limit_words(week: SiteWeek, space: SpaceWeek, kind: Kind) -> str:
    """A limit as it is said: `over 32 °C`."""
    value = next(limit.limit for limit in space.limits if limit.kind is kind)
    if kind is Kind.HOT:
        return f"over {words.degrees(value, week.site)}"
    if kind is Kind.COLD:
        return f"under {words.degrees(value, week.site)}"
    if kind is Kind.SUNNY:
        return f"over {words.light(value)}"
    if kind is Kind.DEWY:
        kelvin = value * 1.8 if week.site.temperature_unit == "°F" else value
        return f"within {kelvin:.2g} {week.site.temperature_unit} of dew"
    if kind is Kind.DAMP and space.space.limits.damp_is_daily_mean:
        return f"over {words.humidity(value)} in the day's mean"
    return f"{'over' if kind is Kind.DAMP else 'under'} {words.humidity(value)}"


def _marks(space: SpaceWeek, end: int) -> list[Mark]:
    spells = [
        Mark(
            s.spell.began,
            end if s.spell.ended is None else s.spell.ended,
            f"{PASSED[s.spell.kind]}, {words.lasting(60 * s.hours)}",
            LOOK[s.spell.kind],
        )
        for s in space.spells
        if s.spell.kind in LOOK and s.hours
    ]
    gaps = [
        Mark(begin, until, f"not known, {words.lasting(until - begin)}", "gap")
        for begin, until in space.air_gaps
        if until - begin >= 60
    ]
    return spells + gaps


def _whole(values: pd.Series[float], begin: int, end: int) -> npt.NDArray[np.float64]:
    """The values of every minute of the week, NaN where the space was not there yet."""
    return np.asarray(values.reindex(range(begin, end)), dtype=np.float64)
