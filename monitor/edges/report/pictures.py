"""The week's pictures: each space hour by hour, and its humidity with limits and spells."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import pandas as pd
from astral import Observer
from astral.sun import elevation

from monitor.edges.charts import ChartLevel, Mark, Passed, Series, line_chart, week_strips
from monitor.edges.report.gather import SiteWeek
from monitor.edges.report.numbers import SpaceWeek
from monitor.site import words
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site


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
                kind.row.strip,
                f"{kind.row.strip}: {limit_words(week, space, kind)}",
                kind.row.dye,
                _whole(space.past[kind].astype(float), begin, end) == 1.0,
            )
            for kind in Kind
            if kind.row.strip and kind in space.past
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
        ChartLevel(limit.limit, f"limit {words.humidity(limit.limit)}", limit.kind.row.dye)
        for limit in space.limits
        if limit.kind.row.quantity is Quantity.HUMIDITY
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
    if kind is Kind.DEWY:
        kelvin = value * 1.8 if week.site.temperature_unit == "°F" else value
        return f"within {kelvin:.2g} {week.site.temperature_unit} of dew"
    row = kind.row
    said = words.figure(row.quantity, value, week.site) if row.quantity else f"{value:g}"
    mean = kind is Kind.DAMP and space.space.limits.damp_is_daily_mean
    return f"{'over' if row.above else 'under'} {said}" + (" in the day's mean" if mean else "")


def _marks(space: SpaceWeek, end: int) -> list[Mark]:
    spells = [
        Mark(
            s.spell.began,
            end if s.spell.ended is None else s.spell.ended,
            f"{s.spell.kind.row.too}, {words.lasting(60 * s.hours)}",
            s.spell.kind.row.dye,
        )
        for s in space.spells
        if s.hours
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


_STEP_MIN = 10
# The sun's upper edge on the horizon, refraction and its half width taken in.
_HORIZON_DEG = -0.833


def nights(site: Site, begin: int, end: int) -> npt.NDArray[np.bool_]:
    """Whether the sun is down at the site, for each minute from begin to before end.

    To ten minutes: enough for a picture. Elevation of the sun by astral, without refraction.
    """
    observer = Observer(site.latitude, site.longitude)
    down = [
        elevation(observer, datetime.fromtimestamp(at * 60, UTC), with_refraction=False)
        < _HORIZON_DEG
        for at in range(begin, end, _STEP_MIN)
    ]
    return np.repeat(np.array(down, dtype=np.bool_), _STEP_MIN)[: end - begin]
