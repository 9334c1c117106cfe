"""A sensor followed through many minutes at once: in strides where nothing about it is odd.

What `follow` does record by record, done on arrays: as long as no value is out of range or jumps,
none stands still for hours, nothing was changed about the sensor and the feed is in order, a record
only moves on what is remembered. A minute that holds anything else is followed record by record.
Either way comes to the same, to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.air import quality, still
from monitor.air.memory import Rows, Slice
from monitor.air.minute import SensorMinute
from monitor.air.quality import Floats, Integers
from monitor.air.sensor import (
    JUDGED,
    MOIST,
    OF_THE_AIR,
    Flags,
    Follower,
    Following,
    Presence,
    Record,
    SensorState,
    heard_both,
    held,
    held_ms,
)
from monitor.air.strides.beats import Beats, beats_of
from monitor.site.quantities import FLAGS, Flag, Quantity
from monitor.site.time import MINUTE_MS

# Fewer records are sooner followed one by one.
FEWEST_RECORDS = 30
# After a minute that no stride could take, so many go record by record if the stride before it was
# no longer: where much is odd, trying costs more than it wins.
WORTH_TRYING_MIN = 10

_PULSED = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE)


class SensorRecords(NamedTuple):
    """What one sensor told, a record each time, in order of time.

    time_ms  (records,) UTC epoch ms, each later than the one before
    values   quantity → (records,) in the kept unit; NaN where the record does not carry it
    flags    quantity → (records,) as stored
    """

    time_ms: Integers
    values: Mapping[Quantity, Floats]
    flags: Mapping[Quantity, Integers]

    def between(self, begin_ms: int, end_ms: int) -> SensorRecords:
        """Those with begin ≤ time < end."""
        first, last = np.searchsorted(self.time_ms, (begin_ms, end_ms)).tolist()
        return SensorRecords(
            self.time_ms[first:last],
            {quantity: values[first:last] for quantity, values in self.values.items()},
            {quantity: flags[first:last] for quantity, flags in self.flags.items()},
        )

    def one_by_one(self) -> dict[int, Record]:
        """Time [ms] → record."""
        found: dict[int, dict[Quantity, tuple[float, Flag]]] = {
            time_ms: {} for time_ms in self.time_ms.tolist()
        }
        for quantity, values in self.values.items():
            told = zip(values.tolist(), self.flags[quantity].tolist(), strict=True)
            for record, (value, flags) in zip(found.values(), told, strict=True):
                if value == value:  # not NaN
                    record[quantity] = value, FLAGS[flags]
        return dict(found)

    def by_minute(self) -> dict[int, dict[int, Record]]:
        """Minute → time [ms] → record."""
        found: dict[int, dict[int, Record]] = {}
        for time_ms, record in self.one_by_one().items():
            found.setdefault(time_ms // MINUTE_MS, {})[time_ms] = record
        return found


NOTHING_TOLD = SensorRecords(np.empty(0, np.int64), {}, {})


def by_sensor(records: Slice) -> dict[str, SensorRecords]:
    """What each sensor told."""
    rows = records.rows.some(np.argsort(records.rows.sensor, kind="stable"))
    last = np.flatnonzero(rows.sensor[1:] != rows.sensor[:-1]) + 1
    bounds = pairwise((0, *last.tolist(), records.readings))
    told = [rows.some(slice(*of_one)) for of_one in bounds if records.readings]
    return {
        records.sensor_of(int(of_one.sensor[0])): _records(of_one, records.quantity_of)
        for of_one in told
    }


def _records(rows: Rows, quantity_of: Callable[[int], Quantity]) -> SensorRecords:
    """One sensor's rows, record by record."""
    first = np.append(True, rows.time_ms[1:] > rows.time_ms[:-1])
    record = np.cumsum(first) - 1
    time_ms = rows.time_ms[first]
    values: dict[Quantity, Floats] = {}
    flags: dict[Quantity, Integers] = {}
    for number in np.flatnonzero(np.bincount(rows.quantity)).tolist():  # in their order
        quantity, carried = quantity_of(number), rows.quantity == number
        values[quantity] = np.full(len(time_ms), np.nan)
        values[quantity][record[carried]] = rows.value[carried]
        flags[quantity] = np.zeros(len(time_ms), np.int64)
        flags[quantity][record[carried]] = rows.flags[carried]
    return SensorRecords(time_ms, values, flags)


