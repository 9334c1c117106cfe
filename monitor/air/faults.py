"""Sensors that fall silent or are stuck, alone or all at once.

A sensor is silent once a minute lies further from its last record than three times its `every`;
that first minute is where the spell begins. When every sensor is quiet it is one fault of the
feed, a spell without space and sensor, and no fault of each; the same when every sensor repeats
itself at once. A sensor that stays away after the feed is back has the usual delay from then.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from monitor.air.spells import INSIDE, Spell, Watch, spell_of
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

HELD_INTERVALS = 3  # a value is held, and a sensor is not yet missed, for so many intervals


class Faults(NamedTuple):
    """What is remembered of the faults; the maps are by sensor.

    feed_back  minute in which the feed was last heard again; 0: never away
    """

    silent: Mapping[str, Watch]
    stuck: Mapping[str, Watch]
    feed_silent: Watch = INSIDE
    feed_stuck: Watch = INSIDE
    feed_back: int = 0

    def none_of(self, sensors: Collection[str]) -> bool:
        """Whether nothing is remembered but that all is well with each of these sensors."""
        watches = (self.feed_silent, self.feed_stuck, *self.silent.values(), *self.stuck.values())
        known = len(self.silent) == len(self.stuck) == len(sensors)
        return known and all(watch == INSIDE for watch in watches)


class Heard(NamedTuple):
    """How a sensor stands at the end of a minute.

    since        minute from which it was expected
    last_ms      time of its last record; None: never heard
    stuck_since  first minute of the run in which it is stuck; None: it moves
    out          it is out of service: nobody misses it
    """

    since: int
    last_ms: int | None
    stuck_since: int | None
    out: bool = False


def held_ms(every_s: float) -> int:
    """How long a value of a sensor is held [ms]."""
    return int(HELD_INTERVALS * every_s * 1000)


def step(
    site: Site, faults: Faults, minute: int, heard: Mapping[str, Heard], feed_frozen: int | None
) -> tuple[Faults, list[Spell]]:
    """One minute further: the new faults, and the spells that ended.

    feed_frozen  first minute since which the whole feed repeats itself; None: it moves
    """
    quiet = {
        name: began
        for name, sensor in site.sensors.items()
        if (began := _quiet_since(heard[name], held_ms(sensor.every_s), minute)) is not None
    }
    still = feed_frozen is not None or any(one.stuck_since is not None for one in heard.values())
    if not quiet and not still and faults.none_of(site.sensors):
        return faults, []
    ended: list[Spell] = []
    faults = _step_silent(site, faults, minute, heard, quiet, ended)
    stuck = {
        name: _run(
            faults.stuck.get(name, INSIDE), heard[name].stuck_since, minute, Kind.STUCK,
            (site.sensors[name].space, name), ended,
        )
        for name in site.sensors
    }  # fmt: skip
    feed_stuck = _run(faults.feed_stuck, feed_frozen, minute, Kind.STUCK, (None, None), ended)
    return faults._replace(stuck=stuck, feed_stuck=feed_stuck), ended


def _step_silent(
    site: Site,
    faults: Faults,
    minute: int,
    heard: Mapping[str, Heard],
    quiet: Mapping[str, int],
    ended: list[Spell],
) -> Faults:
    delay = {name: site.spaces[s.space].delays.silent for name, s in site.sensors.items()}
    waiting = [n for n in quiet if faults.silent.get(n, INSIDE).declared is None]
    away = faults.feed_silent.declared is not None
    expected = sum(not one.out for one in heard.values())
    everything = len(quiet) == expected and (away or len(waiting) >= 2)
    silent: dict[str, Watch] = {}
    for name, sensor in site.sensors.items():
        watch = faults.silent.get(name, INSIDE)
        missed = quiet.get(name)
        if missed is not None and watch.declared is None:
            counted = minute + 1 - max(missed, faults.feed_back)
            if everything or counted < delay[name]:
                silent[name] = Watch(began=missed)
                continue
        silent[name] = _run(watch, missed, minute, Kind.SILENT, (sensor.space, name), ended)
    feed: int | None = None
    if everything:
        began = faults.feed_silent.began or min(quiet[n] for n in waiting)
        if away or minute + 1 - began >= max(delay[n] for n in quiet):
            feed = began
    feed_silent = _run(faults.feed_silent, feed, minute, Kind.SILENT, (None, None), ended)
    feed_back = minute if away and feed is None else faults.feed_back
    return faults._replace(silent=silent, feed_silent=feed_silent, feed_back=feed_back)


def _quiet_since(heard: Heard, hold_ms: int, minute: int) -> int | None:
    if heard.out:
        return None
    if heard.last_ms is None or heard.last_ms < heard.since * MINUTE_MS:
        return heard.since
    covered_until = heard.last_ms + hold_ms
    return covered_until // MINUTE_MS + 1 if minute * MINUTE_MS > covered_until else None


def _run(
    watch: Watch,
    began: int | None,
    minute: int,
    kind: Kind,
    place: tuple[str | None, str | None],
    ended: list[Spell],
) -> Watch:
    """A fault that goes on from `began`, or is over; its worst is its length in hours."""
    if watch.declared is not None and watch.began is not None and began != watch.began:
        over = watch._replace(worst=(minute - watch.began) / 60)
        spell = spell_of(over, kind, place[0], minute, minute, place[1])
        if spell is not None:
            ended.append(spell)
        watch = INSIDE
    if began is None:
        return INSIDE
    declared = minute if watch.declared is None else watch.declared
    return Watch(began, declared, (minute + 1 - began) / 60, minute)


def going_on(site: Site, faults: Faults) -> list[Spell]:
    """The faults that are declared and not over."""
    found = [
        spell_of(watch, kind, site.sensors[name].space, sensor=name)
        for kind, watches in ((Kind.SILENT, faults.silent), (Kind.STUCK, faults.stuck))
        for name, watch in watches.items()
        if name in site.sensors
    ]
    found += [
        spell_of(faults.feed_silent, Kind.SILENT, None),
        spell_of(faults.feed_stuck, Kind.STUCK, None),
    ]
    return [spell for spell in found if spell is not None]
