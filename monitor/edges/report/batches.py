"""What a week did to each batch: its course, what was promised, the harm it met, other places."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from monitor.drying import ensemble as dryness
from monitor.drying.crisp_day import when_crisp
from monitor.drying.ensemble import Ensemble, still_hanging
from monitor.drying.hours import STEP_H, HourlyAir
from monitor.drying.prospects import Prospect, opening_of
from monitor.drying.standing import StandingBatch, Standings
from monitor.edges.report.numbers import SpaceWeek
from monitor.entries.batches import Batch
from monitor.science import light
from monitor.science.drying import deficit_factor
from monitor.site.flowers import Flower
from monitor.site.kinds import Kind
from monitor.site.spaces import Site, Use
from monitor.site.time import DAY_MIN, HOUR_MS, MINUTE_MS
from monitor.store.queries import Reader

Floats = npt.NDArray[np.float64]

EIGHT_IN_TEN = (0.1, 0.5, 0.9)
# Another place is only compared where its air was known for most of the time.
_KNOWN_ENOUGH = 0.8
# Of many places the few whose air pulled hardest are tried.
_PLACES_TRIED = 2
_MOST_POINTS = 80
_LONGEST_AHEAD_DAYS = 14


class Course(NamedTuple):
    """Still to lose [%] over time [UTC epoch minutes]: the middle, and where 8 in 10 lie."""

    minutes: Floats
    p10: Floats
    p50: Floats
    p90: Floats


class Harm(NamedTuple):
    """What a batch met while it hung this week.

    opening_h         hours above where its heads open; None: they do not open further
    opening           little, some or much since it was hung
    light_share       of the light its colour bears, since it was hung [-]; this week's part of it
    damp_h            hours over the damp limit of where it hung; None: there is none
    slow_h            hours at which it was said to lose hardly anything, though still wet
    """

    opening_h: float | None
    opening: str | None
    light_share: float
    light_share_week: float
    damp_h: float | None
    slow_h: int


class Elsewhere(NamedTuple):
    """The same batch in another space.

    sooner_d  days sooner that it would be crisp, p10, p50 and p90; below 0: later; infinite: it
              would get crisp there, and cannot here (below 0: the other way round)
    crisp     when it would be, middle of the plausible batches [UTC epoch minutes]; None: never
    """

    space: str
    sooner_d: tuple[float, float, float]
    crisp: int | None


@dataclass(frozen=True)
class BatchWeek:
    """A batch that hung in the week.

    space        where it hung last
    said         what was last said of it before the week's end, while it hung
    promised     what was last said before the week's beginning; of one hung since, at first
    course       until `now` as it is known, from there on as it is expected; None: not known
    weighed      the weighings, as still to lose [%]
    foreseen     its course of the week as it looked at the week's beginning
    would_have   the best of the other spaces, had it hung there from the first
    move         the best of the other spaces, if it is moved now; None: taken down, or none
    """

    batch: Batch
    flower: Flower
    space: str
    said: Prospect | None
    promised: Prospect | None
    harm: Harm
    now: int
    course: Course | None = None
    weighed: tuple[tuple[int, float], ...] = ()
    foreseen: Course | None = None
    would_have: Elsewhere | None = None
    move: Elsewhere | None = None


def batch_weeks(
    reader: Reader,
    standings: Standings,
    site: Site,
    spaces: Mapping[str, SpaceWeek],
    batches: Sequence[Batch],
    begin: int,
    end: int,
) -> list[BatchWeek]:
    """Every batch that hung for some of the minutes begin ≤ minute < end."""
    slow: dict[int, int] = {}
    for said in reader.prospects(begin * MINUTE_MS, end * MINUTE_MS):
        slow[said.batch] = slow.get(said.batch, 0) + said.stalled
    return [
        _batch_week(reader, standings, site, spaces, batches, batch, begin, end, slow)
        for batch in batches
        if batch.hung_ms < end * MINUTE_MS
        and (batch.taken_down_ms is None or batch.taken_down_ms > begin * MINUTE_MS)
    ]


def _batch_week(
    reader: Reader,
    standings: Standings,
    site: Site,
    spaces: Mapping[str, SpaceWeek],
    batches: Sequence[Batch],
    batch: Batch,
    begin: int,
    end: int,
    slow: Mapping[int, int],
) -> BatchWeek:
    down = math.inf if batch.taken_down_ms is None else batch.taken_down_ms // MINUTE_MS
    now = int(min(end, down))
    first = max(begin * MINUTE_MS, batch.hung_ms + HOUR_MS)
    said = reader.said_of(batch.hung_by, batch.hung_ms, now * MINUTE_MS)
    promised = reader.said_of(batch.hung_by, batch.hung_ms, first)
    space = batch.space_at(now * MINUTE_MS - 1) or batch.stays[0].space
    foreseen = _foreseen(standings, batches, batch, space, begin, now)
    stands = standings.standing(batch, batches, now // 60)
    harm = _harm(batch, spaces, stands, begin, now, slow.get(batch.hung_by, 0))
    flower = standings.flower(batch)
    if stands is None or stands.ensemble.hour <= stands.ensemble.hung.hour:
        return BatchWeek(batch, flower, space, said, promised, harm, now)
    hangs = now < down
    return BatchWeek(
        batch,
        flower,
        space,
        said,
        promised,
        harm,
        now,
        course=_course(standings, stands, space, said if hangs else None),
        weighed=_weighed(batch, stands.ensemble, now),
        foreseen=foreseen,
        would_have=_best(_would_have(standings, site, stands, space)),
        move=_best(_moved(standings, site, stands, space)) if hangs else None,
    )


# -- its course ------------------------------------------------------------------------------------


def _course(
    standings: Standings, stands: StandingBatch, space: str, said: Prospect | None
) -> Course:
    """From the hanging on; where it still hangs (`said`), also as far ahead as it is expected."""
    past = _past(stands)
    if said is None:
        return past
    ensemble = stands.ensemble
    days = 7.0
    if said.crisp_p90 is not None:
        days = min((said.crisp_p90 / 60 - ensemble.hour) / 24 + 1, _LONGEST_AHEAD_DAYS)
    ahead = _ahead(standings, ensemble, space, max(1.0, days))
    return Course(*(np.concatenate(pair) for pair in zip(past, ahead, strict=True)))


def path_of(stands: StandingBatch) -> Floats:
    """Moisture of every member at the hanging and after each hour, shape (hours + 1, members)."""
    ensemble = stands.ensemble
    start = dryness.at_hanging(ensemble).moisture_pct_db
    hours = stands.air.since(ensemble.hung.hour).before(ensemble.hour)
    return dryness.trace(ensemble.members, start, [hours], [ensemble.hung])


def _past(stands: StandingBatch) -> Course:
    ensemble = stands.ensemble
    left = ensemble.members.still_to_lose(path_of(stands))
    minutes = 60.0 * (ensemble.hung.hour + np.arange(len(left), dtype=np.float64))
    minutes[0] = ensemble.hung.minute
    kept = np.unique(np.linspace(0, len(left) - 1, _MOST_POINTS).round().astype(np.int64))
    return Course(minutes[kept], *_spread(left[kept], _weight(ensemble)))


def _ahead(standings: Standings, ensemble: Ensemble, space: str, days: float) -> Course:
    """The hours after the ensemble's own, if the air goes on as it has."""
    ahead = standings.ahead(space, ensemble)
    steps = min(round(24 * days / STEP_H), ahead.steps)
    path = dryness.follow(
        ensemble.members,
        ensemble.moisture_pct_db,
        *ahead.part(slice(0, steps)),
        np.full((steps, 1), float(STEP_H)),
    )[1:]
    minutes = (60 * (ensemble.hour + STEP_H * np.arange(1, steps + 1))).astype(np.float64)
    return Course(minutes, *_spread(ensemble.members.still_to_lose(path), _weight(ensemble)))