@dataclass(slots=True)
class Stretch:
    """One sensor followed through some minutes; the lists have an item for each of them.

    state        after the last
    at           full hour → state before it
    told         what it says of the minute
    heard        how it stands at its end
    moist        whether it told both temperature and humidity in it
    pressure_pa  held at its end
    stirring     whether it tells that the feed moves: heard and stirred lately
    flags        of its readings, where they differ from those stored
    """

    state: SensorState
    at: dict[int, SensorState] = field(default_factory=dict)
    told: list[SensorMinute] = field(default_factory=list)
    heard: list[Presence] = field(default_factory=list)
    moist: list[bool] = field(default_factory=list)
    pressure_pa: list[float | None] = field(default_factory=list)
    stirring: list[bool] = field(default_factory=list)
    flags: Flags = field(default_factory=dict)


def follow_through(
    follower: Follower,
    state: SensorState,
    feed: still.Feed,
    minutes: range,
    records: SensorRecords,
    following: Following,
) -> Stretch:
    """A sensor followed through these minutes, in which the feed is in order.

    state    before the first of them
    records  what it told in them, and maybe in others
    """
    begin, end = minutes.start, minutes.stop
    stretch = Stretch(state)
    one_by_one: dict[int, dict[int, Record]] | None = None
    last, by_hand_until = 0, begin
    while (minute := begin + len(stretch.told)) < end:
        if minute >= by_hand_until:
            length = _stride(follower, stretch, feed, minute, end, records)
            if length:
                last = length
                continue
            by_hand_until = minute + (1 if last >= WORTH_TRYING_MIN else WORTH_TRYING_MIN)
        if one_by_one is None:
            one_by_one = records.between(minute * MINUTE_MS, end * MINUTE_MS).by_minute()
        _by_hand(follower, stretch, feed, minute, one_by_one.get(minute, {}), following)
    return stretch


def _by_hand(
    follower: Follower,
    stretch: Stretch,
    feed: still.Feed,
    minute: int,
    records: Mapping[int, Record],
    following: Following,
) -> None:
    """One minute, record by record."""
    state, told = follower.minute(stretch.state, feed, minute, records, following, stretch.flags)
    stretch.state = state
    if (minute + 1) % 60 == 0:
        stretch.at[minute + 1] = state
    stretch.told.append(told)
    stretch.heard.append(follower.heard(state, minute))
    stretch.moist.append(heard_both(state, minute))
    stretch.pressure_pa.append(held(follower.sensor, state, minute, Quantity.PRESSURE))
    stretch.stirring.append(still.stirring(state.track.pulse, (minute + 1) * MINUTE_MS))


def _stride(
    follower: Follower,
    stretch: Stretch,
    feed: still.Feed,
    begin: int,
    end: int,
    records: SensorRecords,
) -> int:
    """As many minutes as a stride takes from this one on, maybe none."""
    state = stretch.state
    end = follower.unchanged_until(state, begin, end)
    told = records.between(begin * MINUTE_MS, end * MINUTE_MS)
    pulse = state.track.pulse
    if len(told.time_ms) < FEWEST_RECORDS or pulse.moved_ms < 0 or pulse.stuck or not feed.quiet:
        return 0
    values = {q: follower.calibrated(q, v, begin * MINUTE_MS) for q, v in told.values.items()}
    unheard = np.full(len(told.time_ms), np.nan)
    beats = beats_of(pulse, told.time_ms, *(values.get(q, unheard) for q in _PULSED))
    odd = np.flatnonzero(~(beats.plain & _sound(state.track, told, values)))
    if len(odd):
        end = int(told.time_ms[odd[0]]) // MINUTE_MS
    if end > begin:
        _take(follower, stretch, begin, end, told, values, beats)
    return end - begin


def _sound(
    track: quality.Track, told: SensorRecords, values: Mapping[Quantity, Floats]
) -> NDArray[np.bool_]:
    """Whether each record (n) holds nothing but usable values that do not jump."""
    sound = np.ones(len(told.time_ms), bool)
    levels = dict(zip(MOIST, track[:2], strict=True))
    for quantity, of_quantity in values.items():
        there = ~np.isnan(of_quantity)
        low, high = quantity.row.range
        usable = (low <= of_quantity) & (of_quantity <= high)
        usable &= told.flags[quantity] & int(Flag.TOO_OLD) == 0
        if quantity in levels and there.any():
            usable[there] &= quality.plainly_believed(
                quantity, levels[quantity], told.time_ms[there], of_quantity[there]
            )
        sound &= usable | ~there
    return sound


