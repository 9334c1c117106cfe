"""Everything that a weekly report tells, gathered from one moment of the store."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from monitor.ahead.airing_hours import AiringSeen, airing_seen
from monitor.air.minute import MinuteOfAir
from monitor.drying.hours import NO_HOURS, HourMeans
from monitor.drying.prospects import KEPT, Prospect
from monitor.drying.standing import Standings
from monitor.edges.report.batches import BatchWeek, batch_weeks
from monitor.edges.report.numbers import SpaceWeek, SpellHours, hours_within, space_week
from monitor.edges.report.order import Week
from monitor.edges.report.outcomes import Promise, Taken, promises, taken
from monitor.entries.batches import Batch, fold
from monitor.entries.entries import Calibration, Service, calibrations, services, standing
from monitor.science.moist_air import standard_pressure
from monitor.site.flowers import Book
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Sensor, Site, Use
from monitor.site.time import DAY_MIN, MINUTE_MS, midnight
from monitor.store import connection
from monitor.store.connection import made_ms
from monitor.store.queries import NoticeSent, Reader
from monitor.store.readings import SensorCount


class NotYetError(ValueError):
    """The week has not begun; str() is one plain sentence."""


class SensorWeek(NamedTuple):
    """How a sensor did: what it told (None: nothing), hours silent and hours stuck."""

    sensor: Sensor
    heard: SensorCount | None
    silent_h: float
    stuck_h: float


class NoticesWeek(NamedTuple):
    """Notices made, and of these sent to somebody, seen by somebody, given up."""

    made: int
    sent: int
    seen: int
    failed: int


@dataclass(frozen=True)
class SiteWeek:
    """A week of the whole site.

    begin, end   what can be known of the week [UTC epoch minutes]
    over         False: the week is still going on
    means        single minutes are not kept any more: their ten-minute means stand for them
    spaces       those that were there, in the order of the settings
    before       the same spaces in the week before, where they were there
    year_before  and in the week of the same season a year before
    airing       what was made of good air outside, of the spaces for hanging; where it can be told
    batches      those that hung in the week
    kept         those that were taken down and are kept as the week ends, and how they stand
    season       all that were taken down this year, up to the week's end
    promises     what was promised of these
    changed      sensors swapped, corrected, out of service or back in it, in order of time
    faults       sensors silent or stuck, alone (with their name) or all at once (without)
    """

    site: Site
    week: Week
    begin: int
    end: int
    over: bool
    means: bool
    spaces: list[SpaceWeek]
    before: dict[str, SpaceWeek]
    year_before: dict[str, SpaceWeek]
    sensors: list[SensorWeek]
    faults: list[SpellHours]
    changed: list[Calibration | Service]
    airing: dict[str, AiringSeen]
    batches: list[BatchWeek]
    kept: list[tuple[Batch, Prospect]]
    season: list[Taken]
    promises: list[Promise]
    notices: NoticesWeek
    unread: int
    machine: Machine

    @property
    def hanging(self) -> list[BatchWeek]:
        """The batches that hang as the week ends."""
        return [b for b in self.batches if b.batch.hangs_at(self.end * MINUTE_MS - 1)]

    @property
    def taken_down(self) -> list[Taken]:
        """The batches taken down in the week."""
        begin_ms, end_ms = self.begin * MINUTE_MS, self.end * MINUTE_MS
        return [t for t in self.season if begin_ms <= (t.batch.taken_down_ms or 0) < end_ms]

    @property
    def known_h(self) -> float:
        """Hours known, all spaces together."""
        return sum(sum(space.known_h.values()) for space in self.spaces)


class Source:
    """A store as the reports read it; what was worked out of its batches is kept from one week to
    the next."""

    def __init__(
        self, reader: Reader, store: Path, site: Site, book: Book, backups: Path | None = None
    ) -> None:
        self.reader = reader
        self.site = site
        self.standings = Standings(book, HoursOfAir(reader), reader)
        entered = standing(reader.entries())
        self.history = fold(entered, site.spaces).batches
        self.changes: list[Calibration | Service] = [*calibrations(entered), *services(entered)]
        self.changes.sort(key=lambda change: change.from_ms)
        self.store, self.backups = store, backups
        self._taken: dict[int, Taken] = {}
        self._promises: dict[int, list[Promise]] = {}

    def taken_down(self, begin: int, end: int) -> list[Taken]:
        """Batches taken down in begin ≤ minute < end, in order of that."""
        return [self._taken_of(batch) for batch in self._down(begin, end)]

    def promised(self, begin: int, end: int) -> list[Promise]:
        """What was promised of the batches taken down in begin ≤ minute < end."""
        return [p for batch in self._down(begin, end) for p in self._promises_of(batch)]

    def _down(self, begin: int, end: int) -> list[Batch]:
        down = [
            (batch.taken_down_ms, n, batch)
            for n, batch in enumerate(self.history)
            if batch.taken_down_ms is not None
            and begin * MINUTE_MS <= batch.taken_down_ms < end * MINUTE_MS
        ]
        return [batch for _, _, batch in sorted(down, key=lambda one: one[:2])]

    def _taken_of(self, batch: Batch) -> Taken:
        if batch.hung_by not in self._taken:
            self._taken[batch.hung_by] = taken(
                self.reader, self.standings, self.site, batch, self.history
            )
        return self._taken[batch.hung_by]

    def _promises_of(self, batch: Batch) -> list[Promise]:
        if batch.hung_by not in self._promises:
            zone = self.site.timezone
            told = promises(self.reader, self.standings, zone, batch, self.history)
            self._promises[batch.hung_by] = list(told)
        return self._promises[batch.hung_by]


def gather(source: Source, week: Week, now_ms: int) -> SiteWeek:
    """All of a week. raises NotYetError"""
    reader, site = source.reader, source.site
    begin, week_end = week.span(site.timezone)
    end = min(week_end, now_ms // MINUTE_MS)
    if end <= begin:
        raise NotYetError(f"week {week} has not begun yet; ask for one that has, such as the last")
    faults = [
        SpellHours(spell, hours_within(spell, begin, end))
        for spell in reader.spells(begin, end)
        if spell.kind.row.fault
    ]
    heard = reader.heard(begin * MINUTE_MS, end * MINUTE_MS)
    spaces = spaces_in(reader, site, begin, end)
    season = midnight(week.monday.replace(month=1, day=1), site.timezone)
    return SiteWeek(
        site=site,
        week=week,
        begin=begin,
        end=end,
        over=end == week_end,
        means=reader.means_until(begin, end) is not None,
        spaces=list(spaces.values()),
        before=spaces_in(reader, site, *week.before().span(site.timezone)),
        year_before=spaces_in(reader, site, *week.a_year_before().span(site.timezone)),
        sensors=[_sensor(sensor, heard.get(name), faults) for name, sensor in site.sensors.items()],
        changed=[c for c in source.changes if begin <= c.from_ms // MINUTE_MS < end],
        faults=faults,
        airing=airings(site, list(spaces.values())),
        batches=batch_weeks(reader, source.standings, site, spaces, source.history, begin, end),
        kept=_kept(reader, source.history, end),
        season=source.taken_down(season, end),
        promises=source.promised(season, end),
        notices=_notices(list(reader.notices(begin * MINUTE_MS, end * MINUTE_MS))),
        unread=sum(1 for _ in reader.unread(begin * MINUTE_MS, end * MINUTE_MS)),
        machine=machine(reader, site, source.store, source.backups, end),
    )


def _kept(reader: Reader, batches: Sequence[Batch], end: int) -> list[tuple[Batch, Prospect]]:
    """Batches kept in a space as the week ends, with what was last said of each."""
    kept = []
    for batch in batches:
        down_ms = batch.taken_down_ms
        if down_ms is None or down_ms >= end * MINUTE_MS:
            continue
        said = reader.said_of(batch.hung_by, down_ms, end * MINUTE_MS)
        if batch.space_at(end * MINUTE_MS - 1) is not None and said and said.state == KEPT:
            kept.append((batch, said))
    return kept


def spaces_in(reader: Reader, site: Site, begin: int, end: int) -> dict[str, SpaceWeek]:
    """The spaces that were there in begin ≤ minute < end, in the order of the settings."""
    weeks = {n: space_week(reader, site, space, begin, end) for n, space in site.spaces.items()}
    return {name: week for name, week in weeks.items() if week is not None}


def _sensor(sensor: Sensor, heard: SensorCount | None, faults: list[SpellHours]) -> SensorWeek:
    hours = dict.fromkeys((Kind.SILENT, Kind.STUCK), 0.0)
    for fault in faults:
        if fault.spell.sensor == sensor.name:
            hours[fault.spell.kind] += fault.hours
    return SensorWeek(sensor, heard, hours[Kind.SILENT], hours[Kind.STUCK])


def _notices(deliveries: list[NoticeSent]) -> NoticesWeek:
    made = {d.number for d in deliveries}
    sent = {d.number for d in deliveries if d.sent_ms is not None}
    seen = {d.number for d in deliveries if d.seen_ms is not None}
    failed = {d.number for d in deliveries if d.failure is not None} - sent
    return NoticesWeek(len(made), len(sent), len(seen), len(failed))


_COLUMNS = ("temperature_c", "relative_humidity_pct", "illuminance_lx")


class HoursOfAir:
    """The reader's minutes as an archive of hours; where only ten-minute means are left, those."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end of a space, where there are any."""
        if begin >= end:
            return NO_HOURS
        air = self._reader.air_of(space, begin, end, _COLUMNS)
        temperature, humidity, light = (air[column] for column in _COLUMNS)
        hour = np.arange(begin, end) // 60
        slot = hour - hour[0]
        both = ~np.isnan(temperature) & ~np.isnan(humidity)
        count = int(slot[-1]) + 1
        minutes = np.bincount(slot[both], minlength=count)
        with np.errstate(invalid="ignore"):
            mean_c = np.bincount(slot[both], temperature[both], count) / minutes
            mean_pct = np.bincount(slot[both], humidity[both], count) / minutes
        dose = np.bincount(slot, np.nan_to_num(light), count) / 60
        heard = both | ~np.isnan(light)
        there = np.flatnonzero(np.bincount(slot[heard], minlength=count))
        return HourMeans(
            hour[0] + there, mean_c[there], mean_pct[there], minutes[there], dose[there]
        )


