"""The season book: one HTML file to print and keep, its tables as CSV, a text for the phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from monitor.edges.report.batch_words import heads
from monitor.edges.report.losses import LOST, in_common
from monitor.edges.report.paper import printed
from monitor.edges.report.promises import LEADS_DAYS, held
from monitor.edges.report.season import PaceRow, PlaceRow, Season, best_place, days
from monitor.edges.report.tables import local_text
from monitor.edges.report.text import PULL_EXPLAINED
from monitor.site import words
from monitor.site.kinds import worst_first
from monitor.site.time import MINUTE_MS, local_day
from monitor.store.formats import no_formula

NAME = "season.html"
_TABLES = ("batches.csv", "weeks.csv", "places.csv", "paces.csv")


def name(season: Season) -> str:
    """Its first and last day: `2026-06-01 to 2026-08-31`."""
    first, last = (
        local_day(minute * MINUTE_MS, season.site.timezone)
        for minute in (season.begin, season.end - 1)
    )
    return f"{first} to {last}"


def phone_text(season: Season) -> str:
    """The season in at most ten lines."""
    lines = [words.title(f"Season at {words.named(season.site.name, 16)}: {_span(season)}")]
    lines.append(headline(season))
    lines += best_places(season)[:4]
    lines += [pace_said(row) for row in season.paces[:3]]
    return "\n".join(lines)


def headline(season: Season) -> str:
    """The season in one sentence."""
    if not season.batches:
        return "No batch was taken down in this time."
    good = sum(one.outcome.good or 0 for one in season.batches)
    lost = sum(one.lost or 0 for one in season.batches)
    counted = sum(one.batch.outcome is not None for one in season.batches)
    told = words.named(words.count(len(season.batches), "batch", "batches"))
    if not good + lost:
        return f"{told} taken down; heads were not counted."
    share = f"{good:,} heads good, {lost:,} lost ({100 * lost / (good + lost):.0f} %)"
    of = "" if counted == len(season.batches) else f", of the {counted} that were counted"
    return f"{told} taken down: {share}{of}."


def best_places(season: Season) -> list[str]:
    """One sentence a flower."""
    told = []
    for flower in sorted({row.flower for row in season.places}):
        best = best_place(season, flower)
        if best is None:
            told.append(
                f"{words.named(flower)}: too few batches in two places to say which is best."
            )
            continue
        told.append(
            f"{words.named(flower)}: best in {words.shortened(best.space)} "
            f"({words.count(best.batches, 'batch', 'batches')}, {best.days:.0f} days, "
            f"{100 * (best.lost_share or 0.0):.0f} % of heads lost)."
        )
    return told


def pace_said(row: PaceRow) -> str:
    """`Statice in the loft dries 1.3 times as fast as the book says (1.1 to 1.5), by 3 batches.`"""
    low, middle, high = row.pace
    return (
        f"{words.named(row.flower)} in {words.shortened(row.space)} dries {middle:.2f} times as "
        f"fast as the book says (8 times in 10: {low:.2f} to {high:.2f}), by "
        f"{words.count(row.batches, 'batch', 'batches')}."
    )


def sheet(season: Season) -> str:
    """The whole page."""
    kinds = [kind for kind in worst_first() if any(row.past_h.get(kind) for row in season.weeks)]
    promised = [
        f"{lead} days before: {kept} of {of}"
        for lead in LEADS_DAYS
        for kept, of in (held(season.promises, lead),)
        if of
    ]
    return printed(
        "season.html",
        site=words.named(season.site.name, 60),
        span=_span(season),
        headline=headline(season),
        batches=[_batch(season, n) for n in range(len(season.batches))],
        places=[_place(row) for row in season.places],
        best=best_places(season),
        paces=[pace_said(row) for row in season.paces],
        in_common=in_common(season.batches),
        promised=words.listed(promised),
        kinds=[kind.row.too for kind in kinds],
        weeks=[
            {
                "week": str(row.week),
                "space": row.space,
                "known": f"{row.known_h:.0f}",
                "warm": _or_dash(row.mean_temperature_c, season),
                "humid": "–"
                if row.mean_humidity_pct is None
                else words.humidity(row.mean_humidity_pct),
                "load": _figure(row.drying_load_kpa_h),
                "past": [f"{row.past_h.get(kind, 0.0):.1f}" for kind in kinds],
            }
            for row in season.weeks
        ],
        pull_explained=PULL_EXPLAINED,
        files=words.listed(_TABLES, 9),
    )


def write_tables(season: Season, folder: Path) -> list[str]:
    """Write the tables as CSV; returns the names of the files."""
    tables = (batches_table, weeks_table, places_table, paces_table)
    for file, table in zip(_TABLES, tables, strict=True):
        table(season).to_csv(folder / file, index=False, lineterminator="\n")
    return list(_TABLES)


def batches_table(season: Season) -> pd.DataFrame:
    """One row a batch that was taken down."""
    rows = []
    for one in season.batches:
        batch, met = one.batch, one.met
        row: dict[str, Any] = {
            "batch": no_formula(batch.name),
            "flower": no_formula(batch.flower),
            "colour": no_formula(batch.colour or ""),
            "space": no_formula(one.space),
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


def weeks_table(season: Season) -> pd.DataFrame:
    """One row a week and space."""
    rows = [
        {
            "week": str(row.week),
            "space": no_formula(row.space),
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


def places_table(season: Season) -> pd.DataFrame:
    """One row a flower and space."""
    return pd.DataFrame(season.places, columns=list(PlaceRow._fields))


def paces_table(season: Season) -> pd.DataFrame:
    """One row a flower and space that batches taught something of."""
    rows = [(row.flower, row.space, row.batches, *row.pace) for row in season.paces]
    columns = ["flower", "space", "batches", "pace_p10", "pace_p50", "pace_p90"]
    return pd.DataFrame(rows, columns=columns)


def _batch(season: Season, n: int) -> dict[str, str]:
    one = season.batches[n]
    return {
        "name": one.batch.name,
        "flower": one.batch.flower,
        "space": one.space,
        "hung": words.day(local_day(one.batch.hung_ms, season.site.timezone)),
        "days": f"{days(one):.1f}",
        "load": _figure(one.met.load_kpa_h if one.met else None),
        "good": "–" if one.outcome.good is None else f"{one.outcome.good:,}",
        "lost": "–" if one.lost is None else f"{one.lost:,}",
        "heads": heads(one),
    }


def _place(row: PlaceRow) -> dict[str, str]:
    share = row.lost_share
    return {
        "flower": row.flower,
        "space": row.space,
        "batches": str(row.batches),
        "days": f"{row.days:.1f}",
        "load": _figure(row.load_kpa_h),
        "lost": "–" if share is None else f"{100 * share:.0f} %",
    }


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:,.0f}"


def _or_dash(celsius: float | None, season: Season) -> str:
    return "–" if celsius is None else words.degrees(celsius, season.site)


def _span(season: Season) -> str:
    first, last = (
        local_day(minute * MINUTE_MS, season.site.timezone)
        for minute in (season.begin, season.end - 1)
    )
    return f"{words.day(first)} to {words.day(last)} {last.year}"
