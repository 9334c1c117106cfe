"""A season and its book: every finished batch, the best space for each flower, what was learned.

The book is one HTML file to print and keep, with a text for the phone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

from monitor.drying.ensemble import whole
from monitor.drying.members import pace_against_book
from monitor.edges.report.gather import Source, spaces_in
from monitor.edges.report.order import Week
from monitor.edges.report.outcomes import Promise, Taken, held, in_common
from monitor.edges.report.paper import printed
from monitor.edges.report.text import PULL_EXPLAINED
from monitor.site import words
from monitor.site.kinds import Kind, worst_first
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS, local_day

# Of two places one is only called the better where so many batches hung in each. Our own choice.
ENOUGH_A_PLACE = 2


class WeekRow(NamedTuple):
    """A space's week in a season, cut at the season's ends; hours past limits by kind."""

    week: Week
    space: str
    known_h: float
    drying_load_kpa_h: float | None
    mean_temperature_c: float | None
    mean_humidity_pct: float | None
    light_dose_lx_h: float | None
    past_h: dict[Kind, float]


class PlaceRow(NamedTuple):
    """How one flower did in one space: middle days on the rail; heads good and lost, of the
    batches whose heads were counted. None: none counted."""

    flower: str
    space: str
    batches: int
    days: float
    load_kpa_h: float | None
    good: int | None
    lost: int | None

    @property
    def lost_share(self) -> float | None:
        """Heads lost of all counted [-]."""
        if self.good is None or self.lost is None or not self.good + self.lost:
            return None
        return self.lost / (self.good + self.lost)


class PaceRow(NamedTuple):
    """How fast a flower dries in a space against the book [-]: p10, p50, p90; 1 is the book's."""

    flower: str
    space: str
    batches: int
    pace: tuple[float, float, float]


@dataclass(frozen=True)
class Season:
    """A season of the whole site, from minute begin to before end."""

    site: Site
    begin: int
    end: int
    weeks: list[WeekRow]
    batches: list[Taken]
    promises: list[Promise]
    places: list[PlaceRow]
    paces: list[PaceRow]


def gather_season(source: Source, begin: int, end: int) -> Season:
    """All of a season."""
    taken = source.taken_down(begin, end)
    return Season(
        site=source.site,
        begin=begin,
        end=end,
        weeks=list(_weeks(source, begin, end)),
        batches=taken,
        promises=source.promised(begin, end),
        places=list(_places(taken)),
        paces=list(_paces(source, taken, end)),
    )


def _weeks(source: Source, begin: int, end: int) -> Iterator[WeekRow]:
    zone = source.site.timezone
    week = Week.holding(begin * MINUTE_MS, zone)
    while week.span(zone)[0] < end:
        first, last = week.span(zone)
        for name, one in spaces_in(
            source.reader, source.site, max(first, begin), min(last, end)
        ).items():
            yield WeekRow(
                week,
                name,
                one.air_known_h,
                one.drying_load_kpa_h,
                one.mean_temperature_c,
                one.mean_humidity_pct,
                one.light_dose_lx_h,
                {limit.kind: limit.past_h for limit in one.limits},
            )
        week = week.after()


def _places(taken: Sequence[Taken]) -> Iterator[PlaceRow]:
    for flower, space in sorted({(one.batch.flower, one.space) for one in taken}):
        there = [one for one in taken if (one.batch.flower, one.space) == (flower, space)]
        counted = [one for one in there if one.outcome.good is not None]
        loads = [one.met.load_kpa_h for one in there if one.met is not None]
        known = [load for load in loads if load is not None]
        yield PlaceRow(
            flower,
            space,
            len(there),
            median(days(one) for one in there),
            median(known) if known else None,
            sum(one.outcome.good or 0 for one in counted) if counted else None,
            sum(one.lost or 0 for one in counted) if counted else None,
        )


def _paces(source: Source, taken: Sequence[Taken], end: int) -> Iterator[PaceRow]:
    standings = source.standings
    for flower, space in sorted({(t.batch.flower, t.batch.stays[0].space) for t in taken}):
        batch = next(t.batch for t in taken if t.batch.flower == flower)
        prior, lessons = whole(standings.taught(flower, space, source.history, end * MINUTE_MS))
        if lessons:
            pace = pace_against_book(prior, standings.flower(batch))
            yield PaceRow(flower, space, lessons, pace)


def days(one: Taken) -> float:
    """Days on the rail."""
    return ((one.batch.taken_down_ms or one.batch.hung_ms) - one.batch.hung_ms) / DAY_MS


def best_place(season: Season, flower: str) -> PlaceRow | None:
    """Where a flower lost the smallest share of its heads, and of those alike dried soonest.

    None: it hung in one place only, or in none of two often enough to tell.
    """
    rows = [
        row
        for row in season.places
        if row.flower == flower and row.batches >= ENOUGH_A_PLACE and row.lost_share is not None
    ]
    if len(rows) < 2:
        return None
    return min(rows, key=lambda row: (round(row.lost_share or 0.0, 2), row.days))


NAME = "season.html"
SEASON_TABLES = ("batches.csv", "weeks.csv", "places.csv", "paces.csv")


class SeasonBatch(NamedTuple):
    """A batch that was taken down, as its row says it."""

    name: str
    flower: str
    space: str
    hung: str
    days: str
    load: str
    good: str
    lost: str


class SeasonPlace(NamedTuple):
    """A flower in a space, as its row says it."""

    flower: str
    space: str
    batches: str
    days: str
    load: str
    lost: str


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
    return printed(
        "season.html",
        site=words.named(season.site.name, 60),
        span=_span(season),
        headline=headline(season),
        batches=[_batch(season, one) for one in season.batches],
        places=[_place(row) for row in season.places],
        best=best_places(season),
        paces=[pace_said(row) for row in season.paces],
        in_common=in_common(season.batches),
        promised=words.listed(held(season.promises)[0]),
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
        files=words.listed(SEASON_TABLES, 9),
    )


def _batch(season: Season, one: Taken) -> SeasonBatch:
    return SeasonBatch(
        name=one.batch.name,
        flower=one.batch.flower,
        space=one.space,
        hung=words.day(local_day(one.batch.hung_ms, season.site.timezone)),
        days=f"{days(one):.1f}",
        load=_figure(one.met.load_kpa_h if one.met else None),
        good="–" if one.outcome.good is None else f"{one.outcome.good:,}",
        lost="–" if one.lost is None else f"{one.lost:,}",
    )


def _place(row: PlaceRow) -> SeasonPlace:
    share = row.lost_share
    return SeasonPlace(
        flower=row.flower,
        space=row.space,
        batches=str(row.batches),
        days=f"{row.days:.1f}",
        load=_figure(row.load_kpa_h),
        lost="–" if share is None else f"{100 * share:.0f} %",
    )


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
