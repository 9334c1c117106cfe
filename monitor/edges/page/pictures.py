"""The page's charts: a space's air with its limits and spells, a batch's weighings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.edges.charts import Level, Mark, Series, fan_chart, line_chart
from monitor.entries.batches import Batch
from monitor.site.kinds import Kind
from monitor.site.spaces import Site, Space
from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.site.words import humidity, light, temperature
from monitor.store.air import KEPT

Floats = npt.NDArray[np.float64]

COLUMNS = KEPT  # what is drawn of a year has to be kept by the day


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

    air    values `every` minutes apart
    """
    end = begin + every * len(air["vpd_kpa"])
    fahrenheit = site.temperature_unit == "°F"

    def here(values: Floats) -> Floats:
        return values * 1.8 + 32 if fahrenheit else values

    def lines(column: str, what: str, kind: str) -> list[Series]:
        values = air[column]
        series = [Series(here(values) if column == "temperature_c" else values, what, kind)]
        if outside is not None and not np.isnan(outside[column]).all():
            other = outside[column]
            other = here(other) if column == "temperature_c" else other
            series.append(Series(other, "outdoors (dashed)", "outdoors"))
        return series

    def marks(*kinds: Kind) -> list[Mark]:
        return [
            Mark(max(s.began, begin), min(s.ended or end, end), s.kind.row.word, s.kind.row.dye)
            for s in spells
            if s.kind in kinds
        ]

    limits, zone = space.limits, site.timezone
    warm = [
        Level(limit * 1.8 + 32 if fahrenheit else limit, f"{words} {_bound(limit, site)}", kind)
        for limit, words, kind in (
            (limits.hot_c, "hot above", "heat"),
            (limits.cold_c, "cold below", "cold"),
        )
        if limit is not None
    ]
    moist = [
        Level(limit, f"{words} {humidity(limit)}", kind)
        for limit, words, kind in (
            (limits.damp_pct, "damp above", "damp"),
            (limits.arid_pct, "too dry below", "dry"),
        )
        if limit is not None
    ]
    charts = [
        line_chart(
            title="Temperature",
            unit=site.temperature_unit,
            begin=begin,
            series=lines("temperature_c", "temperature", "heat"),
            timezone=zone,
            every=every,
            levels=warm,
            marks=marks(Kind.HOT, Kind.COLD),
        ),
        line_chart(
            title="Humidity",
            unit="%",
            begin=begin,
            series=lines("relative_humidity_pct", "humidity", "damp"),
            timezone=zone,
            every=every,
            levels=moist,
            marks=marks(Kind.DAMP, Kind.ARID, Kind.DEWY, Kind.MUSTY),
        ),
        line_chart(
            title="Pull on the water",
            unit="kPa",
            begin=begin,
            series=lines("vpd_kpa", "pull on the water", "pull"),
            timezone=zone,
            every=every,
        ),
    ]
    if not np.isnan(air["illuminance_lx"]).all():
        bright = limits.sun_lux
        level = [] if bright is None else [Level(bright, f"bright above {light(bright)}", "sun")]
        charts.append(
            line_chart(
                title="Light",
                unit="lux",
                begin=begin,
                series=[Series(air["illuminance_lx"], "light", "sun")],
                timezone=zone,
                every=every,
                levels=level,
                marks=marks(Kind.SUNNY),
            )
        )
    return charts


def _bound(celsius: float, site: Site) -> str:
    return temperature(celsius, site.temperature_unit)


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
        levels=[Level(0.0, "crisp", "dry")],
        marks=_marks(spells, int(at[0]), now + 1),
    )


def _marks(spells: Sequence[Spell], begin: int, end: int) -> list[Mark]:
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
