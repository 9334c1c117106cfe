"""The readings of the last minutes in memory, the older ones in slices from the store, and how long
late ones are waited for.

A log that comes in is waited for, so that it is folded once; but nobody waits for it longer than
some minutes. To go far back for readings costs a fold of everything since. So before that is done
again all must have been settled, and there must have been a rest: a sensor whose clock is months
behind, or one that is malicious, keeps nobody from their notices.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np

from monitor.air.quality import Floats, Integers
from monitor.air.sensor import Record, Records
from monitor.site.quantities import FLAGS, Flag, Quantity, Reading
from monitor.site.time import MINUTE_MS

KEPT_MIN = 10  # forty sensors every ten seconds take some 100 kB a minute
# Where sensors gone mad fill the memory (some 440 bytes a reading), it reaches less far back.
MOST_HELD, FEWEST_KEPT_MIN = 100_000, 3
MOST_WAITING = 200_000  # beyond that the fullest minutes are left to the store altogether
FLOOD = 10_000  # readings in two minutes: a hundred sensors that tell three things each second
SLICE_MIN, SLICE_READINGS = 360, 20_000
# A jump older than this is not looked for, neither before a late reading nor after a doubted one.
REACH_MIN = 60

_Minute = dict[str, dict[int, dict[Quantity, tuple[float, Flag]]]]


class Rows(NamedTuple):
    """Readings as they are stored, a row each (n), in order of time.

    sensor, quantity  their numbers in the store
    """

    time_ms: Integers
    sensor: Integers
    quantity: Integers
    value: Floats
    flags: Integers

    def some(self, rows: Integers | slice) -> Rows:
        """The rows of these numbers."""
        columns: list[Any] = [column[rows] for column in self]
        return Rows(*columns)


@dataclass(frozen=True, eq=False)
class Slice(Mapping[int, Records]):
    """The readings of the minutes begin ≤ minute < end; by minute, those in which any was told.

    sensor_of, quantity_of  what the numbers in the rows stand for
    """

    begin: int
    end: int
    rows: Rows
    sensor_of: Callable[[int], str]
    quantity_of: Callable[[int], Quantity]

    @property
    def readings(self) -> int:
        """How many there are."""
        return len(self.rows.time_ms)

    def __getitem__(self, minute: int) -> Records:
        begin_ms = minute * MINUTE_MS
        bounds = np.searchsorted(self.rows.time_ms, (begin_ms, begin_ms + MINUTE_MS))
        rows = self.rows.some(slice(*bounds.tolist()))
        found: _Minute = {}
        columns: list[list[Any]] = [column.tolist() for column in rows]
        for time_ms, sensor, quantity, value, flags in zip(*columns, strict=True):
            record = found.setdefault(self.sensor_of(sensor), {}).setdefault(time_ms, {})
            record[self.quantity_of(quantity)] = value, FLAGS[flags]
        if not found:
            raise KeyError(minute)
        return found

    def __iter__(self) -> Iterator[int]:
        return iter(self._minutes.tolist())

    def __len__(self) -> int:
        return len(self._minutes)

    @property
    def _minutes(self) -> Integers:
        """The minutes of which there are readings, in order."""
        minutes = self.rows.time_ms // MINUTE_MS
        return minutes[np.diff(minutes, prepend=-1) > 0]


class ReadingsKept(Protocol):
    """Where older readings are."""

    def records(self, begin: int, end: int, most: int | None = None) -> Slice:
        """The readings of whole minutes from `begin` on.

        They end before minute `end`, or with the minute in which there are `most`.
        """

    def first_minute_from(self, minute: int) -> int | None:
        """The first minute from this one on in which something was read."""

    def holds(self, time_ms: int, sensor: str, quantity: Quantity) -> bool:
        """Whether this reading is kept."""


class Recent:
    """Records by minute. What is older than memory reaches is read from the store."""

    def __init__(self, kept: ReadingsKept, first_minute: int) -> None:
        self._kept = kept
        self._minutes: dict[int, _Minute] = {}
        self._counts: dict[int, int] = {}  # readings of these minutes and those left to the store
        self._left: dict[int, str] = {}  # minutes left to the store, and who told most of them
        self.held = 0  # readings in memory
        self._peeked: tuple[int, Records] = (0, {})
        self._first = first_minute
        self._slice: Slice | None = None
        self._a_minute = 0.0  # readings, in the last slice

    @property
    def held_min(self) -> int:
        """Minutes of which there is anything in memory."""
        return len(self._minutes)

    @property
    def crowded(self) -> bool:
        """Whether so many are held that memory reaches less far back."""
        return self.held > MOST_HELD

    @property
    def flooding(self) -> str | None:
        """The sensor that tells most of all, where so much comes that memory is crowded."""
        newest = max(self._counts, default=0)
        if not self.crowded or self._counts[newest] + self._counts.get(newest - 1, 0) < FLOOD:
            return None
        return self._left.get(newest) or _loudest(self._minutes[newest])

    def add(self, reading: Reading) -> bool:
        """Take in a reading; False if it is there already."""
        minute = reading.time_ms // MINUTE_MS
        if minute < self._first or minute in self._left:
            if minute in self._counts:
                self._counts[minute] += 1
            self.stale()
            return not self._kept.holds(reading.time_ms, reading.sensor, reading.quantity)
        of_minute = self._minutes.setdefault(minute, {})
        record = of_minute.setdefault(reading.sensor, {}).setdefault(reading.time_ms, {})
        if reading.quantity in record:
            return False
        record[reading.quantity] = (reading.value, reading.flags)
        self._counts[minute] = self._counts.get(minute, 0) + 1
        self.held += 1
        if self.held > MOST_WAITING:
            self._leave_to_store(max(self._minutes, key=self._counts.__getitem__))
        return True

    def _leave_to_store(self, minute: int) -> None:
        """What is taken in is in the store before the next call, so nothing is lost by it."""
        self._left[minute] = _loudest(self._minutes.pop(minute))
        self.held -= self._counts[minute]

    def stale(self) -> None:
        """What was read from the store is not what stands there any more: read it again."""
        self._slice, self._peeked = None, (0, {})

    def minute(self, minute: int) -> Records:
        """The records of one minute."""
        stored = self.stored(minute)
        return self._minutes.get(minute, {}) if stored is None else stored.get(minute, {})

    def stored(self, minute: int) -> Slice | None:
        """The readings of this minute and some that follow; None: they are in memory."""
        if self._remembers(minute):
            return None
        if self._slice is None or not self._slice.begin <= minute < self._slice.end:
            last = minute + 1 if minute in self._left else min(self._reach(minute), self._first)
            self._slice = self._kept.records(minute, last, SLICE_READINGS)
            self._a_minute = self._slice.readings / (self._slice.end - minute)
        return self._slice

    def _reach(self, minute: int) -> int:
        """Up to where to read, by how much there was to read last: a full hour where it can be.

        What is read is folded by the hour.
        """
        minutes = SLICE_MIN
        if self._a_minute > 0:
            minutes = max(1, min(SLICE_MIN, int(SLICE_READINGS / self._a_minute)))
        return max(minute + min(minutes, 60), (minute + minutes) // 60 * 60)

    def next_minute(self, minute: int) -> int | None:
        """The first minute from this one on that has a record; None: nothing was read since."""
        found = [m for m in self._counts if m >= minute]
        if minute < self._first and (kept := self._kept.first_minute_from(minute)) is not None:
            found.append(kept)
        return min(found, default=None)

    def reflag(self, time_ms: int, sensor: str, quantity: Quantity, flags: Flag) -> None:
        """Note flags that the fold gave."""
        record = self._minutes.get(time_ms // MINUTE_MS, {}).get(sensor, {}).get(time_ms)
        if record is not None:
            record[quantity] = (record[quantity][0], flags)

    def following(self, sensor: str, time_ms: int) -> tuple[int, Record] | None:
        """What a sensor told next after a time, temperature and humidity each, if it is there.

        Does not disturb the slice that is being folded.
        """
        found: dict[Quantity, tuple[float, Flag]] = {}
        found_ms = 0
        first = time_ms // MINUTE_MS
        for minute in range(first, first + REACH_MIN + 1):
            for after_ms, record in sorted(self._at(minute, sensor).items()):
                if after_ms > time_ms:
                    found_ms = found_ms or after_ms
                    found = {**record, **found}
            if Quantity.TEMPERATURE in found and Quantity.HUMIDITY in found:
                break
        return (found_ms, found) if found else None

    def preceding_minute(self, sensor: str, time_ms: int) -> int:
        """The minute from which a late reading may change what follows: its sensor's record before.

        Where memory does not reach, as far back as a jump is looked for.
        """
        last = time_ms // MINUTE_MS
        for minute in range(last, max(last - REACH_MIN, self._first) - 1, -1):
            if any(before < time_ms for before in self._minutes.get(minute, {}).get(sensor, {})):
                return minute
        return last - REACH_MIN

    def forget_before(self, minute: int) -> None:
        """Let go of what is older than memory shall reach at this minute."""
        first = minute - (FEWEST_KEPT_MIN if self.crowded else KEPT_MIN)
        for old in [m for m in self._counts if m < first]:
            count = self._counts.pop(old)
            if self._minutes.pop(old, None) is not None:
                self.held -= count
            self._left.pop(old, None)
        self._first = max(self._first, first)

    def _at(self, minute: int, sensor: str) -> Mapping[int, Record]:
        if self._remembers(minute):
            return self._minutes.get(minute, {}).get(sensor, {})
        if self._slice is not None and self._slice.begin <= minute < self._slice.end:
            return self._slice.get(minute, {}).get(sensor, {})
        if self._peeked[0] != minute:
            self._peeked = minute, self._kept.records(minute, minute + 1).get(minute, {})
        return self._peeked[1].get(sensor, {})

    def _remembers(self, minute: int) -> bool:
        return minute >= self._first and minute not in self._left


def _loudest(told: _Minute) -> str:
    return max(told, key=lambda sensor: len(told[sensor]))


# Readings so late come from a log or from the broker's queue. While such go on coming, nothing is
# said of the minutes after them; but nobody waits longer than that [ms].
LATE_MS = 5 * MINUTE_MS
QUIET_MS = 2_000
AT_MOST_MS = 5 * MINUTE_MS
# Going back so far costs next to nothing [min].
NEAR_MIN = 30
# The rest after each minute that was folded again: several times what folding it takes [ms].
REST_MS = 5


class Lateness:
    """The late readings of a live site; in a replay there are none."""

    def __init__(self) -> None:
        self._log: tuple[int, int, int] | None = None  # arrival of its first and last, its minute
        self._to_settle = False
        self._rest_until_ms = 0

    def note(self, time_ms: int, arrived_ms: int) -> None:
        """A reading of this time came at that one."""
        if arrived_ms - time_ms <= LATE_MS or self.resting(arrived_ms):
            return
        first_ms = arrived_ms
        if self._log is not None:
            first_ms, last_ms, _ = self._log
            # Another log before the last one is settled, or one without an end.
            if not 0 <= arrived_ms - last_ms < QUIET_MS or arrived_ms - first_ms >= AT_MOST_MS:
                self._log, self._to_settle = None, True
                return
        self._log = first_ms, arrived_ms, time_ms // MINUTE_MS

    def under_way(self, now_ms: int) -> bool:
        """Whether a log is coming in, so that what looks silent may yet be told."""
        if self._log is None:
            return False
        first_ms, last_ms, _ = self._log
        # A clock that was put back does not hold it up.
        return 0 <= now_ms - last_ms < QUIET_MS and now_ms - first_ms < AT_MOST_MS

    def reach(self, now_ms: int) -> int:
        """The minute up to which is folded: now, or how far a log that comes in has told."""
        if self._log is not None and self.under_way(now_ms):
            return min(self._log[2], now_ms // MINUTE_MS)
        return now_ms // MINUTE_MS

    def resting(self, now_ms: int) -> bool:
        """Whether nothing far back is gone back for now."""
        return self._to_settle or now_ms < self._rest_until_ms

    def settled(self, now_ms: int, folded_min: int) -> None:
        """All is settled up to now, after so many minutes were folded again for late readings."""
        self._log, self._to_settle = None, False
        if folded_min:
            self._rest_until_ms = now_ms + folded_min * REST_MS
