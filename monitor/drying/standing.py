"""How every batch stands: its ensemble, and what finished ones taught, remembered between hours.

An ensemble is stepped on by an hour at a time. It is worked out anew from its hanging when
something else became known: a weighing, a snap test, a move, air that late readings changed, an
entry about a finished batch of which it learned. For half a year of hours and a weighing a day that
takes a second, so it is done in pieces, each once through the air, between turns at the socket.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.drying import ensemble as dryness
from monitor.drying.crisp_day import RECENT_DAYS, Ahead, like_recent_days
from monitor.drying.ensemble import Ensemble, SnapTest, Weighing
from monitor.drying.hour_means import Archive, HourMeans, KnownHours
from monitor.drying.hours import HourlyAir, without_holes
from monitor.drying.members import Hung, Prior, book_prior
from monitor.drying.scales import Archive as ScaleArchive
from monitor.drying.scales import Scales
from monitor.drying.taught import Lesson, learned, lesson
from monitor.entries.batches import Batch
from monitor.site.flowers import Book, Flower
from monitor.site.time import HOUR_MS, MINUTE_MS

LESSONS = 8  # finished batches that are learned from
READ_AT_A_TIME_H = 8 * 7 * 24  # some 50 ms


class _Known(NamedTuple):
    """All that an ensemble was worked out from besides the air.

    early     something was told of the hour that is not over yet: counted at its beginning, so
              that it shows at once, and again in its place when the hour is over
    teachers  finished batches of which it learned
    """

    hung: Hung
    weighings: tuple[Weighing, ...]
    snap_tests: tuple[SnapTest, ...]
    early: bool
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


Recomputing = Generator[None, None, Ensemble]


class Standings:
    """Remembers the ensembles of a site's batches.

    Of an hour that is not over yet, `until_ms` says up to when entries count; None: only those of
    the hours that are over.
    """

    def __init__(self, book: Book, archive: Archive, scales: ScaleArchive) -> None:
        self._book = book
        self._scales = Scales(scales)
        self._hours = KnownHours(archive)
        self._ensembles: dict[int, tuple[_Known, Ensemble]] = {}
        self._lessons: dict[int, tuple[_Known, int, Lesson]] = {}
        self._under_way: tuple[_Known, int, Recomputing] | None = None

    def forget_since(self, minute: int) -> bool:
        """Late readings changed the air from this minute on: what went through it is worked out
        anew. Whether a batch did."""
        self._hours.forget_since(minute)
        self._scales.forget_since(minute)
        self._under_way = None
        through = [n for n, (_, made) in self._ensembles.items() if made.hour * 60 > minute]
        for number in through:
            del self._ensembles[number]
        # What a batch finished since then taught; whoever learned of it lives past this minute too.
        for number, (_, end, _) in list(self._lessons.items()):
            if end * 60 > minute:
                del self._lessons[number]
        return bool(through)

    def holds(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> bool:
        """Whether the ensemble that is remembered was made of all that is known, or only wants
        stepping on."""
        before = self._ensembles.get(batch.hung_by)
        if before is None or before[1].hour > hour:
            return False
        return before[0] == self._known(batch, batches, hour, until_ms)

    def work(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> bool:
        """Work out one piece of what `standing` will want; whether there was one."""
        if self.holds(batch, batches, hour, until_ms):
            return False
        for stay in batch.stays:
            end = hour if stay.until_ms is None else min(stay.until_ms // HOUR_MS, hour)
            if self.read_on(stay.space, stay.from_ms // HOUR_MS, end):
                return True
        teacher = self._untaught(batch, batches)
        if teacher is not None:
            end = (teacher.taken_down_ms or 0) // HOUR_MS
            known = self._known(teacher, batches, end)
            made = self._worked_on(known, teacher, batches, end)
            if made is not None:
                taught = lesson(made, self._prior(teacher, batches))
                self._lessons[teacher.hung_by] = (known, end, taught)
            return True
        known = self._known(batch, batches, hour, until_ms)
        if not self._air(batch, hour)[0].known.any():
            return False
        made = self._worked_on(known, batch, batches, hour)
        if made is not None:
            self._ensembles[batch.hung_by] = (known, made)
        return True

    def _worked_on(
        self, known: _Known, batch: Batch, batches: Sequence[Batch], hour: int
    ) -> Ensemble | None:
        """Work on its ensemble at an hour for a piece; None: there is more to it."""
        if self._under_way is None or self._under_way[:2] != (known, hour):
            self._under_way = known, hour, self._recomputing(known, batch, batches, hour)
        try:
            next(self._under_way[2])
        except StopIteration as done:
            self._under_way = None
            made: Ensemble = done.value
            return made
        return None

    def read_on(self, space: str, first: int, end: int) -> bool:
        """Read a piece of the air in the epoch hours first ≤ hour < end; whether any was not."""
        return self._hours.read_on(space, first * 60, end * 60, READ_AT_A_TIME_H)

    def newest(self, batch: Batch) -> Ensemble | None:
        """The ensemble as it was last worked out; None: not since the air it went through
        changed."""
        before = self._ensembles.get(batch.hung_by)
        return None if before is None else before[1]

    def standing(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> Standing | None:
        """The batch at an epoch hour; None where nothing is known of the air it has been in."""
        air, light = self._air(batch, hour)
        if not air.known.any():
            return None
        known = self._known(batch, batches, hour, until_ms)
        before = self._ensembles.get(batch.hung_by)
        if before is not None and before[0] == known and before[1].hour <= hour:
            ensemble = dryness.step(before[1], air)
        else:
            prior = self._prior(batch, batches)
            ensemble = dryness.recompute(known.hung, prior, air, known.weighings, known.snap_tests)
        self._ensembles[batch.hung_by] = (known, ensemble)
        return Standing(self.flower(batch), ensemble, air, light)

    def air_in(self, space: str, begin: int, end: int) -> HourlyAir:
        """The air of one space in the epoch hours begin ≤ hour < end."""
        return _hours([self._hours.means(space, begin * 60, end * 60)], begin, end)

    def ahead(self, space: str, ensemble: Ensemble) -> Ahead:
        """The air to come if it goes on as in the last days of this space."""
        recent = self.air_in(space, ensemble.hour - 24 * RECENT_DAYS, ensemble.hour)
        return like_recent_days(ensemble, recent.part(_first_known(recent), len(recent)))

    def flower(self, batch: Batch) -> Flower:
        """What the book knows of its flower, or of any flower."""
        return self._book.find(batch.flower) or self._book.other

    def taught(
        self, flower: str, space: str, batches: Sequence[Batch], before_ms: int
    ) -> tuple[Prior, int]:
        """The book's word on a flower, and what batches of it, hung in this space and finished by
        a time, taught; and how many these were."""
        alike = _teachers(flower, space, batches, before_ms)[-LESSONS:]
        lessons = [self._lesson(b, batches) for b in alike]
        return (learned(lessons) if lessons else book_prior()), len(lessons)

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

    def _prior(self, batch: Batch, batches: Sequence[Batch]) -> Prior:
        return self.taught(batch.flower, batch.stays[0].space, batches, batch.hung_ms)[0]

    def _recomputing(
        self, known: _Known, batch: Batch, batches: Sequence[Batch], hour: int
    ) -> Recomputing:
        prior, air = self._prior(batch, batches), self._air(batch, hour)[0]
        return dryness.recomputing(known.hung, prior, air, known.weighings, known.snap_tests)

    def _known(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> _Known:
        over_ms = hour * HOUR_MS
        end_ms = over_ms if until_ms is None else max(until_ms, over_ms)
        weighings = [
            Weighing(w.at_ms // MINUTE_MS, w.grams) for w in batch.weighings if w.at_ms < end_ms
        ]
        if batch.fresh_mass_g is not None:
            weighings.insert(0, Weighing(batch.hung_ms // MINUTE_MS, batch.fresh_mass_g))
        weighings += self._scales.weighings(batch, batches, over_ms // MINUTE_MS)
        tests = [
            SnapTest(t.at_ms // MINUTE_MS, t.snaps) for t in batch.snap_tests if t.at_ms < end_ms
        ]
        told_ms = [w.at_ms for w in batch.weighings] + [t.at_ms for t in batch.snap_tests]
        return _Known(
            Hung(
                batch.name,
                batch.hung_ms // MINUTE_MS,
                self.flower(batch),
                batch.stems_per_bunch,
                batch.target_pct_db,
            ),
            tuple(weighings),
            tuple(tests),
            any(over_ms <= at_ms < end_ms for at_ms in told_ms),
            tuple((s.space, s.from_ms, s.until_ms) for s in batch.stays if s.from_ms < over_ms),
            _teachers(batch.flower, batch.stays[0].space, batches, batch.hung_ms),
        )

    def _lesson(self, batch: Batch, batches: Sequence[Batch]) -> Lesson:
        """What a finished batch taught, from its hanging to its taking down."""
        end = (batch.taken_down_ms or 0) // HOUR_MS
        known = self._known(batch, batches, end)
        before = self._lessons.get(batch.hung_by)
        if before is not None and before[0] == known:
            return before[2]
        prior, air = self._prior(batch, batches), self._air(batch, end)[0]
        ensemble = dryness.recompute(known.hung, prior, air, known.weighings, known.snap_tests)
        taught = lesson(ensemble, prior)
        self._lessons[batch.hung_by] = (known, end, taught)
        return taught

    def _untaught(self, batch: Batch, batches: Sequence[Batch]) -> Batch | None:
        """A finished batch whose lesson is wanted first, and not known; None: all are known."""
        alike = _teachers(batch.flower, batch.stays[0].space, batches, batch.hung_ms)
        for teacher in alike[-LESSONS:]:
            known = self._known(teacher, batches, (teacher.taken_down_ms or 0) // HOUR_MS)
            before = self._lessons.get(teacher.hung_by)
            if before is None or before[0] != known:
                return self._untaught(teacher, batches) or teacher
        return None


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
