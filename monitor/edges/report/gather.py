"""Everything that a weekly report tells, gathered from one moment of the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from monitor.edges.report.numbers import SpaceWeek, SpellHours, hours_within, space_week
from monitor.edges.report.weeks import Week
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
    spaces       those that were there, in the order of the settings
    before       the same spaces in the week before, where they were there
    faults       sensors silent or stuck, alone (with their name) or all at once (without)
    """

    site: Site
    week: Week
    begin: int
    end: int
    over: bool
    spaces: list[SpaceWeek]
    before: dict[str, SpaceWeek]
    sensors: list[SensorWeek]
    faults: list[SpellHours]
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
    before_begin, _ = week.before().span(site.timezone)
    faults = [
        SpellHours(spell, hours_within(spell, begin, end))
        for spell in reader.spells(begin, end)
        if spell.kind in (Kind.SILENT, Kind.STUCK)
    ]
    heard = reader.heard(begin * MINUTE_MS, end * MINUTE_MS)
    spaces = [_space(reader, site, name, begin, end) for name in site.spaces]
    before = [_space(reader, site, name, before_begin, begin) for name in site.spaces]
    return SiteWeek(
        site=site,
        week=week,
        begin=begin,
        end=end,
        over=end == week_end,
        spaces=[space for space in spaces if space is not None],
        before={space.space.name: space for space in before if space is not None},
        sensors=[_sensor(sensor, heard.get(name), faults) for name, sensor in site.sensors.items()],
        faults=faults,
        notices=_notices(list(reader.notices(begin * MINUTE_MS, end * MINUTE_MS))),
        unread=sum(1 for _ in reader.unread(begin * MINUTE_MS, end * MINUTE_MS)),
    )


def _space(reader: Reader, site: Site, name: str, begin: int, end: int) -> SpaceWeek | None:
    return space_week(reader, site, site.spaces[name], begin, end)


def _sensor(sensor: Sensor, heard: Heard | None, faults: list[SpellHours]) -> SensorWeek:
    hours = dict.fromkeys((Kind.SILENT, Kind.STUCK), 0.0)
    for fault in faults:
        if fault.spell.sensor == sensor.name:
            hours[fault.spell.kind] += fault.hours
    return SensorWeek(sensor, heard, hours[Kind.SILENT], hours[Kind.STUCK])


def _notices(deliveries: list[Delivery]) -> NoticesWeek:
    made = {d.number for d in deliveries}
    sent = {d.number for d in deliveries if d.sent_ms is not None}
    seen = {d.number for d in deliveries if d.seen_ms is not None}
    failed = {d.number for d in deliveries if d.failure is not None} - sent
    return NoticesWeek(len(made), len(sent), len(seen), len(failed))
