"""A sensor followed over many minutes in one stride, where nothing about it is odd.

What `follow` does record by record, done on arrays: as long as no value is out of range or jumps,
none stands still for hours, nothing was changed about the sensor and the feed is in order, a record
only moves on what is remembered. From the first minute that holds anything else the sensor is
followed record by record. Either way comes to the same, to the last bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import repeat
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.room import quality, stuck
from monitor.room.air import SensorMinute
from monitor.room.faults import held_ms
from monitor.room.follow import (
    JUDGED,
    OF_THE_AIR,
    UNUSABLE,
    Flags,
    Follower,
    Following,
    Records,
    SensorState,
    held,
)
from monitor.room.readings import FLAGS, MINUTE_MS, Quantity, Sensor
from monitor.room.slices import Floats, Integers, MinuteOfSlice, SensorRecords, Slice

# Fewer records are sooner followed one by one.
FEWEST_RECORDS = 30
# After a minute that no stride could take, so many go record by record if the stride before it was
# no longer: where much is odd, trying costs more than it wins.
WORTH_TRYING_MIN = 10

PULSED = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE)


class Stride(NamedTuple):
    """The minutes from `begin` on, from what was known before.

    after  a minute each: the sensor's state and what it says of the minute
    flags  minute → those that differ from what is stored: doubts that no longer hold
    """

    source: Slice
    before: SensorState
    feed: stuck.Feed
    begin: int
    after: list[tuple[SensorState, SensorMinute]]
    flags: dict[int, Flags]

    def leads_to(self, state: SensorState, feed: stuck.Feed, minute: int, source: Slice) -> bool:
        """Whether the minute is in it, and everything stands as the stride has it."""
        gone = minute - self.begin
        if source is not self.source or feed != self.feed or not 0 <= gone < len(self.after):
            return False
        return state is (self.after[gone - 1][0] if gone else self.before)


class Strider:
    """Follows one sensor: in strides through what is read from the store, else record by record."""

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._stride: Stride | None = None
        self._by_hand = range(0)

    def minute(
        self,
        state: SensorState,
        feed: stuck.Feed,
        minute: int,
        records: Records,
        following: Following,
        flags: Flags,
    ) -> tuple[SensorState, SensorMinute]:
        """One minute further; see `Follower.minute`."""
        if isinstance(records, MinuteOfSlice):
            stride = self._goes_on(state, feed, minute, records.source)
            if stride is not None:
                flags |= stride.flags.get(minute, {})
                return stride.after[minute - stride.begin]
        own = records.get(self._follower.sensor.name, {})
        return self._follower.minute(state, feed, minute, own, following, flags)

    def _goes_on(
        self, state: SensorState, feed: stuck.Feed, minute: int, source: Slice
    ) -> Stride | None:
        """The stride this minute is in, a new one where the last one ends; None: there is none."""
        last = self._stride
        if last is not None and last.leads_to(state, feed, minute, source):
            return last
        if minute in self._by_hand:
            return None
        self._stride = new = _stride(self._follower, state, feed, minute, source)
        if new.after:
            return new
        came_far = last is not None and len(last.after) >= WORTH_TRYING_MIN
        self._by_hand = range(minute, minute + (1 if came_far else WORTH_TRYING_MIN))
        return None


def _stride(
    follower: Follower, state: SensorState, feed: stuck.Feed, begin: int, source: Slice
) -> Stride:
    """As far as a stride comes from this minute on, maybe nowhere."""
    nowhere = Stride(source, state, feed, begin, [], {})
    end = follower.unchanged_until(state, begin, source.end)
    whole = source.by_sensor.get(follower.sensor.name)
    pulse = state.track.pulse
    if whole is None or pulse.moved_ms < 0 or pulse.stuck or not feed.quiet:
        return nowhere
    told = whole.between(begin * MINUTE_MS, end * MINUTE_MS)
    if len(told.time_ms) < FEWEST_RECORDS:
        return nowhere
    values = {q: follower.calibrated(q, v, begin * MINUTE_MS) for q, v in told.values.items()}
    unheard = np.full(len(told.time_ms), np.nan)
    beats = stuck.beats(pulse, told.time_ms, *(values.get(q, unheard) for q in PULSED))
    odd = np.flatnonzero(~(beats.plain & _sound(state.track, told, values)))
    if len(odd):
        end = int(told.time_ms[odd[0]]) // MINUTE_MS
    after = _minutes(follower.sensor, state, begin, end, told.time_ms, values, beats)
    return nowhere._replace(after=after, flags=_no_longer_doubted(follower.sensor, told, end))


def _sound(
    track: quality.Track, told: SensorRecords, values: Mapping[Quantity, Floats]
) -> NDArray[np.bool_]:
    """Whether each record (n) holds nothing but usable values that do not jump."""
    sound = np.ones(len(told.time_ms), bool)
    levels = {Quantity.TEMPERATURE: track.temperature, Quantity.HUMIDITY: track.humidity}
    for quantity, of_quantity in values.items():
        there = ~np.isnan(of_quantity)
        low, high = quality.RANGE[quantity]
        usable = (low <= of_quantity) & (of_quantity <= high)
        usable &= told.flags[quantity] & int(UNUSABLE) == 0
        if quantity in levels and there.any():
            usable[there] &= quality.plainly_believed(
                quantity, levels[quantity], told.time_ms[there], of_quantity[there]
            )
        sound &= usable | ~there
    return sound


def _minutes(
    sensor: Sensor,
    state: SensorState,
    begin: int,
    end: int,
    time_ms: Integers,
    values: Mapping[Quantity, Floats],
    beats: stuck.Beats,
) -> list[tuple[SensorState, SensorMinute]]:
    """The state after each minute, and what the sensor says of it."""
    marks_ms = np.arange(begin, end + 1) * MINUTE_MS
    marks = np.searchsorted(time_ms, marks_ms)
    heard = np.diff(marks) > 0
    lasts = (marks[1:] - 1)[heard]
    told = {q: _by_minute(q, state, time_ms, v, marks_ms) for q, v in values.items()}
    states = [
        state,
        *map(
            SensorState,
            repeat(state.since),
            map(
                quality.Track,
                _levels(state.track.temperature, told.get(Quantity.TEMPERATURE), heard),
                _levels(state.track.humidity, told.get(Quantity.HUMIDITY), heard),
                beats.pulses(lasts),
            ),
            _held(state.held, told, heard),
            time_ms[lasts].tolist(),
        ),
    ]
    means = [_means(q, told.get(q), sensor, state, begin, end) for q in OF_THE_AIR]
    count = np.sum([of.times for of in told.values()], axis=0).tolist()
    return list(
        zip(
            [states[n] for n in np.cumsum(heard).tolist()],
            map(SensorMinute, *means, count),
            strict=True,
        )
    )


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
    quantity: Quantity, state: SensorState, time_ms: Integers, values: Floats, marks_ms: Integers
) -> _Told:
    """marks_ms  where the minutes begin, and where the last one ends (m + 1)"""
    there = ~np.isnan(values)
    before_ms, before = state.held.get(quantity, (0, np.nan))
    told_ms = np.concatenate(([before_ms], time_ms[there]))
    told = np.concatenate(([before], values[there]))
    marks = np.searchsorted(told_ms[1:], marks_ms)
    first, count = marks[:-1] + 1, np.diff(marks)
    total = np.zeros(len(count))
    for nth in range(count.max(initial=0)):  # one after the other, as they are added one by one
        more = count > nth
        total[more] += told[first[more] + nth]
    return _Told(count, total / np.maximum(count, 1), told[marks[1:]], told_ms[marks[1:]])


def _levels(
    before: quality.Level | None, told: _Told | None, heard: NDArray[np.bool_]
) -> Iterable[quality.Level | None]:
    """The level at the end of each minute in which the sensor was heard."""
    if told is None:
        return repeat(before)
    new = np.cumsum(told.times)[heard] > 0
    levels = map(quality.Level, told.value[heard].tolist(), told.ms[heard].tolist())
    return [level if told_yet else before for level, told_yet in zip(levels, new, strict=True)]


def _held(
    before: Mapping[Quantity, tuple[int, float]],
    told: Mapping[Quantity, _Told],
    heard: NDArray[np.bool_],
) -> Iterator[dict[Quantity, tuple[int, float]]]:
    """What is held at the end of each minute in which the sensor was heard."""
    lasts = [
        list(zip(of.ms[heard].tolist(), of.value[heard].tolist(), strict=True))
        for of in told.values()
    ]
    for of_minute in zip(*lasts, strict=True):
        held = dict(before)
        for quantity, last in zip(told, of_minute, strict=True):
            if last[1] == last[1]:  # not NaN
                held[quantity] = last
        yield held


def _means(
    quantity: Quantity,
    told: _Told | None,
    sensor: Sensor,
    state: SensorState,
    begin: int,
    end: int,
) -> Iterable[float | None]:
    """What the sensor says of each minute: the mean of it, or what is held from before."""
    if told is None and quantity not in state.held:
        return repeat(None)
    if told is None:
        return [held(sensor, state, minute, quantity) for minute in range(begin, end)]
    kept = np.arange(begin, end) * MINUTE_MS - told.ms <= held_ms(sensor.every_s)
    said = np.where(told.times > 0, told.mean, np.where(kept, told.value, np.nan))
    return [None if mean != mean else mean for mean in said.tolist()]  # NaN


def _no_longer_doubted(sensor: Sensor, told: SensorRecords, end: int) -> dict[int, Flags]:
    """By minute the flags of readings that were doubted when they were folded before."""
    found: dict[int, Flags] = {}
    for quantity, flags in told.flags.items():
        for record in np.flatnonzero(flags & int(JUDGED)).tolist():
            time_ms = int(told.time_ms[record])
            if time_ms // MINUTE_MS < end:
                of_minute = found.setdefault(time_ms // MINUTE_MS, {})
                of_minute[time_ms, sensor.name, quantity] = FLAGS[int(flags[record] & ~int(JUDGED))]
    return found
