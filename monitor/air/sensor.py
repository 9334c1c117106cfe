"""One sensor followed from record to record: what to doubt, what it stands for, when it is missed.

The record by record rules are in `quality` and `still`; here are the changes people made to the
sensor, the values held from one record to the next, and the sensor's word for a minute.

A sensor is silent once a minute lies further from its last record than three times its `every`;
that first minute is where the spell begins. When every sensor is quiet it is one fault of the
feed, a spell without space and sensor, and no fault of each; the same when every sensor repeats
itself at once. A sensor that stays away after the feed is back has the usual delay from then.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

from monitor.air import quality
from monitor.air import still as stuck
from monitor.air.minute import SensorMinute
from monitor.air.spells import INSIDE, Spell, Watch, spell_of
from monitor.entries.entries import Calibration, Service, holding, out_of_service
from monitor.site.kinds import Kind
from monitor.site.quantities import DOUBTFUL, Flag, Quantity
from monitor.site.spaces import Sensor, Site
from monitor.site.time import MINUTE_MS

# What one sensor told at one time: quantity → (value, flags as stored).
Record = Mapping[Quantity, tuple[float, Flag]]
# The records of one minute: sensor → time [ms] → record.
Records = Mapping[str, Mapping[int, Record]]
# Finds what a sensor told next after a time, of each quantity, if it is there yet.
Following = Callable[[str, int], tuple[int, Record] | None]
# (time [ms], sensor, quantity) → flags, where they differ from those stored.
Flags = dict[tuple[int, str, Quantity], Flag]

# Flags that the fold gives anew each time; all others were given when the reading was accepted.
# RANGE is given then too, but a calibration changes what is in range, and may be undone.
JUDGED = (
    Flag.RANGE
    | Flag.STEP
    | Flag.STUCK
    | Flag.FEED
    | Flag.IN_THE_SUN
    | Flag.DISAGREES
    | Flag.OUT_OF_SERVICE
)
# As a sensor's minute has them.
OF_THE_AIR = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.ILLUMINANCE,
    Quantity.SURFACE_TEMPERATURE,
)
MOIST = (Quantity.TEMPERATURE, Quantity.HUMIDITY)


class SensorState(NamedTuple):
    """What is remembered of a sensor.

    since    minute from which it was expected; later than now while it is out of service
    track    see quality
    held     quantity → (time [ms], value) of its last good reading
    last_ms  time of its last record; None: never heard
    doubted  minute of its last record, if that waits for the next one to confirm a jump
    """

    since: int
    track: quality.Track = quality.Track()
    held: Mapping[Quantity, tuple[int, float]] = {}
    last_ms: int | None = None
    doubted: int | None = None


class Follower:
    """One sensor of the settings, with what people said of it since.

    calibrations, services  of this sensor
    """

    def __init__(
        self, sensor: Sensor, calibrations: Sequence[Calibration], services: Sequence[Service]
    ) -> None:
        self.sensor = sensor
        self._calibrations = calibrations
        self._services = services

    def minute(
        self,
        state: SensorState,
        feed: stuck.Feed,
        minute: int,
        records: Mapping[int, Record],
        following: Following,
        flags: Flags,
    ) -> tuple[SensorState, SensorMinute]:
        """One minute further, record by record: its new state, and what it says of the minute.

        feed       how the whole feed stood at the end of the minute before
        records    of this minute
        flags      takes up those that differ from what is stored
        """
        good: dict[Quantity, list[float]] = {}
        held = dict(state.held)
        for time_ms in sorted(records):
            record = records[time_ms]
            values = self._values(time_ms, record)
            if not values and all(flag & Flag.TOO_OLD for _, flag in record.values()):
                continue
            if self._out(time_ms):
                self._set_aside(time_ms, record, flags)
                state = state._replace(last_ms=time_ms)
                continue
            track = self._track(state, time_ms)
            judged, track, doubted = self._judge(track, feed, time_ms, values, following)
            for quantity, (_, stored) in record.items():
                flag = judged.get(quantity, Flag.NONE)
                if stored is not Flag.NONE:  # rare, and an IntFlag reckons slowly
                    flag |= stored & ~JUDGED
                if flag != stored:
                    flags[(time_ms, self.sensor.name, quantity)] = flag
                if flag is Flag.NONE or not flag & DOUBTFUL:
                    good.setdefault(quantity, []).append(values[quantity])
                    held[quantity] = (time_ms, values[quantity])
            state = SensorState(state.since, track, held, time_ms, minute if doubted else None)
        if self._out((minute + 1) * MINUTE_MS - 1):
            # Back in service it is as if new: expected from then on, with no past to judge by.
            state = SensorState(since=minute + 1, last_ms=state.last_ms)
        return state, _sensor_minute(self.sensor, state, minute, good)

    def _set_aside(self, time_ms: int, record: Record, flags: Flags) -> None:
        for quantity, (_, stored) in record.items():
            flag = (stored & ~JUDGED) | Flag.OUT_OF_SERVICE
            if flag != stored:
                flags[(time_ms, self.sensor.name, quantity)] = flag

    def heard(self, state: SensorState, minute: int) -> Presence:
        """How it stands at the end of a minute."""
        still = quality.stuck_since(state.track, minute)
        return Presence(state.since, state.last_ms, still, state.since > minute)

    def change_from(self, minute: int) -> int | None:
        """The first minute from this one on in which it was calibrated or swapped; None: none."""
        changes = (change.from_ms // MINUTE_MS for change in self._calibrations)
        return min((change for change in changes if change >= minute), default=None)

    def unchanged_until(self, state: SensorState, minute: int, end: int) -> int:
        """The first minute from this one on in which people changed something about it, or `end`.

        It is this one while the sensor is out of service, or a swap waits for its first record.
        """
        begin_ms, heard_ms = minute * MINUTE_MS, -1 if state.last_ms is None else state.last_ms
        if self._out(begin_ms):
            return minute
        changes = [
            c.from_ms
            for c in self._calibrations
            if c.from_ms > begin_ms or (c.swapped and c.from_ms > heard_ms)
        ]
        changes += [s.from_ms for s in self._services if s.from_ms > begin_ms]
        return min([end, *(max(minute, from_ms // MINUTE_MS) for from_ms in changes)])

    def calibrated(self, quantity: Quantity, values: quality.Floats, at_ms: int) -> quality.Floats:
        """Values (n) as they are by the calibration that holds at a time."""
        if not self._calibrations:
            return values
        slope, offset = holding(self._calibrations, self.sensor.name, quantity, at_ms)
        return quality.admitted(quantity, slope * values + offset)

    def _out(self, time_ms: int) -> bool:
        known = self._services
        return bool(known) and out_of_service(known, self.sensor.name, time_ms) is not None

    def _values(self, time_ms: int, record: Record) -> dict[Quantity, float]:
        """The values of a record but those too old, calibrated; humidity stops at 100 %."""
        values = {
            q: value
            for q, (value, flag) in record.items()
            if flag is Flag.NONE or not flag & Flag.TOO_OLD
        }
        if changes := self._calibrations:
            for quantity, value in values.items():
                slope, offset = holding(changes, self.sensor.name, quantity, time_ms)
                values[quantity], _ = quality.admit(quantity, slope * value + offset)
        return values

    def _track(self, state: SensorState, time_ms: int) -> quality.Track:
        """What is remembered of a sensor before a record: nothing where it was swapped since."""
        last_ms = -1 if state.last_ms is None else state.last_ms
        for change in self._calibrations:
            if change.swapped and last_ms < change.from_ms <= time_ms:
                return quality.Track()
        return state.track

    def _judge(
        self,
        track: quality.Track,
        feed: stuck.Feed,
        time_ms: int,
        values: Mapping[Quantity, float],
        following: Following,
    ) -> tuple[dict[Quantity, Flag], quality.Track, bool]:
        """Flags, new track, and whether a jump still waits for the next record."""
        judged, new = quality.judge(track, time_ms, values, None, feed)
        jumps = [quantity for quantity, flag in judged.items() if flag & Flag.STEP]
        if not jumps:
            return judged, new, False
        after = following(self.sensor.name, time_ms)
        if after is None:
            return judged, new, True
        following_values = (after[0], self._values(after[0], after[1]))
        judged, new = quality.judge(track, time_ms, values, following_values, feed)
        return judged, new, any(quantity not in after[1] for quantity in jumps)


def held(sensor: Sensor, state: SensorState, minute: int, quantity: Quantity) -> float | None:
    """The last good value while it may stand for a minute without one."""
    last = state.held.get(quantity)
    if last is None or minute * MINUTE_MS - last[0] > held_ms(sensor.every_s):
        return None
    return last[1]


def heard_both(state: SensorState, minute: int) -> bool:
    """Whether a sensor told both temperature and humidity in a minute, and rightly."""
    begin_ms = minute * MINUTE_MS  # nothing later than this minute is held yet
    temperature, humidity = (state.held.get(quantity) for quantity in MOIST)
    return bool(temperature and humidity and temperature[0] >= begin_ms and humidity[0] >= begin_ms)


def _sensor_minute(
    sensor: Sensor, state: SensorState, minute: int, good: Mapping[Quantity, Sequence[float]]
) -> SensorMinute:
    temperature, humidity, light, surface = (
        _mean(good[quantity]) if quantity in good else held(sensor, state, minute, quantity)
        for quantity in OF_THE_AIR
    )
    return SensorMinute(temperature, humidity, light, surface, sum(map(len, good.values())))


def _mean(values: Sequence[float]) -> float:
    """Added one after the other, for `sum` adds floats differently from Python 3.12 on."""
    total = 0.0
    for value in values:
        total += value
    return total / len(values)


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


class Presence(NamedTuple):
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


def step_faults(
    site: Site, faults: Faults, minute: int, heard: Mapping[str, Presence], feed_frozen: int | None
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
    heard: Mapping[str, Presence],
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


def _quiet_since(heard: Presence, hold_ms: int, minute: int) -> int | None:
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


def faults_going_on(site: Site, faults: Faults) -> list[Spell]:
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
