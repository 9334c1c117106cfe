"""What is to be said of every batch at a full hour: still to lose, and when it will be crisp.

Each batch's ensemble is remembered and stepped on by an hour. It is worked out anew from its
hanging when something else became known of it: a weighing, a snap test, a move, or readings that
came late. What is said is kept as it was said then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.room import dryness, keeping
from monitor.room.batches import Batch
from monitor.room.dryness import Ensemble, SnapTest, Weighing
from monitor.room.flowers import Book, Flower
from monitor.room.hour_means import Archive, HourMeans, KnownHours
from monitor.room.hours import HourlyAir, without_holes
from monitor.room.lessons import Lesson, learned, lesson
from monitor.room.members import Hung, Prior, book_prior
from monitor.room.musty import SLOW_HUMIDITY_PCT
from monitor.room.outlook import RECENT_DAYS, Ahead, like_recent_days, outlook
from monitor.room.readings import MINUTE_MS
from monitor.room.scales import Archive as ScaleArchive
from monitor.room.scales import Scales

HOUR_MS = 60 * MINUTE_MS
KEPT = "kept"
LOOKED_ELSEWHERE_H = 24  # how often another space's air is tried
KNOWN_ENOUGH = 0.8  # of the hours since it was hung
CLEARLY_BETTER_PCT = 10.0  # percent points of still to lose
LESSONS = 8  # finished batches that are learned from


@dataclass(frozen=True)
class Prospect:
    """What was said of one batch at one hour.

    batch            number of the entry that hung it
    asked_ms         the hour [UTC epoch ms]
    state            expected, crisp, cannot_finish, unknown; kept once it was taken down
    crisp_p10 … p90  [UTC epoch minutes]; None: no date can be promised
    humidity_needed_pct  humidity that would let it finish; None: none would
    opening          little, some or much; None: its heads do not open further
    light_share      light dose as a share of what its colour bears [-]
    p_finishes   probability that it will get dry here within the horizon [-]
    if_dry_p50   where no date can be promised: the day if it gets dry here [UTC epoch minutes]
    better_space, better_left_pct  the other hanging space in whose air it would now have the least
                 still to lose, and how much [%]; None: none is clearly better, or none is known
    months_left      months of good colour at the light of the last day; None: in the dark
    damp_h           hours so damp that slow drying is a risk, since it was hung; not kept
    """

    batch: int
    asked_ms: int
    state: str
    still_to_lose_pct: float
    moisture_pct_db: float
    p_crisp: float
    crisp_p10: int | None
    crisp_p50: int | None
    crisp_p90: int | None
    loses_pct_a_day: float
    stalled: bool
    humidity_needed_pct: float | None
    opening: str | None = None
    light_share: float = 0.0
    months_left: float | None = None
    p_finishes: float | None = None
    if_dry_p50: int | None = None
    better_space: str | None = None
    better_left_pct: float | None = None
    damp_h: int = 0


class _Known(NamedTuple):
    """All that an ensemble was worked out from besides the air; teachers are finished batches."""

    hung: Hung
    weighings: tuple[Weighing, ...]
    snap_tests: tuple[SnapTest, ...]
    stays: tuple[tuple[str, int, int | None], ...]
    teachers: tuple[Batch, ...]


class Standing(NamedTuple):
    """A batch at a full hour, from all that was known of it by then.

    air         hour by hour since it was hung, wherever it was
    light_lx_h  light dose of each of these hours [lx·h]
    """

    flower: Flower
    ensemble: Ensemble
    air: HourlyAir
    light_lx_h: NDArray[np.float64]


class Prospects:
    """Remembers the ensembles of a site's batches between the hours."""

    def __init__(
        self, book: Book, archive: Archive, scales: ScaleArchive, hanging_spaces: Sequence[str]
    ) -> None:
        self._book = book
        self._spaces = tuple(hanging_spaces)
        self._elsewhere: dict[int, tuple[tuple[bytes, int], tuple[str, float] | None]] = {}
        self._scales = Scales(scales)
        self._hours = KnownHours(archive)
        self._ensembles: dict[int, tuple[_Known, Ensemble]] = {}
        self._lessons: dict[int, tuple[_Known, int, Lesson]] = {}

    def forget_since(self, minute: int) -> None:
        """Late readings changed the air from this minute on: what went through it is worked out
        anew."""
        self._hours.forget_since(minute)
        self._scales.forget_since(minute)
        self._elsewhere = {
            number: looked
            for number, looked in self._elsewhere.items()
            if looked[0][1] * 60 <= minute
        }
        for number, (_, ensemble) in list(self._ensembles.items()):
            if ensemble.hour * 60 > minute:
                del self._ensembles[number]
        # What a batch finished since then taught; whoever learned of it lives past this minute too.
        for number, (_, end, _) in list(self._lessons.items()):
            if end * 60 > minute:
                del self._lessons[number]

    def at_hour(self, batch: Batch, batches: Sequence[Batch], asked_ms: int) -> Prospect | None:
        """What is to be said of a batch at a full hour; None: it neither hangs nor is kept.

        Of one taken down within the hour something is said even where it went unwatched.
        """
        watched = batch.space_at(asked_ms) is not None or batch.taken_down_since(asked_ms - HOUR_MS)
        if batch.hung_ms >= asked_ms or not watched:
            return None
        return self._prospect(batch, batches, asked_ms // HOUR_MS)

    def standing(self, batch: Batch, batches: Sequence[Batch], hour: int) -> Standing | None:
        """The batch at an epoch hour; None where nothing is known of the air it has been in."""
        air, light = self._air(batch, hour)
        if not air.known.any():
            return None
        ensemble = self._ensemble(batch, batches, air)
        return Standing(self.flower(batch), ensemble, air, light)

    def air_in(self, space: str, begin: int, end: int) -> HourlyAir:
        """The air of one space in the epoch hours begin ≤ hour < end."""
        return _hours([self._hours.means(space, begin * 60, end * 60)], begin, end)

    def ahead(self, space: str, ensemble: Ensemble) -> Ahead:
        """The air to come if it goes on as in the last days of this space."""
        recent = self.air_in(space, ensemble.hour - 24 * RECENT_DAYS, ensemble.hour)
        return like_recent_days(ensemble, recent.part(_first_known(recent), len(recent)))

    def _prospect(self, batch: Batch, batches: Sequence[Batch], hour: int) -> Prospect | None:
        """None where nothing is known of the air it has been in."""
        stands = self.standing(batch, batches, hour)
        if stands is None:
            return None
        flower, ensemble, air, light = stands
        hangs = batch.hangs_at(hour * HOUR_MS)
        prospect = self._hanging(batch, ensemble, hour) if hangs else _kept(batch, ensemble, hour)
        colour = keeping.colour_left(
            flower, batch.colour, float(light.sum()), float(light[-24:].sum())
        )
        return replace(
            prospect,
            opening=keeping.opening(ensemble),
            light_share=colour.share_used,
            months_left=colour.months_left,
            damp_h=int((air.humidity_pct[air.known > 0] > SLOW_HUMIDITY_PCT).sum()),
        )

    def _hanging(self, batch: Batch, ensemble: Ensemble, hour: int) -> Prospect:
        """The batch under air like that of its space in the last days."""
        told = outlook(ensemble, self.ahead(batch.space_at(hour * HOUR_MS) or "", ensemble))
        promised = told.state in ("expected", "crisp")
        better = self._better(batch, ensemble, hour)
        return Prospect(
            batch=batch.hung_by,
            asked_ms=hour * HOUR_MS,
            state=told.state,
            still_to_lose_pct=told.still_to_lose_pct,
            moisture_pct_db=told.moisture_pct_db,
            p_crisp=told.p_crisp,
            crisp_p10=told.crisp_p10 if promised else None,
            crisp_p50=told.crisp_p50 if promised else None,
            crisp_p90=told.crisp_p90 if promised else None,
            loses_pct_a_day=told.loses_pct_a_day,
            stalled=told.stalled,
            humidity_needed_pct=told.humidity_needed,
            p_finishes=told.p_finishes,
            if_dry_p50=None if promised else told.crisp_p50,
            better_space=better[0] if better else None,
            better_left_pct=better[1] if better else None,
        )

    def _better(self, batch: Batch, ensemble: Ensemble, hour: int) -> tuple[str, float] | None:
        """The space in whose air it would have been clearly drier at the last look, once a day."""
        first, end = batch.hung_ms // HOUR_MS, hour - hour % LOOKED_ELSEWHERE_H
        key = (ensemble.points.tobytes(), end)
        before = self._elsewhere.get(batch.hung_by)
        if before is not None and before[0] == key:
            return before[1]
        own = _left(ensemble)
        found = []
        for space in self._spaces:
            if space == batch.space_at(hour * HOUR_MS) or end <= first:
                continue
            air = _hours([self._hours.means(space, first * 60, end * 60)], first, end)
            if air.known.mean() >= KNOWN_ENOUGH:
                found.append((_left(dryness.elsewhere(ensemble, air)), space))
        left, space = min(found, default=(own, ""))
        better = (space, left) if own - left >= CLEARLY_BETTER_PCT else None
        self._elsewhere[batch.hung_by] = (key, better)
        return better

    def flower(self, batch: Batch) -> Flower:
        """What the book knows of its flower, or of any flower."""
        return self._book.find(batch.flower) or self._book.other

    def _air(self, batch: Batch, hour: int) -> tuple[HourlyAir, NDArray[np.float64]]:
        """The air it was in, wherever that was, and its light by hour [lx·h]."""
        first = batch.hung_ms // HOUR_MS
        parts = [
            self._hours.means(
                stay.space,
                -(-stay.from_ms // MINUTE_MS),
                hour * 60
                if stay.until_ms is None
                else min(-(-stay.until_ms // MINUTE_MS), hour * 60),
            )
            for stay in batch.stays
            if stay.from_ms < hour * HOUR_MS
        ]
        light = np.zeros(max(hour - first, 0))
        for part in parts:
            np.add.at(light, part.hour - first, np.nan_to_num(part.light_lx_h))
        return _hours(parts, first, hour), light

    def _ensemble(self, batch: Batch, batches: Sequence[Batch], air: HourlyAir) -> Ensemble:
        known = self._known(batch, batches, air)
        before = self._ensembles.get(batch.hung_by)
        end = int(air.hour[-1]) + 1
        if before is not None and before[0] == known and before[1].hour <= end:
            ensemble = dryness.step(before[1], air)
        else:
            prior = self._prior(batch, batches)
            ensemble = dryness.recompute(known.hung, prior, air, known.weighings, known.snap_tests)
        self._ensembles[batch.hung_by] = (known, ensemble)
        return ensemble

    def _known(self, batch: Batch, batches: Sequence[Batch], air: HourlyAir) -> _Known:
        end_ms = (int(air.hour[-1]) + 1) * HOUR_MS if len(air) else batch.hung_ms
        weighings = [
            Weighing(w.at_ms // MINUTE_MS, w.grams) for w in batch.weighings if w.at_ms < end_ms
        ]
        if batch.fresh_mass_g is not None:
            weighings.insert(0, Weighing(batch.hung_ms // MINUTE_MS, batch.fresh_mass_g))
        weighings += self._scales.weighings(batch, batches, end_ms // MINUTE_MS)
        return _Known(
            Hung(
                batch.name,
                batch.hung_ms // MINUTE_MS,
                self.flower(batch),
                batch.stems_per_bunch,
                batch.target_pct_db,
            ),
            tuple(weighings),
            tuple(
                SnapTest(t.at_ms // MINUTE_MS, t.snaps)
                for t in batch.snap_tests
                if t.at_ms < end_ms
            ),
            tuple((s.space, s.from_ms, s.until_ms) for s in batch.stays if s.from_ms < end_ms),
            _teachers(batch.flower, batch.stays[0].space, batches, batch.hung_ms),
        )

    def _prior(self, batch: Batch, batches: Sequence[Batch]) -> Prior:
        return self.taught(batch.flower, batch.stays[0].space, batches, batch.hung_ms)[0]

    def taught(
        self, flower: str, space: str, batches: Sequence[Batch], before_ms: int
    ) -> tuple[Prior, int]:
        """The book's word on a flower, and what batches of it, hung in this space and finished by
        a time, taught; and how many these were."""
        alike = _teachers(flower, space, batches, before_ms)[-LESSONS:]
        lessons = [self._lesson(b, batches) for b in alike]
        return (learned(lessons) if lessons else book_prior()), len(lessons)

    def _lesson(self, batch: Batch, batches: Sequence[Batch]) -> Lesson:
        """What a finished batch taught, from its hanging to its taking down."""
        end = (batch.taken_down_ms or 0) // HOUR_MS
        air, _ = self._air(batch, end)
        known = self._known(batch, batches, air)
        before = self._lessons.get(batch.hung_by)
        if before is not None and before[0] == known:
            return before[2]
        prior = self._prior(batch, batches)
        ensemble = dryness.recompute(known.hung, prior, air, known.weighings, known.snap_tests)
        taught = lesson(ensemble, prior)
        self._lessons[batch.hung_by] = (known, end, taught)
        return taught


def still_true(said: Prospect, batch: Batch) -> Prospect | None:
    """What was said at the last full hour, as far as it holds since the newest entries.

    Of one taken down since, nothing is foreseen any more; of one moved or hung up again since, what
    was said of its place is not true here. None: nothing of it holds.
    """
    down = batch.taken_down_ms is not None
    if down and said.state != KEPT:
        return replace(_told_of_no_place(said), state=KEPT)
    if not down and said.state == KEPT:
        return None
    if not down and batch.stays[-1].from_ms > said.asked_ms:
        return replace(_told_of_no_place(said), state="unknown")
    return said


def _told_of_no_place(said: Prospect) -> Prospect:
    return replace(
        said,
        crisp_p10=None,
        crisp_p50=None,
        crisp_p90=None,
        loses_pct_a_day=0.0,
        stalled=False,
        humidity_needed_pct=None,
        p_finishes=None,
        if_dry_p50=None,
        better_space=None,
        better_left_pct=None,
    )


def _teachers(
    flower: str, space: str, batches: Sequence[Batch], before_ms: int
) -> tuple[Batch, ...]:
    """Batches of a flower hung in a space, watched, and finished by a time."""
    return tuple(
        b
        for b in batches
        if b.flower == flower
        and b.stays[0].space == space
        and (b.weighings or b.snap_tests or b.scale)
        and b.taken_down_ms is not None
        and b.taken_down_ms <= before_ms
    )


def _left(ensemble: Ensemble) -> float:
    """Still to lose, the middle member [%]."""
    return float(np.median(ensemble.members.still_to_lose(ensemble.moisture_pct_db)))


def _kept(batch: Batch, ensemble: Ensemble, hour: int) -> Prospect:
    """How a batch stands that was taken down: it takes up water again as the air lets it."""
    made, now = ensemble.members, ensemble.moisture_pct_db
    return Prospect(
        batch=batch.hung_by,
        asked_ms=hour * HOUR_MS,
        state=KEPT,
        still_to_lose_pct=_left(ensemble),
        moisture_pct_db=float(np.median(now)),
        p_crisp=float((now <= made.target).mean()),
        crisp_p10=None,
        crisp_p50=None,
        crisp_p90=None,
        loses_pct_a_day=0.0,
        stalled=False,
        humidity_needed_pct=None,
    )


def _hours(parts: Sequence[HourMeans], first: int, end: int) -> HourlyAir:
    """Hours [first, end) put together from the stays; an hour with a move is shared by minutes."""
    count = max(end - first, 0)
    minutes = np.zeros(count, dtype=np.int64)
    temperature, humidity = np.zeros(count), np.zeros(count)
    for part in parts:
        there = (part.minutes > 0) & (part.hour >= first) & (part.hour < end)
        slot = part.hour[there] - first
        minutes[slot] += part.minutes[there]
        temperature[slot] += part.temperature_c[there] * part.minutes[there]
        humidity[slot] += part.humidity_pct[there] * part.minutes[there]
    with np.errstate(invalid="ignore"):
        return without_holes(first, temperature / minutes, humidity / minutes, minutes)


def _first_known(air: HourlyAir) -> int:
    """Place of the first hour of which anything was known; the last hour if none was."""
    known = np.flatnonzero(air.known)
    return int(known[0]) if known.size else max(len(air) - 1, 0)
