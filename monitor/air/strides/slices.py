"""The stored readings of some minutes in a row, as arrays: what is folded again long afterwards."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cached_property
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from monitor.air.quality import Floats, Integers
from monitor.air.sensor import Record, Records
from monitor.site.quantities import FLAGS, Flag, Quantity
from monitor.site.time import MINUTE_MS


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
        return Rows(
            self.time_ms[rows],
            self.sensor[rows],
            self.quantity[rows],
            self.value[rows],
            self.flags[rows],
        )


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


class Slice(Mapping[int, Records]):
    """The readings of the minutes begin ≤ minute < end; by minute, those in which any was told.

    sensor_of, quantity_of  what the numbers in the rows stand for
    """

    def __init__(
        self,
        begin: int,
        end: int,
        rows: Rows,
        sensor_of: Callable[[int], str],
        quantity_of: Callable[[int], Quantity],
    ) -> None:
        self.begin = begin
        self.end = end
        self._rows = rows
        self._sensor_of = sensor_of
        self._quantity_of = quantity_of

    @property
    def readings(self) -> int:
        """How many there are."""
        return len(self._rows.time_ms)

    @cached_property
    def by_sensor(self) -> dict[str, SensorRecords]:
        """What each sensor told."""
        rows = self._rows.some(np.argsort(self._rows.sensor, kind="stable"))
        last = np.flatnonzero(rows.sensor[1:] != rows.sensor[:-1]) + 1
        bounds = pairwise((0, *last.tolist(), self.readings))
        told = [rows.some(slice(*of_one)) for of_one in bounds if self.readings]
        return {
            self._sensor_of(int(of_one.sensor[0])): _records(of_one, self._quantity_of)
            for of_one in told
        }

    def __getitem__(self, minute: int) -> Records:
        begin_ms = minute * MINUTE_MS
        bounds = np.searchsorted(self._rows.time_ms, (begin_ms, begin_ms + MINUTE_MS))
        rows = self._rows.some(slice(*bounds.tolist()))
        found: dict[str, dict[int, dict[Quantity, tuple[float, Flag]]]] = {}
        columns: list[list[Any]] = [column.tolist() for column in rows]
        for time_ms, sensor, quantity, value, flags in zip(*columns, strict=True):
            record = found.setdefault(self._sensor_of(sensor), {}).setdefault(time_ms, {})
            record[self._quantity_of(quantity)] = value, FLAGS[flags]
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
        minutes = self._rows.time_ms // MINUTE_MS
        return minutes[np.diff(minutes, prepend=-1) > 0]


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