def _take(
    follower: Follower,
    stretch: Stretch,
    begin: int,
    end: int,
    told: SensorRecords,
    values: Mapping[Quantity, Floats],
    beats: Beats,
) -> None:
    """Take the stride through the minutes begin ≤ minute < end."""
    state, held_for_ms = stretch.state, held_ms(follower.sensor.every_s)
    marks_ms = np.arange(begin, end + 1) * MINUTE_MS
    by_minute = {
        q: _by_minute(told.time_ms, v, state.held.get(q), marks_ms) for q, v in values.items()
    }
    kept = {
        q: _kept(by_minute.get(q), state.held.get(q), marks_ms[:-1], held_for_ms)
        for q in (*OF_THE_AIR, Quantity.PRESSURE)
    }
    said = [
        np.where(by_minute[q].times > 0, by_minute[q].mean, kept[q]) if q in by_minute else kept[q]
        for q in OF_THE_AIR
    ]
    last = np.searchsorted(told.time_ms, marks_ms[1:]) - 1  # record by the end of each minute
    last_ms = np.where(last < 0, -1, told.time_ms[last]).tolist()
    times = sum((of.times for of in by_minute.values()), np.zeros(end - begin, np.int64))
    stretch.told += map(SensorMinute, *map(_listed, said), times.tolist())
    stretch.pressure_pa += _listed(kept[Quantity.PRESSURE])
    stretch.heard += [
        Presence(state.since, state.last_ms if ms < 0 else ms, None) for ms in last_ms
    ]
    both = [
        by_minute[q].times > 0 if q in by_minute else np.zeros(end - begin, bool) for q in MOIST
    ]
    stretch.moist += (both[0] & both[1]).tolist()
    stretch.stirring += beats.stirring(state.track.pulse, last, marks_ms[1:])
    stretch.flags |= _no_longer_doubted(follower.sensor.name, told, end)
    for hour in range(begin // 60 * 60 + 60, end + 1, 60):
        stretch.at[hour] = _after(state, by_minute, beats, last, hour - begin)
    stretch.state = _after(state, by_minute, beats, last, end - begin)


def _after(
    state: SensorState,
    by_minute: Mapping[Quantity, _Told],
    beats: Beats,
    last: Integers,
    minutes: int,
) -> SensorState:
    """What is remembered after so many minutes of a stride, at least one.

    state  before the first
    last   the record by the end of each minute; -1: none yet
    """
    end = minutes - 1
    if last[end] < 0:
        return state
    held = dict(state.held)
    levels = dict(zip(MOIST, state.track[:2], strict=True))
    for quantity, told in by_minute.items():
        if told.times[:minutes].any():
            held[quantity] = int(told.ms[end]), float(told.value[end])
            levels[quantity] = quality.Level(float(told.value[end]), int(told.ms[end]))
    pulse = beats.pulse(int(last[end]))
    track = quality.Track(levels[Quantity.TEMPERATURE], levels[Quantity.HUMIDITY], pulse)
    return SensorState(state.since, track, held, pulse.heard_ms)


class _Told(NamedTuple):
    """What was told of a quantity by minute (m).

    times         how often in the minute
    mean          of these; idle where there are none
    value, ms     the last by its end, and its time [ms]; NaN and idle: never yet
    """

    times: Integers
    mean: Floats
    value: Floats
    ms: Integers


def _by_minute(
    time_ms: Integers, values: Floats, before: tuple[int, float] | None, marks_ms: Integers
) -> _Told:
    """What records (n) tell of a quantity by minute.

    before    time [ms] and value held before the first
    marks_ms  where the minutes begin, and where the last one ends (m + 1)
    """
    there = ~np.isnan(values)
    before_ms, before_value = before or (0, np.nan)
    told_ms = np.concatenate(([before_ms], time_ms[there]))
    told = np.concatenate(([before_value], values[there]))
    marks = np.searchsorted(told_ms[1:], marks_ms)
    first, times = marks[:-1] + 1, np.diff(marks)
    total = np.zeros(len(times))
    for nth in range(times.max(initial=0)):  # one after the other, as they are added one by one
        more = times > nth
        total[more] += told[first[more] + nth]
    return _Told(times, total / np.maximum(times, 1), told[marks[1:]], told_ms[marks[1:]])


def _kept(
    told: _Told | None, held: tuple[int, float] | None, begin_ms: Integers, held_for_ms: int
) -> Floats:
    """What is held of a quantity at the end of minutes (m); NaN: nothing any more."""
    if told is not None:
        return np.where(begin_ms - told.ms <= held_for_ms, told.value, np.nan)
    at_ms, value = held or (0, np.nan)
    return np.where(begin_ms - at_ms <= held_for_ms, value, np.nan)


def _listed(values: Floats) -> list[float | None]:
    return [None if value != value else value for value in values.tolist()]  # NaN


def _no_longer_doubted(sensor: str, told: SensorRecords, end: int) -> Flags:
    """The flags of readings that were doubted when they were folded before."""
    found: Flags = {}
    for quantity, flags in told.flags.items():
        for record in np.flatnonzero(flags & int(JUDGED)).tolist():
            time_ms = int(told.time_ms[record])
            if time_ms < end * MINUTE_MS:
                found[time_ms, sensor, quantity] = FLAGS[int(flags[record] & ~int(JUDGED))]
    return found