def _foreseen(
    standings: Standings, batches: Sequence[Batch], batch: Batch, space: str, begin: int, now: int
) -> Course | None:
    """The week as it looked at its beginning; None: the batch did not hang yet."""
    then = (
        standings.standing(batch, batches, begin // 60)
        if batch.hangs_at(begin * MINUTE_MS)
        else None
    )
    if then is None or now - begin < 360 or then.ensemble.hour <= then.ensemble.hung.hour:
        return None
    there = batch.space_at(begin * MINUTE_MS) or space
    return _ahead(standings, then.ensemble, there, (now - begin) / DAY_MIN)


def _weight(ensemble: Ensemble) -> Floats:
    """How much each member counts: that it still hangs speaks against its having long been dry."""
    return still_hanging(ensemble.hour - ensemble.crisp_hour)


def _spread(values: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """p10, p50 and p90 of each row by weight."""
    order = np.argsort(values, axis=1)
    ranked = np.take_along_axis(values, order, axis=1)
    share = weight[order]
    place = (np.cumsum(share, axis=1) - share / 2) / weight.sum()
    found = np.array(
        [np.interp(EIGHT_IN_TEN, at, row) for at, row in zip(place, ranked, strict=True)]
    )
    return found[:, 0], found[:, 1], found[:, 2]


def _weighed(batch: Batch, ensemble: Ensemble, now: int) -> tuple[tuple[int, float], ...]:
    """Weighings as still to lose [%], against the first, by the middle of the members."""
    points = [(w.at_ms // MINUTE_MS, w.grams) for w in batch.weighings]
    if batch.fresh_mass_g is not None:
        points.insert(0, (batch.hung_ms // MINUTE_MS, batch.fresh_mass_g))
    known = [point for point in points if point[0] <= now]
    if len(known) < 2:
        return ()
    made = ensemble.members
    hours = max(known[0][0] // 60 - ensemble.hung.hour, 0)
    if hours > 12:  # without the mass when hung its water then is a guess of the model alone
        return ()
    first = (100 + made.start) / known[0][1]
    return tuple(
        (minute, float(np.median(made.still_to_lose(first * grams - 100))))
        for minute, grams in known
    )


# -- what harmed it --------------------------------------------------------------------------------


def _harm(
    batch: Batch,
    spaces: Mapping[str, SpaceWeek],
    stands: StandingBatch | None,
    begin: int,
    now: int,
    slow_h: int,
) -> Harm:
    flower = None if stands is None else stands.flower
    warm = dose = damp = 0.0
    limited = False
    for space, minutes in _stayed(batch, spaces, begin, now):
        if flower is not None and flower.opening_above_c is not None:
            warm += float((minutes["temperature_c"] > flower.opening_above_c).sum()) / 60
        dose += float(minutes["illuminance_lx"].sum()) / 60
        if Kind.DAMP in space.past:
            limited = True
            damp += float(space.past[Kind.DAMP].reindex(minutes.index).sum()) / 60
    opens = flower is not None and flower.opening_above_c is not None
    bears = (
        math.inf
        if flower is None
        else light.dose_to_fade(flower.blue_wool(batch.colour), ultraviolet=False)
    )
    return Harm(
        opening_h=warm if opens else None,
        opening=None if stands is None else opening_of(stands.ensemble),
        light_share=0.0 if stands is None else float(stands.light_lx_h.sum()) / bears,
        light_share_week=dose / bears,
        damp_h=damp if limited else None,
        slow_h=slow_h,
    )


def _stayed(
    batch: Batch, spaces: Mapping[str, SpaceWeek], begin: int, now: int
) -> Iterator[tuple[SpaceWeek, pd.DataFrame]]:
    """The minutes of this week's air that the batch hung in, space by space."""
    for stay in batch.stays:
        first = max(-(-stay.from_ms // MINUTE_MS), begin)
        last = now if stay.until_ms is None else min(-(-stay.until_ms // MINUTE_MS), now)
        space = spaces.get(stay.space)
        if space is not None and first < last:
            minutes = space.minutes
            yield space, minutes[(minutes.index >= first) & (minutes.index < last)]


# -- where it would have been better ---------------------------------------------------------------


def _others(
    standings: Standings, site: Site, space: str, first: int, end: int
) -> list[tuple[str, HourlyAir]]:
    """Other spaces to hang in, of which enough is known in these hours, the hardest pull first."""
    found = []
    for other in site.spaces.values():
        if other.use is not Use.HANGING or other.name == space:
            continue
        air = standings.air_in(other.name, first, end)
        if len(air) and air.known.mean() >= _KNOWN_ENOUGH:
            pull = float(deficit_factor(air.temperature_c, air.humidity_pct).mean())
            found.append((pull, other.name, air))
    found.sort(key=lambda one: (-one[0], one[1]))
    return [(name, air) for _, name, air in found[:_PLACES_TRIED]]


def _would_have(
    standings: Standings, site: Site, stands: StandingBatch, space: str
) -> Iterator[Elsewhere]:
    ensemble = stands.ensemble
    here = when_crisp(ensemble, standings.ahead(space, ensemble))
    for name, air in _others(standings, site, space, ensemble.hung.hour, ensemble.hour):
        there = dryness.step(dryness.at_hanging(ensemble), air)
        yield from _place(name, here, when_crisp(there, standings.ahead(name, there)))


def _moved(
    standings: Standings, site: Site, stands: StandingBatch, space: str
) -> Iterator[Elsewhere]:
    ensemble = stands.ensemble
    here = when_crisp(ensemble, standings.ahead(space, ensemble))
    for name, _ in _others(standings, site, space, ensemble.hour - 72, ensemble.hour):
        yield from _place(name, here, when_crisp(ensemble, standings.ahead(name, ensemble)))


def _place(name: str, here: Floats, there: Floats) -> Iterator[Elsewhere]:
    """The place, if most members get crisp in one of the two. Hours; NaN: not within the time."""
    told = ~(np.isnan(here) & np.isnan(there))
    if told.mean() < 0.5:
        return
    late = np.where(np.isnan(here), np.inf, here)[told]
    early = np.where(np.isnan(there), np.inf, there)[told]
    sooner = np.sort((late - early) / 24)
    low, middle, high = (float(sooner[round(p * (len(sooner) - 1))]) for p in EIGHT_IN_TEN)
    at = float(np.sort(early)[round(0.5 * (len(early) - 1))])
    yield Elsewhere(name, (low, middle, high), None if math.isinf(at) else round(60 * at))


def _best(places: Iterator[Elsewhere]) -> Elsewhere | None:
    return max(places, key=lambda place: place.sooner_d[1], default=None)