# A battery that told nothing for so long is not known.
_BATTERY_DAYS = 2


class Machine(NamedTuple):
    """As the report is written: bytes of the store and free beside it, and the last backup.

    batteries  of the sensors that tell theirs, at the week's end: sensor → value in its unit
    backed_up_ms  when the last backup was made [UTC epoch ms]; None: there is none, or nowhere
                  to look (`backups` is then False)
    """

    batteries: dict[str, float]
    store_bytes: int
    free_bytes: int
    backups: bool
    backed_up_ms: int | None
    backups_kept: int


def machine(reader: Reader, site: Site, store: Path, backups: Path | None, end: int) -> Machine:
    """Batteries at a week's end [UTC epoch minutes]; disk and backups as they are now."""
    batteries: dict[str, float] = {}
    if any(Quantity.BATTERY in sensor.reads for sensor in site.sensors.values()):
        begin_ms = (end - _BATTERY_DAYS * DAY_MIN) * MINUTE_MS
        batteries = reader.last_values(Quantity.BATTERY, begin_ms, end * MINUTE_MS)
    found = [] if backups is None else connection.backups(store, backups)
    return Machine(
        batteries=batteries,
        store_bytes=store.stat().st_size,
        free_bytes=shutil.disk_usage(store.parent).free,
        backups=backups is not None,
        backed_up_ms=made_ms(store, found[-1]) if found else None,
        backups_kept=len(found),
    )


