"""The page's charts: a space's air with its limits and spells, a batch's weighings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.edges.charts import ChartLevel, Mark, Series, fan_chart, line_chart
from monitor.entries.batches import Batch
from monitor.site.kinds import Kind
from monitor.site.spaces import Site, Space
from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.site.words import humidity, light, temperature
from monitor.store.air import KEPT

Floats = npt.NDArray[np.float64]

COLUMNS = KEPT  # what is drawn of a year has to be kept by the day


class _Drawn(NamedTuple):
    """A chart of a space: its column, the limits that it marks and the spells above it.

    limits    field of the space's limits, words before it, class
    outdoors  whether the same of the air outdoors is drawn beside it
    """

    title: str
    column: str
    dye: str
    limits: tuple[tuple[str, str, str], ...] = ()
    kinds: tuple[Kind, ...] = ()
    outdoors: bool = True


_CHARTS = (
    _Drawn(
        "Temperature",
        "temperature_c",
        "heat",
        (("hot_c", "hot above", "heat"), ("cold_c", "cold below", "cold")),
        (Kind.HOT, Kind.COLD),
    ),
    _Drawn(
        "Humidity",
        "relative_humidity_pct",
        "damp",
        (("damp_pct", "damp above", "damp"), ("arid_pct", "too dry below", "dry")),
        (Kind.DAMP, Kind.ARID, Kind.DEWY, Kind.MUSTY),
    ),
    _Drawn("Pull on the water", "vpd_kpa", "pull"),
    _Drawn(
        "Light",
        "illuminance_lx",
        "sun",
        (("sun_lux", "bright above", "sun"),),
        (Kind.SUNNY,),
        outdoors=False,
    ),
)


def of_space(
    site: Site,
    space: Space,
    begin: int,
    air: Mapping[str, Floats],
    outside: Mapping[str, Floats] | None,
    spells: Sequence[Spell],
    every: int = 1,
) -> list[str]:
    """Temperature, humidity, pull on the water and light, from the minute `begin` on.

    air    values `every` minutes apart; of light there is no chart where none is known
    """
    end = begin + every * len(air["vpd_kpa"])
    return [
        line_chart(
            title=one.title,
            unit=_in_units(one.column, air[one.column][:1], site)[1],
            begin=begin,
            series=_series(one, air, outside, site),
            timezone=site.timezone,
            every=every,
            levels=_limits(one, space, site),
            marks=_marks((s for s in spells if s.kind in one.kinds), begin, end),
        )
        for one in _CHARTS
        if one.outdoors or not np.isnan(air[one.column]).all()
    ]


def _in_units(column: str, values: Floats, site: Site) -> tuple[Floats, str]:
    """Values in the unit that people read, and that unit."""
    if column == "temperature_c":
        return values * 1.8 + 32 if site.temperature_unit == "°F" else values, site.temperature_unit
    return values, {"relative_humidity_pct": "%", "vpd_kpa": "kPa"}.get(column, "lux")


def _series(
    one: _Drawn, air: Mapping[str, Floats], outside: Mapping[str, Floats] | None, site: Site
) -> list[Series]:
    here = _in_units(one.column, air[one.column], site)[0]
    series = [Series(here, one.title[:1].lower() + one.title[1:], one.dye)]
    if one.outdoors and outside is not None and not np.isnan(outside[one.column]).all():
        there = _in_units(one.column, outside[one.column], site)[0]
        series.append(Series(there, "outdoors (dashed)", "outdoors"))
    return series


def _limits(one: _Drawn, space: Space, site: Site) -> list[ChartLevel]:
    levels = []
    for name, words, dye in one.limits:
        limit: float | None = getattr(space.limits, name)
        if limit is None:
            continue
        match one.column:
            case "temperature_c":
                told = temperature(limit, site.temperature_unit)
            case "illuminance_lx":
                told = light(limit)
            case _:
                told = humidity(limit)
        value = float(_in_units(one.column, np.array([limit]), site)[0][0])
        levels.append(ChartLevel(value, f"{words} {told}", dye))
    return levels


def of_weighings(batch: Batch, spells: Sequence[Spell], site: Site) -> Markup | None:
    """The mass of the tagged bunch, straight between weighings; None: weighed less than twice."""
    points = [(w.at_ms // MINUTE_MS, w.grams) for w in batch.weighings]
    if batch.fresh_mass_g is not None:
        points.insert(0, (batch.hung_ms // MINUTE_MS, batch.fresh_mass_g))
    if len(points) < 2 or points[-1][0] - points[0][0] < 60:
        return None
    at, grams = (np.array(column, dtype=np.float64) for column in zip(*points, strict=True))
    begin, end = int(at[0]), int(at[-1]) + 1
    return Markup(  # noqa: S704 (our own drawing; words are escaped in it)
        line_chart(
            title="Mass of the tagged bunch",
            unit="g",
            begin=begin,
            series=[Series(np.interp(np.arange(begin, end), at, grams), "tagged bunch", "pull")],
            timezone=site.timezone,
            marks=_marks(spells, begin, end),
        )
    )


def of_prospects(
    batch: Batch, said: Sequence[Prospect], foreseen: bool, spells: Sequence[Spell], site: Site
) -> list[Markup]:
    """What was said of a batch hour by hour: still to lose, and when it would be crisp.

    said      rising in time; a chart is left out where it has less than two hours to show
    foreseen  whether what was said last of the days to come still holds
    """
    hung = [s for s in said if batch.hangs_at(s.asked_ms)]
    charts = [_still_to_lose(batch, hung, foreseen, spells, site), _crisp_days(batch, hung, site)]
    return [Markup(chart) for chart in charts if chart]  # noqa: S704 (our own drawings)


def _still_to_lose(
    batch: Batch, said: Sequence[Prospect], foreseen: bool, spells: Sequence[Spell], site: Site
) -> str:
    """The middle of the plausible batches; from the last hour on a wedge to the crisp days."""
    if len(said) < 2:
        return ""
    at = np.array([s.asked_ms / MINUTE_MS for s in said])
    left = np.array([s.still_to_lose_pct for s in said])
    now, last = int(at[-1]), said[-1]
    dates = [d for d in (last.crisp_p10, last.crisp_p50, last.crisp_p90) if d is not None]
    dated = foreseen and len(dates) == 3 and dates[2] > now
    ahead = sorted({max(d, now + 1) for d in dates}) if dated else []
    minutes = np.concatenate((at, ahead))

    def reaching(crisp: int) -> Floats:
        falls = np.interp(ahead, [now, max(crisp, now + 1)], [left[-1], min(left[-1], 0.0)])
        return np.concatenate((left, falls))

    p10, p50, p90 = (reaching(d) for d in dates) if ahead else (left, left, left)
    weighed = [w.at_ms / MINUTE_MS for w in batch.weighings]
    # A circle stands at what was said first after the weighing: that took it in.
    seen = [int(np.searchsorted(at, minute)) for minute in weighed]
    due = None
    if ahead:
        due = Mark(max(dates[0], now), dates[2], "crisp, 8 times in 10", "pull")
    return fan_chart(
        title="Still to lose",
        unit="%",
        minutes=minutes,
        p10=p10,
        p50=p50,
        p90=p90,
        timezone=site.timezone,
        now=now if ahead else None,
        points=[(int(at[n]), float(left[n])) for n in seen if n < len(at)],
        due=due,
        levels=[ChartLevel(0.0, "crisp", "dry")],
        marks=_marks(spells, int(at[0]), now + 1),
    )


def _marks(spells: Iterable[Spell], begin: int, end: int) -> list[Mark]:
    return [
        Mark(max(s.began, begin), min(s.ended or end, end), s.kind.row.word, s.kind.row.dye)
        for s in spells
        if s.began < end and (s.ended or end) > begin
    ]


def _crisp_days(batch: Batch, said: Sequence[Prospect], site: Site) -> str:
    """On which day after its hanging it was said to be crisp, and how sure that was."""
    dated = [
        (s.asked_ms // MINUTE_MS, s.crisp_p10, s.crisp_p50, s.crisp_p90)
        for s in said
        if s.crisp_p10 is not None and s.crisp_p50 is not None and s.crisp_p90 is not None
    ]
    if len(dated) < 2:
        return ""
    asked, *crisp = np.array(dated, dtype=np.float64).T
    p10, p50, p90 = ((minutes - batch.hung_ms / MINUTE_MS) / DAY_MIN for minutes in crisp)
    return fan_chart(
        title="Crisp after how many days, as it was said then",
        unit="days",
        minutes=asked,
        p10=p10,
        p50=p50,
        p90=p90,
        timezone=site.timezone,
    )
