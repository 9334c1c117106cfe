"""Make the reports ordered: from the store to a text for the phone and a folder of files.

Beside the page are tables of the week or of the season as CSV, one a topic; times in the site's
zone with their offset.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from monitor.edges.report import season
from monitor.edges.report.change import thing_to_change
from monitor.edges.report.gather import SiteWeek, Source, gather
from monitor.edges.report.numbers import Extreme, SpaceWeek, by_day, by_hour, days_over_dose
from monitor.edges.report.order import WEEK_PAGE, Answer, ReportOrder, Week
from monitor.edges.report.outcomes import LOST
from monitor.edges.report.season import SEASON_TABLES, PlaceRow, Season, days
from monitor.edges.report.sheet import sheet
from monitor.edges.report.text import phone_text
from monitor.site.kinds import worst_first
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local
from monitor.store.exports import flag_text
from monitor.store.formats import no_formula
from monitor.store.queries import Reader


def build(order: ReportOrder) -> list[Answer]:
    """Make the reports of an order, one after another.

    raises ValueError (no such week, or not yet begun), StoreError, OSError: one sentence each
    """
    week = Week.parse(order.week)
    with Reader(order.store) as reader:
        source = Source(reader, order.store, order.site, order.book, order.backups)
        if order.season is not None:
            return [_season(source, order.folder, *order.season)]
        made = []
        for _ in range(order.weeks):
            made.append(_week(source, order.folder, week, order.now_ms))
            week = week.after()
        return made


def _week(source: Source, reports: Path, week: Week, now_ms: int) -> Answer:
    gathered = gather(source, week, now_ms)
    change = thing_to_change(gathered)
    tables = {name: table(gathered) for name, table in _TABLES.items()}
    page, text = sheet(gathered, change), phone_text(gathered, change)
    return _made(reports, str(week), (WEEK_PAGE, page), ("week.txt", text), tables)


def _season(source: Source, reports: Path, begin: int, end: int) -> Answer:
    book = season.gather_season(source, begin, end)
    told = (_batches_table, _weeks_table, _places_table, _paces_table)
    tables = {name: table(book) for name, table in zip(SEASON_TABLES, told, strict=True)}
    page, text = (season.NAME, season.sheet(book)), ("season.txt", season.phone_text(book))
    return _made(reports, season.name(book), page, text, tables)


def _made(
    reports: Path,
    name: str,
    page: tuple[str, str],
    text: tuple[str, str],
    tables: dict[str, pd.DataFrame],
) -> Answer:
    """Write a report into a folder of its own; page and text are a file's name and what it says."""
    with _whole(reports / name) as making:
        (making / text[0]).write_text(text[1] + "\n", encoding="utf-8")
        (making / page[0]).write_text(page[1], encoding="utf-8")
        for file, table in tables.items():
            # What a spreadsheet would take for a formula is marked as text.
            harmless = table.map(lambda cell: no_formula(cell) if isinstance(cell, str) else cell)
            harmless.to_csv(making / file, index=False, lineterminator="\n")
    return Answer(name, text[1], reports / name, (page[0], text[0], *tables))


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder to write into, which becomes `folder` once all is written: a kill leaves no half."""
    making = folder.with_name(f".{folder.name}.making")
    shutil.rmtree(making, ignore_errors=True)
    making.mkdir(parents=True)
    yield making
    if folder.exists():
        for file in making.iterdir():
            file.replace(folder / file.name)
        making.rmdir()
    else:
        making.rename(folder)


# -- tables ---------------------------------------------------------------------------------------

Cell = str | float | None


def local_text(minute: int | None, site: Site) -> str | None:
    """A moment as ISO 8601 in the site's zone, to the minute: `2026-07-14T15:10+01:00`."""
    if minute is None:
        return None
    return local(minute * MINUTE_MS, site.timezone).isoformat(timespec="minutes")


def spaces_table(week: SiteWeek) -> pd.DataFrame:
    """One row a space: hours known, extremes with their times, means, sums, spells."""
    return pd.DataFrame([_space_row(week, s) for s in week.spaces], columns=_SPACE_COLUMNS)