# The air is looked at so often: it changes slowly.
STEP_MIN = 10
_TOLD = ["temperature_c", "relative_humidity_pct", "dew_point_c", "surface_margin_k"]


def airings(site: Site, spaces: Sequence[SpaceWeek]) -> dict[str, AiringSeen]:
    """Hours of airing used and missed in each space for hanging; those that can be told."""
    outdoors = next((space for space in spaces if space.space.name == OUTDOORS), None)
    if outdoors is None:
        return {}
    pressure_pa = standard_pressure(site.elevation_m)
    found = {}
    for space in spaces:
        if space.space.use is Use.HANGING:
            minutes = space.minutes.index[space.minutes.index % STEP_MIN == 0]
            seen = airing_seen(
                list(air(space, minutes)),
                list(air(outdoors, minutes)),
                pressure_pa,
                STEP_MIN,
                space.space.limits.hot_c,
            )
            if seen.known_h:
                found[space.space.name] = seen
    return found


def air(space: SpaceWeek, minutes: pd.Index[int]) -> Iterator[MinuteOfAir]:
    """The air in these minutes, as far as airing asks for it."""
    table = space.minutes[_TOLD].reindex(minutes).to_numpy(dtype="float64")
    for minute, row in zip(minutes.tolist(), table.tolist(), strict=True):
        t, rh, dew, margin = (None if math.isnan(value) else value for value in row)
        yield MinuteOfAir(minute, space.space.name, t, rh, None, dew, None, None, None, margin, 1)
