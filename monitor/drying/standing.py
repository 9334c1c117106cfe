"""How every batch stands: its ensemble, and what finished ones taught, remembered between hours.

An ensemble is stepped on by an hour at a time. It is worked out anew from its hanging when
something else became known: a weighing, a snap test, a move, air that late readings changed, an
entry about a finished batch of which it learned. For half a year of hours and a weighing a day that
takes a second, so it is done in pieces, each once through the air, between turns at the socket.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.drying import ensemble as dryness
from monitor.drying.ensemble import BentStem, BunchMass, Ensemble, Pieces
from monitor.drying.hours import (
    RECENT_DAYS,
    AirToCome,
    HourlyAir,
    HourMeans,
    HoursKept,
    KnownHours,
    UsualDay,
    like_recent_days,
    usual_day,
    without_holes,
)
from monitor.drying.members import Evidence, Hung, Prior, book_prior, evidence, learned
from monitor.drying.scales import MassesKept, Scales
from monitor.entries.batches import Batch
from monitor.site.flowers import Book, Flower
from monitor.site.time import HOUR_MS, MINUTE_MS

TEACHERS = 8  # finished batches that are learned from


class _Known(NamedTuple):
    """All that an ensemble was worked out from besides the air.

    early     something was told of the hour that is not over yet: counted at its beginning, so
              that it shows at once, and again in its place when the hour is over
    teachers  finished batches of which it learned
    """

    hung: Hung
    weighings: tuple[BunchMass, ...]
    snap_tests: tuple[BentStem, ...]
    early: bool
    stays: tuple[tuple[str, int, int | None], ...]
    teachers: tuple[Batch, ...]


class StandingBatch(NamedTuple):
    """A batch at a full hour, from all that was known of it by then.

    air         hour by hour since it was hung, wherever it was
    light_lx_h  light dose of each of these hours [lx·h]
    """

    flower: Flower
    ensemble: Ensemble
    air: HourlyAir
    light_lx_h: NDArray[np.float64]


class Standings:
    """Remembers the ensembles of a site's batches.

    Of an hour that is not over yet, `until_ms` says up to when entries count; None: only those of
    the hours that are over.
    """

    def __init__(self, book: Book, hours: HoursKept, scales: MassesKept) -> None:
        self._book = book
        self._scales = Scales(scales)
        self._hours = KnownHours(hours)
        self._ensembles: dict[int, tuple[_Known, Ensemble]] = {}
        self._evidence: dict[int, tuple[_Known, int, Evidence]] = {}
        self._usual: dict[str, UsualDay] = {}

    def forget_since(self, minute: int) -> bool:
        """Late readings changed the air from this minute on: what went through it is worked out
        anew. Whether a batch did. What is being worked out has to be begun anew."""
        self._hours.forget_since(minute)
        self._scales.forget_since(minute)
        self._usual = {space: day for space, day in self._usual.items() if day.hour * 60 <= minute}
        through = [n for n, (_, made) in self._ensembles.items() if made.hour * 60 > minute]
        for number in through:
            del self._ensembles[number]
        # What a batch finished since then taught; whoever learned of it lives past this minute too.
        for number, (_, end, _) in list(self._evidence.items()):
            if end * 60 > minute:
                del self._evidence[number]
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

    def stand(
        self,
        some: Sequence[Batch],
        batches: Sequence[Batch],
        hour: int,
        until_ms: int | None = None,
    ) -> Pieces[list[StandingBatch | None]]:
        """Some of the batches at an epoch hour; None where nothing is known of their air.

        Those that only want stepping on are stepped as one.
        """
        known, airs = [], {}
        for batch in some:
            for stay in batch.stays:
                end = hour if stay.until_ms is None else min(stay.until_ms // HOUR_MS, hour)
                yield from self.read(stay.space, stay.from_ms // HOUR_MS, end)
            air, light = self._air(batch, hour)
            if not air.known.any():
                continue
            known.append(batch)
            airs[batch.hung_by] = air, light
            if not self.holds(batch, batches, hour, until_ms):
                told = self._known(batch, batches, hour, until_ms)
                made = yield from self._recompute(told, batch, batches, air)
                self._ensembles[batch.hung_by] = told, made
                yield
        ensembles = [self._ensembles[batch.hung_by][1] for batch in known]
        stepped = dryness.step_each(ensembles, [airs[batch.hung_by][0] for batch in known])
        for batch, ensemble in zip(known, stepped, strict=True):
            self._ensembles[batch.hung_by] = self._ensembles[batch.hung_by][0], ensemble
        return [
            StandingBatch(
                self.flower(batch), self._ensembles[batch.hung_by][1], *airs[batch.hung_by]
            )
            if batch.hung_by in airs
            else None
            for batch in some
        ]

    def standing(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> StandingBatch | None:
        """One batch at an epoch hour; None where nothing is known of the air it has been in."""
        return dryness.whole(self.stand([batch], batches, hour, until_ms))[0]

    def read(self, space: str, first: int, end: int) -> Iterator[None]:
        """Read the air of the epoch hours first ≤ hour < end, as far as it was not read yet."""
        return self._hours.read(space, first * 60, end * 60)

    def air_in(self, space: str, begin: int, end: int) -> HourlyAir:
        """The air of one space in the epoch hours begin ≤ hour < end."""
        return _hours([self._hours.means(space, begin * 60, end * 60)], begin, end)

    def ahead(self, space: str, ensemble: Ensemble) -> AirToCome:
        """The air to come if it goes on as in the last days of this space."""
        usual = self._usual.get(space)
        if usual is None or usual.hour != ensemble.hour:
            recent = self.air_in(space, ensemble.hour - 24 * RECENT_DAYS, ensemble.hour)
            recent = recent.part(_first_known(recent), len(recent))
            self._usual[space] = usual = usual_day(recent, ensemble.hour)
        return like_recent_days(ensemble.hung, usual)

    def flower(self, batch: Batch) -> Flower:
        """What the book knows of its flower, or of any flower."""
        return self._book.find(batch.flower) or self._book.other

    def taught(
        self, flower: str, space: str, batches: Sequence[Batch], before_ms: int
    ) -> Pieces[tuple[Prior, int]]:
        """The book's word on a flower, and what batches of it, hung in this space and finished by
        a time, taught; and how many these were."""
        told = []
        for teacher in _teachers(flower, space, batches, before_ms)[-TEACHERS:]:
            one = yield from self._taught_by(teacher, batches)
            told.append(one)
        return (learned(told) if told else book_prior()), len(told)

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

    def _recompute(
        self, known: _Known, batch: Batch, batches: Sequence[Batch], air: HourlyAir
    ) -> Pieces[Ensemble]:
        """The ensemble from its hanging, by all that is known."""
        prior, _ = yield from self._prior(batch, batches)
        made = yield from dryness.recompute(
            known.hung, prior, air, known.weighings, known.snap_tests
        )
        return made

    def _prior(self, batch: Batch, batches: Sequence[Batch]) -> Pieces[tuple[Prior, int]]:
        return self.taught(batch.flower, batch.stays[0].space, batches, batch.hung_ms)

    def _known(
        self, batch: Batch, batches: Sequence[Batch], hour: int, until_ms: int | None = None
    ) -> _Known:
        over_ms = hour * HOUR_MS
        end_ms = over_ms if until_ms is None else max(until_ms, over_ms)
        weighings = [
            BunchMass(w.at_ms // MINUTE_MS, w.grams) for w in batch.weighings if w.at_ms < end_ms
        ]
        if batch.fresh_mass_g is not None:
            weighings.insert(0, BunchMass(batch.hung_ms // MINUTE_MS, batch.fresh_mass_g))
        weighings += self._scales.weighings(batch, batches, over_ms // MINUTE_MS)
        tests = [
            BentStem(t.at_ms // MINUTE_MS, t.snaps) for t in batch.snap_tests if t.at_ms < end_ms
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

    def _taught_by(self, batch: Batch, batches: Sequence[Batch]) -> Pieces[Evidence]:
        """What a finished batch taught, from its hanging to its taking down."""
        end = (batch.taken_down_ms or 0) // HOUR_MS
        known = self._known(batch, batches, end)
        before = self._evidence.get(batch.hung_by)
        if before is not None and before[0] == known:
            return before[2]
        for stay in batch.stays:
            yield from self.read(stay.space, stay.from_ms // HOUR_MS, end)
        prior, _ = yield from self._prior(batch, batches)
        air, _ = self._air(batch, end)
        made = yield from dryness.recompute(
            known.hung, prior, air, known.weighings, known.snap_tests
        )
        taught = evidence(made.points, prior)
        self._evidence[batch.hung_by] = (known, end, taught)
        yield
        return taught


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
