"""A season: its weeks, every finished batch, the best space per flower, what was learned."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

from monitor.drying.members import pace_against_book
from monitor.edges.report.gather import Source, spaces_in
from monitor.edges.report.losses import Taken
from monitor.edges.report.promises import Promise
from monitor.edges.report.weeks import Week
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS

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
        prior, lessons = standings.taught(flower, space, source.history, end * MINUTE_MS)
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
