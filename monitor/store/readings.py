"""The readings as the store holds them, what they come to by the hour, and payloads that were none.

Amounts are of a rain gauge. It tells either what fell since its last message, or a total that grows
and begins anew when its counter does; its settings say which. Both sums are kept by the hour (UTC),
so a change of the settings holds for what is past too. They are functions of the readings: the
hours that a reading touches are added up again with it. They stay when the readings go.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

from monitor.air.memory import Rows, Slice
from monitor.engine.effects import Unread
from monitor.site.quantities import DOUBTFUL, FLAGS, Flag, Quantity, Reading
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS, local_day, midnight
from monitor.store.connection import DamagedError

# Of a total that was silent for longer, nobody knows when it grew.
_LOOKED_BACK_MS = 7 * DAY_MS
_READINGS = (
    "FROM reading WHERE sensor = :sensor AND quantity = :quantity AND flags & :doubtful = 0"
    " AND time_ms >= :since AND time_ms < :until"
)

Touched = tuple[int, int, int]  # hour since 1970, numbers of sensor and quantity


class Amount(NamedTuple):
    """What a sensor told in an hour; hour_ms: its beginning [UTC epoch ms].

    added     the values added up
    grown     how much they grew; from a lower one on, from nought
    readings  how many there were
    """

    hour_ms: int
    sensor: str
    quantity: Quantity
    added: float
    grown: float
    readings: int

    def amount(self, site: Site) -> float | None:
        """The amount, in the quantity's unit; None: the settings no longer read it."""
        sensor = site.sensors.get(self.sensor)
        read_as = None if sensor is None else sensor.reads.get(self.quantity)
        if read_as is None:
            return None
        return self.grown if read_as.total else self.added