_SPACE_COLUMNS = [
    *("space", "use", "from", "until", "hours"),
    *("temperature_known_h", "humidity_known_h", "light_known_h"),
    *("coldest_c", "coldest_at", "mean_temperature_c", "warmest_c", "warmest_at"),
    *("driest_pct", "driest_at", "mean_humidity_pct", "dampest_pct", "dampest_at"),
    *("mean_vpd_kpa", "drying_load_kpa_h", "drying_load_week_before_kpa_h"),
    *("week_before_known_h", "light_dose_klx_h", "days_over_light_limit"),
    *("spells", "spell_h"),
]


def _space_row(week: SiteWeek, space: SpaceWeek) -> dict[str, Cell]:
    before = week.before.get(space.space.name)
    dose = space.light_dose_lx_h
    return {
        "space": space.space.name,
        "use": space.space.use.value,
        "from": local_text(space.begin, week.site),
        "until": local_text(space.end, week.site),
        "hours": space.hours,
        "temperature_known_h": space.known_h.get(Quantity.TEMPERATURE),
        "humidity_known_h": space.known_h.get(Quantity.HUMIDITY),
        "light_known_h": space.known_h.get(Quantity.ILLUMINANCE),
        **_extreme("coldest_c", "coldest_at", space.coldest, week.site),
        "mean_temperature_c": space.mean_temperature_c,
        **_extreme("warmest_c", "warmest_at", space.warmest, week.site),
        **_extreme("driest_pct", "driest_at", space.driest, week.site),
        "mean_humidity_pct": space.mean_humidity_pct,
        **_extreme("dampest_pct", "dampest_at", space.dampest, week.site),
        "mean_vpd_kpa": space.mean_vpd_kpa,
        "drying_load_kpa_h": space.drying_load_kpa_h,
        "drying_load_week_before_kpa_h": before.drying_load_kpa_h if before else None,
        "week_before_known_h": before.air_known_h if before else None,
        "light_dose_klx_h": None if dose is None else dose / 1000,
        "days_over_light_limit": days_over_dose(space),
        "spells": len(space.spells),
        "spell_h": sum(s.hours for s in space.spells),
    }


def limits_table(week: SiteWeek) -> pd.DataFrame:
    """One row a space and limit: hours past it, within it, and not known."""
    rows = [
        (space.space.name, limit.kind.value, *limit[1:])
        for space in week.spaces
        for limit in space.limits
    ]
    columns = ["space", "kind", "limit", "unit", "past_h", "within_h", "unknown_h"]
    return pd.DataFrame(rows, columns=columns)


def days_table(week: SiteWeek) -> pd.DataFrame:
    """One row a space and local day."""
    return _parts(week, "day", by_day)


def hours_table(week: SiteWeek) -> pd.DataFrame:
    """One row a space and hour."""
    table = _parts(week, "hour", by_hour)
    table["hour"] = [hour.isoformat(timespec="minutes") for hour in table["hour"]]
    return table


def spells_table(week: SiteWeek) -> pd.DataFrame:
    """One row a spell of a space, a sensor or the whole feed."""
    rows = [
        (
            *(s.spell.space, s.spell.sensor, s.spell.kind.value),
            *(local_text(s.spell.began, week.site), local_text(s.spell.ended, week.site)),
            *(s.hours, s.spell.worst, s.spell.kind.row.unit),
        )
        for s in [*(s for space in week.spaces for s in space.spells), *week.faults]
    ]
    columns = ["space", "sensor", "kind", "began", "ended", "hours_this_week", "worst", "unit"]
    return pd.DataFrame(rows, columns=columns)


def gaps_table(week: SiteWeek) -> pd.DataFrame:
    """One row a run of minutes in which a quantity of a space is not known."""
    rows = [
        (
            space.space.name,
            gap.quantity.value,
            local_text(gap.begin, week.site),
            local_text(gap.end, week.site),
            gap.hours,
        )
        for space in week.spaces
        for gap in space.gaps
    ]
    return pd.DataFrame(rows, columns=["space", "quantity", "from", "until", "hours"])


