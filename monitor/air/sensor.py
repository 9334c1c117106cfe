"""One sensor followed from record to record: what it told, what of it to doubt, what it stands for.

The record by record rules are in `quality` and `stuck`; here are the changes people made to the
sensor, the values held from one record to the next, and the sensor's word for a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from monitor.air import faults, quality
from monitor.air import still as stuck
from monitor.air.minute import SensorMinute
from monitor.entries.sensors import Calibration, Service, holding, out_of_service
from monitor.site.quantities import DOUBTFUL, Flag, Quantity
from monitor.site.spaces import Sensor
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
                for quantity, (_, stored) in record.items():
                    flag = (stored & ~JUDGED) | Flag.OUT_OF_SERVICE
                    if flag != stored:
                        flags[(time_ms, self.sensor.name, quantity)] = flag
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

    def heard(self, state: SensorState, minute: int) -> faults.Heard:
        """How it stands at the end of a minute."""
        still = quality.stuck_since(state.track, minute)
        return faults.Heard(state.since, state.last_ms, still, state.since > minute)

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
    if last is None or minute * MINUTE_MS - last[0] > faults.held_ms(sensor.every_s):
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