def keep(db: sqlite3.Connection, touched: Iterable[Touched]) -> None:
    """Add up these hours anew, and those after them in which a total may have grown otherwise."""
    for hour, sensor, quantity in touched:
        end = (hour + 1) * HOUR_MS
        whose = {"sensor": sensor, "quantity": quantity, "doubtful": int(DOUBTFUL)}
        after = db.execute(
            f"SELECT time_ms {_READINGS} ORDER BY time_ms LIMIT 1",
            whose | {"since": end, "until": end + _LOOKED_BACK_MS},
        ).fetchone()
        for one in (hour, *(() if after is None else (after[0] // HOUR_MS,))):
            _add_up(db, one, whose)


def _add_up(db: sqlite3.Connection, hour: int, whose: dict[str, int]) -> None:
    begin = hour * HOUR_MS
    before = db.execute(
        f"SELECT time_ms {_READINGS} ORDER BY time_ms DESC LIMIT 1",
        whose | {"since": begin - _LOOKED_BACK_MS, "until": begin},
    ).fetchone()
    since = begin if before is None else before[0]
    span = whose | {"hour": hour, "begin": begin, "since": since, "until": begin + HOUR_MS}
    db.execute(
        "DELETE FROM amount_hour WHERE hour = :hour AND sensor = :sensor AND quantity = :quantity",
        span,
    )
    db.execute(
        f"INSERT INTO amount_hour WITH told AS (SELECT time_ms, value,"  # noqa: S608 (a text of ours)
        f" lag(value) OVER (ORDER BY time_ms) AS before {_READINGS})"
        " SELECT :hour, :sensor, :quantity, sum(value), total(CASE WHEN before IS NULL THEN 0"
        " WHEN value >= before THEN value - before ELSE value END), count(*)"
        " FROM told WHERE time_ms >= :begin HAVING count(*) > 0",
        span,
    )


def amounts(db: sqlite3.Connection, from_ms: int, to_ms: int) -> Iterator[Amount]:
    """The hours that begin in the span, by hour, sensor and quantity."""
    for hour, sensor, quantity, *told in db.execute(
        "SELECT a.hour, s.name, q.name, a.added, a.grown, a.readings FROM amount_hour a"
        " JOIN sensor s ON s.id = a.sensor JOIN quantity q ON q.id = a.quantity"
        " WHERE a.hour >= ? AND a.hour < ? ORDER BY a.hour, s.name, q.name",
        (-(-from_ms // HOUR_MS), -(-to_ms // HOUR_MS)),
    ):
        yield Amount(hour * HOUR_MS, sensor, Quantity(quantity), *told)


def rain_today(db: sqlite3.Connection, site: Site, now_ms: int) -> float | None:
    """What fell since the site's midnight [mm]; None: not known.

    Of several gauges the one that caught most. Where midnight is on no full hour of UTC, from the
    next one on.
    """
    begin = midnight(local_day(now_ms, site.timezone), site.timezone)
    fallen: dict[str, float] = {}
    for one in amounts(db, begin * MINUTE_MS, now_ms + 1):
        amount = one.amount(site)
        if one.quantity is Quantity.RAIN and amount is not None:
            fallen[one.sensor] = fallen.get(one.sensor, 0.0) + amount
    return max(fallen.values(), default=None)


# Later than anything that is ever kept; it still fits SQLite's integers.
FOREVER_MS = 2**62
ALL = -1  # rows, as SQLite has it
QUANTITIES: dict[str, Quantity] = {quantity.value: quantity for quantity in Quantity}
_OF_SENSOR = "sensor = (SELECT id FROM sensor WHERE name = :sensor)"
_OF_QUANTITY = "quantity = (SELECT id FROM quantity WHERE name = :quantity)"


class SensorCount(NamedTuple):
    """What a sensor told in a span: readings, of these used for the air, and each doubt's count."""

    readings: int
    used: int
    doubts: dict[Flag, int]
    first_ms: int
    last_ms: int


class ReadingQueries:
    """Reads of the readings; spans are half open."""

    _db: sqlite3.Connection

    def first_ms(self) -> int | None:
        """Time of the oldest usable reading [ms]; None: there is none."""
        return self._number(
            "SELECT time_ms FROM reading WHERE flags & ? = 0 ORDER BY time_ms LIMIT 1",
            (int(Flag.TOO_OLD),),
        )

    def newest_ms(self) -> int | None:
        """Time of the newest reading [ms]; None: there is none."""
        return self._number("SELECT max(time_ms) FROM reading")

    def first_minute_from(self, minute: int) -> int | None:
        """The first minute from this one on in which something was read; None: nothing since."""
        return self._number(
            f"SELECT min(time_ms) / {MINUTE_MS} FROM reading WHERE time_ms >= ?",  # noqa: S608 (a number)
            (minute * MINUTE_MS,),
        )

    def holds(self, time_ms: int, sensor: str, quantity: Quantity) -> bool:
        """Whether this reading is kept already."""
        asked = f"SELECT 1 FROM reading WHERE time_ms = :at AND {_OF_SENSOR} AND {_OF_QUANTITY}"  # noqa: S608 (a text of ours)
        named: dict[str, int | str] = {
            "at": time_ms,
            "sensor": sensor,
            "quantity": quantity.value,
        }
        return self._number(asked, named) is not None

    def records(self, begin: int, end: int, most: int | None = None) -> Slice:
        """The readings of whole minutes from `begin` on.

        They end before minute `end`, or with the minute in which there are `most`.
        """
        rows = self._rows(begin, end, ALL if most is None else most + 1)
        if most is not None and len(rows.time_ms) > most:
            end = int(rows.time_ms[most - 1]) // MINUTE_MS + 1
            rows = self._rows(begin, end, ALL)
        sensors, quantities = self._names("sensor"), self._names("quantity")
        return Slice(begin, end, rows, sensors.__getitem__, lambda q: QUANTITIES[quantities[q]])

    def _rows(self, begin: int, end: int, most: int) -> Rows:
        """So many readings of the minutes begin ≤ minute < end."""
        rows = self._db.execute(
            "SELECT time_ms, sensor, quantity, value, flags FROM reading"
            " WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms LIMIT ?",
            (begin * MINUTE_MS, end * MINUTE_MS, most),
        )
        told = np.fromiter(rows, np.dtype("i8,i8,i8,f8,i8"))
        return Rows(*(told[column].copy() for column in told.dtype.names or ()))

    def _names(self, table: str) -> _Names:
        return _Names(self._db.execute(f"SELECT id, name FROM {table}"))  # noqa: S608 (a table of ours)

    def waiting(self) -> list[Reading]:
        """Readings whose leap in time waits to be confirmed, in order of time."""
        sensors, quantities = self._names("sensor"), self._names("quantity")
        rows = self._db.execute(
            "SELECT time_ms, sensor, quantity, value, flags FROM waiting ORDER BY time_ms"
        )
        return [
            Reading(time_ms, sensors[sensor], QUANTITIES[quantities[quantity]], value, Flag(flags))
            for time_ms, sensor, quantity, value, flags in rows
        ]

    def readings(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Reading]:
        """Readings with from_ms ≤ time < to_ms by time, sensor and quantity, one at a time."""
        # CROSS JOIN keeps the readings outermost: read in the order of their key, so only those
        # of one moment are ever sorted.
        rows = self._db.execute(
            "SELECT r.time_ms, s.name, q.name, r.value, r.flags FROM reading r"
            " CROSS JOIN sensor s ON s.id = r.sensor CROSS JOIN quantity q ON q.id = r.quantity"
            " WHERE r.time_ms >= ? AND r.time_ms < ? ORDER BY r.time_ms, s.name, q.name",
            (from_ms, to_ms),
        )
        for time_ms, sensor, quantity, value, flags in rows:
            yield Reading(time_ms, sensor, QUANTITIES[quantity], value, FLAGS[flags])

    def readings_of(
        self, sensor: str, quantity: Quantity, from_ms: int, to_ms: int
    ) -> list[tuple[int, float, Flag]]:
        """(time, value, flags) of one sensor and quantity with from_ms ≤ time < to_ms."""
        rows = self._db.execute(
            "SELECT time_ms, value, flags FROM reading WHERE time_ms >= :from AND time_ms < :to"  # noqa: S608 (a text of ours)
            f" AND {_OF_SENSOR} AND {_OF_QUANTITY} ORDER BY time_ms",
            {"from": from_ms, "to": to_ms, "sensor": sensor, "quantity": quantity.value},
        )
        return [(time_ms, value, FLAGS[flags]) for time_ms, value, flags in rows]

    def amounts(self, from_ms: int, to_ms: int) -> Iterator[Amount]:
        """The amounts of the hours that begin in from_ms ≤ time < to_ms."""
        return amounts(self._db, from_ms, to_ms)

    def rain_today(self, site: Site, now_ms: int) -> float | None:
        """What fell since the site's midnight [mm]; None: not known."""
        return rain_today(self._db, site, now_ms)

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings, begin ≤ time < end, by time [UTC epoch ms, g]."""
        told = self.readings_of(sensor, Quantity.MASS, begin_ms, end_ms)
        return [(time_ms, grams) for time_ms, grams, flags in told if not flags & DOUBTFUL]

    def last_readings(self, since_ms: int) -> dict[tuple[str, Quantity], Reading]:
        """The last reading of each sensor and quantity since then."""
        # SQLite gives the other columns of the row that holds the maximum.
        rows = self._db.execute(
            "SELECT max(r.time_ms), s.name, q.name, r.value, r.flags FROM reading r"
            " CROSS JOIN sensor s ON s.id = r.sensor CROSS JOIN quantity q ON q.id = r.quantity"
            " WHERE r.time_ms >= ? GROUP BY r.sensor, r.quantity",
            (since_ms,),
        )
        return {
            (sensor, QUANTITIES[quantity]): Reading(
                time_ms, sensor, QUANTITIES[quantity], value, Flag(flags)
            )
            for time_ms, sensor, quantity, value, flags in rows
        }

    def last_values(self, quantity: Quantity, from_ms: int, to_ms: int) -> dict[str, float]:
        """The last value of a quantity that each sensor told in from_ms ≤ time < to_ms."""
        rows = self._db.execute(
            "SELECT max(time_ms), s.name, value FROM reading r CROSS JOIN sensor s ON s.id = sensor"  # noqa: S608 (a text of ours)
            f" WHERE time_ms >= :from AND time_ms < :to AND {_OF_QUANTITY} GROUP BY sensor",
            {"from": from_ms, "to": to_ms, "quantity": quantity.value},
        )
        return {sensor: value for _, sensor, value in rows}

    def heard(self, from_ms: int, to_ms: int) -> dict[str, SensorCount]:
        """What each sensor told in from_ms ≤ time < to_ms; a silent one is not there."""
        rows = self._db.execute(
            "SELECT s.name, g.flags, g.readings, g.first_ms, g.last_ms FROM"
            " (SELECT sensor, flags, count(*) AS readings, min(time_ms) AS first_ms,"
            "  max(time_ms) AS last_ms FROM reading WHERE time_ms >= ? AND time_ms < ?"
            "  GROUP BY sensor, flags) g JOIN sensor s ON s.id = g.sensor",
            (from_ms, to_ms),
        )
        groups: dict[str, list[tuple[Flag, int, int, int]]] = {}
        for sensor, flags, count, first_ms, last_ms in rows:
            groups.setdefault(sensor, []).append((Flag(flags), count, first_ms, last_ms))
        return {sensor: _counted(of_sensor) for sensor, of_sensor in sorted(groups.items())}

    def unread(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Unread]:
        """Payloads that could not be read, the newest first."""
        rows = self._db.execute(
            f"SELECT {', '.join(Unread._fields)} FROM unread"  # noqa: S608 (columns of ours)
            " WHERE arrived_ms >= ? AND arrived_ms < ? ORDER BY id DESC",
            (from_ms, to_ms),
        )
        return map(Unread._make, rows)

    def _number(
        self, sql: str, values: tuple[int | str, ...] | dict[str, int | str] = ()
    ) -> int | None:
        """The one number of the first row; None: there is no row, or it is empty."""
        row = self._db.execute(sql, values).fetchone()
        return None if row is None or row[0] is None else int(row[0])


class _Names(dict[int, str]):
    """Names by row number."""

    def __missing__(self, number: int) -> str:
        raise DamagedError(f"a row speaks of number {number}, which has no name")


def _counted(groups: list[tuple[Flag, int, int, int]]) -> SensorCount:
    doubts: dict[Flag, int] = {}
    for flags, count, _, _ in groups:
        for flag in flags:
            doubts[flag] = doubts.get(flag, 0) + count
    return SensorCount(
        readings=sum(g[1] for g in groups),
        used=sum(g[1] for g in groups if not g[0] & DOUBTFUL),
        doubts=dict(sorted(doubts.items())),
        first_ms=min(g[2] for g in groups),
        last_ms=max(g[3] for g in groups),
    )