def sensors_table(week: SiteWeek) -> pd.DataFrame:
    """One row a sensor: readings, those used, hours silent and stuck, doubts in words."""
    rows = []
    for sensor, heard, silent_h, stuck_h in week.sensors:
        doubts = heard.doubts if heard else {}
        rows.append(
            {
                "sensor": sensor.name,
                "space": sensor.space,
                "readings": heard.readings if heard else 0,
                "used": heard.used if heard else 0,
                "last": local_text(heard.last_ms // MINUTE_MS if heard else None, week.site),
                "silent_h": silent_h,
                "stuck_h": stuck_h,
                "doubts": "; ".join(f"{flag_text(flag)}: {n}" for flag, n in doubts.items()),
            }
        )
    columns = ["sensor", "space", "readings", "used", "last", "silent_h", "stuck_h", "doubts"]
    return pd.DataFrame(rows, columns=columns)


_TABLES: dict[str, Callable[[SiteWeek], pd.DataFrame]] = {
    "spaces.csv": spaces_table,
    "limits.csv": limits_table,
    "days.csv": days_table,
    "hours.csv": hours_table,
    "spells.csv": spells_table,
    "gaps.csv": gaps_table,
    "sensors.csv": sensors_table,
}


def _extreme(value: str, when: str, extreme: Extreme | None, site: Site) -> dict[str, Cell]:
    if extreme is None:
        return {value: None, when: None}
    return {value: extreme.value, when: local_text(extreme.minute, site)}


def _parts(week: SiteWeek, part: str, divided: Callable[[SpaceWeek], pd.DataFrame]) -> pd.DataFrame:
    tables = [divided(space).reset_index(names=part) for space in week.spaces]
    for table, space in zip(tables, week.spaces, strict=True):
        table.insert(0, "space", space.space.name)
    return pd.concat(tables) if tables else pd.DataFrame(columns=["space", part])


def _batches_table(season: Season) -> pd.DataFrame:
    """One row a batch that was taken down."""
    rows = []
    for one in season.batches:
        batch, met = one.batch, one.met
        row: dict[str, Cell] = {
            "batch": batch.name,
            "flower": batch.flower,
            "colour": batch.colour or "",
            "space": one.space,
            "bunches": batch.bunches,
            "hung": local_text(batch.hung_ms // MINUTE_MS, season.site),
            "taken_down": local_text((batch.taken_down_ms or 0) // MINUTE_MS, season.site),
            "days": days(one),
            "drying_load_kpa_h": met.load_kpa_h if met else None,
            "damp_h": met.damp_h if met else None,
            "opening_h": met.warm_h if met else None,
            "light_share": met.light_share if met else None,
            "p_crisp": met.p_crisp if met else None,
            "good": one.outcome.good,
        }
        rows.append(row | {f"lost_{what}": getattr(one.outcome, what) for what in LOST})
    columns = ["batch", "flower", "colour", "space", "bunches", "hung", "taken_down", "days"]
    columns += ["drying_load_kpa_h", "damp_h", "opening_h", "light_share", "p_crisp", "good"]
    return pd.DataFrame(rows, columns=[*columns, *(f"lost_{what}" for what in LOST)])


def _weeks_table(season: Season) -> pd.DataFrame:
    """One row a week and space."""
    rows = [
        {
            "week": str(row.week),
            "space": row.space,
            "known_h": row.known_h,
            "drying_load_kpa_h": row.drying_load_kpa_h,
            "mean_temperature_c": row.mean_temperature_c,
            "mean_humidity_pct": row.mean_humidity_pct,
            "light_dose_lx_h": row.light_dose_lx_h,
        }
        | {f"{kind.value}_h": row.past_h.get(kind) for kind in worst_first() if kind.row.column}
        for row in season.weeks
    ]
    return pd.DataFrame(rows)


def _places_table(season: Season) -> pd.DataFrame:
    """One row a flower and space."""
    return pd.DataFrame(season.places, columns=list(PlaceRow._fields))


def _paces_table(season: Season) -> pd.DataFrame:
    """One row a flower and space that batches taught something of."""
    rows = [(row.flower, row.space, row.batches, *row.pace) for row in season.paces]
    columns = ["flower", "space", "batches", "pace_p10", "pace_p50", "pace_p90"]
    return pd.DataFrame(rows, columns=columns)
