"""Everything that a weekly report tells, gathered from one moment of the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from monitor.edges.report.numbers import SpaceWeek, SpellHours, hours_within, space_week
from monitor.edges.report.weeks import Week
from monitor.room.batches import Batch, fold
from monitor.room.entries import standing
from monitor.room.readings import MINUTE_MS, Sensor
from monitor.room.spaces import Site
from monitor.room.spells import Kind
from monitor.store.reader import Delivery, Heard, Reader


class NotYetError(ValueError):
    """The week has not begun; str() is one plain sentence."""


class SensorWeek(NamedTuple):
    """How a sensor did: what it told (None: nothing), hours silent and hours stuck."""

    sensor: Sensor
    heard: Heard | None
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
    hanging      batches that hang as the week ends
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
    hanging: list[Batch]
    taken_down: list[Batch]
    notices: NoticesWeek
    unread: int

    @property
    def known_h(self) -> float:
        """Hours known, all spaces together."""
        return sum(sum(space.known_h.values()) for space in self.spaces)


def gather(reader: Reader, site: Site, week: Week, now_ms: int) -> SiteWeek:
    """All of a week. raises NotYetError"""
    begin, week_end = week.span(site.timezone)
    end = min(week_end, now_ms // MINUTE_MS)
    if end <= begin:
        raise NotYetError(f"week {week} has not begun yet; ask for one that has, such as the last")
    faults = [
        SpellHours(spell, hours_within(spell, begin, end))
        for spell in reader.spells(begin, end)
        if spell.kind in (Kind.SILENT, Kind.STUCK)
    ]
    heard = reader.heard(begin * MINUTE_MS, end * MINUTE_MS)
    batches = fold(standing(reader.entries()), site.spaces).batches
    return SiteWeek(
        site=site,
        week=week,
        begin=begin,
        end=end,
        over=end == week_end,
        means=reader.means_until(begin, end) is not None,
        spaces=list(_spaces(reader, site, begin, end).values()),
        before=_spaces(reader, site, *week.before().span(site.timezone)),
        year_before=_spaces(reader, site, *week.a_year_before().span(site.timezone)),
        sensors=[_sensor(sensor, heard.get(name), faults) for name, sensor in site.sensors.items()],
        faults=faults,
        hanging=[b for b in batches if _hangs_at_end(b, end * MINUTE_MS)],
        taken_down=[b for b in batches if _taken_down_in(b, begin * MINUTE_MS, end * MINUTE_MS)],
        notices=_notices(list(reader.notices(begin * MINUTE_MS, end * MINUTE_MS))),
        unread=sum(1 for _ in reader.unread(begin * MINUTE_MS, end * MINUTE_MS)),
    )


def _spaces(reader: Reader, site: Site, begin: int, end: int) -> dict[str, SpaceWeek]:
    weeks = {n: space_week(reader, site, space, begin, end) for n, space in site.spaces.items()}
    return {name: week for name, week in weeks.items() if week is not None}


def _sensor(sensor: Sensor, heard: Heard | None, faults: list[SpellHours]) -> SensorWeek:
    hours = dict.fromkeys((Kind.SILENT, Kind.STUCK), 0.0)
    for fault in faults:
        if fault.spell.sensor == sensor.name:
            hours[fault.spell.kind] += fault.hours
    return SensorWeek(sensor, heard, hours[Kind.SILENT], hours[Kind.STUCK])


def _taken_down_in(batch: Batch, from_ms: int, to_ms: int) -> bool:
    return batch.taken_down_ms is not None and from_ms <= batch.taken_down_ms < to_ms


def _hangs_at_end(batch: Batch, to_ms: int) -> bool:
    down_ms = batch.taken_down_ms
    return batch.hung_ms < to_ms and (down_ms is None or down_ms >= to_ms)


def _notices(deliveries: list[Delivery]) -> NoticesWeek:
    made = {d.number for d in deliveries}
    sent = {d.number for d in deliveries if d.sent_ms is not None}
    seen = {d.number for d in deliveries if d.seen_ms is not None}
    failed = {d.number for d in deliveries if d.failure is not None} - sent
    return NoticesWeek(len(made), len(sent), len(seen), len(failed))
