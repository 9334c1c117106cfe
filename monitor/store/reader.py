"""What the store holds, for the page, the exports and the reports: read-only, one snapshot."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from monitor.ahead.ten_minutes import Means
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import HoursAhead, Unread
from monitor.entries.entries import Entry
from monitor.notices.notice import Notice, Weight
from monitor.site.kinds import Kind
from monitor.site.quantities import DOUBTFUL, FLAGS, Flag, Quantity, Reading
from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.store.connection import open_for_reading
from monitor.store.days import day_extremes, sum_of
from monitor.store.extremes import extremes
from monitor.store.journal import entries_in
from monitor.store.means import ten_minute_means

# Later than anything that is ever kept; it still fits SQLite's integers.
FOREVER_MS = 2**62
FOREVER = FOREVER_MS // MINUTE_MS

_AIR = MinuteOfAir._fields[2:]
_AIR_COLUMNS = ", ".join(f"a.{name}" for name in _AIR)
_MEAN_COLUMNS = ", ".join(f"a.{name}" for name in _AIR if name != "readings")
_SPELL_COLUMNS = "kind, space, sensor, began, declared, ended, worst, urgent, settled"

QUANTITIES: dict[str, Quantity] = {quantity.value: quantity for quantity in Quantity}


class Delivery(NamedTuple):
    """One notice on its way to one address; times in UTC epoch ms.

    address  None: it waits for the digest, nobody is written to
    failure  why the last try failed, as a sentence
    """

    number: int
    notice: Notice
    address: str | None
    sent_ms: int | None
    tries: int
    failure: str | None
    seen_ms: int | None
    paused_until_ms: int | None


class KeptReport(NamedTuple):
    """A weekly report that was made."""

    week: str
    made_ms: int
    text: str
    folder: str


class TenMinutes(NamedTuple):
    """What is left of ten minutes of air: their means, and how many of them were known."""

    means: MinuteOfAir
    minutes: int


class Load(NamedTuple):
    """The pull of the air added up [kPa·h], and the minutes in which it was known."""

    kpa_h: float
    minutes: int


class Heard(NamedTuple):
    """What a sensor told in a span: readings, of these used for the air, and each doubt's count."""

    readings: int
    used: int
    doubts: dict[Flag, int]
    first_ms: int
    last_ms: int


class Reader:
    """A read-only connection for one request; everything it answers is of one moment.

    Use it in a `with` block and leave it soon: a long reader keeps the write-ahead log growing.
    raises StoreError where the store cannot be opened.
    """

    def __init__(self, file: Path) -> None:
        self._db = open_for_reading(file)
        self._db.execute("BEGIN")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the connection back. Safe to call twice."""
        self._db.close()

    # -- readings -------------------------------------------------------------------------------

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

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings, begin ≤ time < end, by time [UTC epoch ms, g]."""
        return self._db.execute(
            "SELECT time_ms, value FROM reading WHERE time_ms >= ? AND time_ms < ?"
            " AND sensor = (SELECT id FROM sensor WHERE name = ?)"
            " AND quantity = (SELECT id FROM quantity WHERE name = ?)"
            " AND flags & ? = 0 ORDER BY time_ms",
            (begin_ms, end_ms, sensor, Quantity.MASS, int(DOUBTFUL)),
        ).fetchall()

    def readings_of(
        self, sensor: str, quantity: Quantity, from_ms: int, to_ms: int
    ) -> list[tuple[int, float, Flag]]:
        """(time, value, flags) of one sensor and quantity with from_ms ≤ time < to_ms."""
        rows = self._db.execute(
            "SELECT time_ms, value, flags FROM reading WHERE time_ms >= ? AND time_ms < ?"
            " AND sensor = (SELECT id FROM sensor WHERE name = ?)"
            " AND quantity = (SELECT id FROM quantity WHERE name = ?) ORDER BY time_ms",
            (from_ms, to_ms, sensor, quantity.value),
        )
        return [(row[0], row[1], FLAGS[row[2]]) for row in rows]

    def last_readings(self, since_ms: int) -> dict[tuple[str, Quantity], Reading]:
        """The last reading of each sensor and quantity since then."""
        # SQLite gives the other columns of the row that holds the maximum.
        rows = self._db.execute(
            "SELECT max(r.time_ms), s.name, q.name, r.value, r.flags FROM reading r"
            " CROSS JOIN sensor s ON s.id = r.sensor CROSS JOIN quantity q ON q.id = r.quantity"
            " WHERE r.time_ms >= ? GROUP BY r.sensor, r.quantity",
            (since_ms,),
        )
        last = (Reading(r[0], r[1], Quantity(r[2]), r[3], Flag(r[4])) for r in rows)
        return {(reading.sensor, reading.quantity): reading for reading in last}

    def last_values(self, quantity: Quantity, from_ms: int, to_ms: int) -> dict[str, float]:
        """The last value of a quantity that each sensor told in from_ms ≤ time < to_ms."""
        rows = self._db.execute(
            "SELECT max(r.time_ms), s.name, r.value FROM reading r"
            " CROSS JOIN sensor s ON s.id = r.sensor"
            " WHERE r.time_ms >= ? AND r.time_ms < ?"
            " AND r.quantity = (SELECT id FROM quantity WHERE name = ?) GROUP BY r.sensor",
            (from_ms, to_ms, quantity.value),
        )
        return {sensor: value for _, sensor, value in rows}

    def heard(self, from_ms: int, to_ms: int) -> dict[str, Heard]:
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
        return {sensor: _heard(of_sensor) for sensor, of_sensor in sorted(groups.items())}

    def unread(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Unread]:
        """Payloads that could not be read, the newest first."""
        rows = self._db.execute(
            "SELECT arrived_ms, topic, sensor, payload, reason FROM unread"
            " WHERE arrived_ms >= ? AND arrived_ms < ? ORDER BY id DESC",
            (from_ms, to_ms),
        )
        return (Unread(*row) for row in rows)

    # -- air ------------------------------------------------------------------------------------

    def minutes(self, begin: int = 0, end: int = FOREVER) -> Iterator[MinuteOfAir]:
        """Minutes of air with begin ≤ minute < end by minute and space, one at a time."""
        rows = self._db.execute(
            f"SELECT a.minute, s.name, {_AIR_COLUMNS} FROM air a"  # noqa: S608 (columns of ours)
            " CROSS JOIN space s ON s.id = a.space"
            " WHERE a.minute >= ? AND a.minute < ? ORDER BY a.minute, s.name",
            (begin, end),
        )
        return (MinuteOfAir(*row) for row in rows)

    def ten_minutes(self, begin: int = 0, end: int = FOREVER) -> Iterator[TenMinutes]:
        """Ten-minute means of minutes no longer kept, with begin ≤ first minute < end, in order.

        How many readings they came from is not kept: it stands as 0.
        """
        rows = self._db.execute(
            f"SELECT a.minute, s.name, {_MEAN_COLUMNS}, 0, a.minutes FROM air_ten_minutes a"  # noqa: S608 (columns of ours)
            " CROSS JOIN space s ON s.id = a.space"
            " WHERE a.minute >= ? AND a.minute < ? ORDER BY a.minute, s.name",
            (begin, end),
        )
        return (TenMinutes(MinuteOfAir(*row[:-1]), row[-1]) for row in rows)

    def means_until(self, begin: int = 0, end: int = FOREVER) -> int | None:
        """The minute up to which a span is kept as ten-minute means; None: nothing of it is."""
        row = self._db.execute(
            "SELECT max(minute) FROM air_ten_minutes WHERE minute >= ? AND minute < ?", (begin, end)
        ).fetchone()
        return None if row[0] is None else int(row[0]) + 10

    def air_of(
        self, space: str, begin: int, end: int, columns: tuple[str, ...] = _AIR
    ) -> dict[str, npt.NDArray[np.float64]]:
        """Columns of a space's air, one value a minute from begin to before end; NaN: not known.

        Where only ten-minute means are left, each stands in as many minutes as it was made of, so
        that sums stay right.

        columns  fields of MinuteOfAir
        """
        _check(columns)
        rows = self._db.execute(
            f"SELECT minute, {', '.join(columns)} FROM air"  # noqa: S608 (checked above)
            " WHERE minute >= ? AND minute < ? AND space = (SELECT id FROM space WHERE name = ?)",
            (begin, end, space),
        )
        table = np.full((len(columns), end - begin), np.nan)
        while part := rows.fetchmany(10_000):
            found = np.array(part, dtype=np.float64)  # None becomes NaN
            table[:, found[:, 0].astype(np.int64) - begin] = found[:, 1:].T
        for ten in self.ten_minutes(begin // 10 * 10, end):
            if ten.means.space == space:
                first = ten.means.minute - begin
                values = np.array([getattr(ten.means, name) for name in columns], dtype=np.float64)
                table[:, max(0, first) : max(0, first + ten.minutes)] = values[:, np.newaxis]
        return dict(zip(columns, table, strict=True))

    def extremes_of(
        self, space: str, begin: int, end: int, step: int, columns: tuple[str, ...]
    ) -> dict[str, npt.NDArray[np.float64]]:
        """Lowest and highest value of each `step` minutes of a space's air, in their own order.

        Two values a step, to a millionth; NaN where nothing is known. What is left as ten-minute
        means counts where it begins.

        columns  fields of MinuteOfAir
        """
        _check(columns)
        number = self._space(space)
        if step == DAY_MIN and begin % DAY_MIN == 0:
            days = range(begin // DAY_MIN, -(-end // DAY_MIN))
            return day_extremes(self._db, number, days, end, columns)
        return extremes(self._db, number, range(begin, end, step), end, columns)

    def load_of(self, space: str, begin: int, end: int) -> Load:
        """The drying load of a space's air in begin ≤ minute < end."""
        pull = sum_of(self._db, self._space(space), begin, end, "vpd_kpa")
        return Load(pull.total / 60, pull.minutes)

    def ten_minute_means(self, space: str, begin: int, end: int) -> Means:
        """Means of the ten minutes that begin in begin ≤ minute < end, where any is known."""
        return ten_minute_means(self._db, self._space(space), begin, end)

    def first_minute(self, space: str) -> int | None:
        """The first minute in which anything of this space's air is known; None: never."""
        row = self._db.execute(
            "SELECT minute FROM air_ten_minutes WHERE space = :space UNION ALL"
            " SELECT minute FROM air WHERE space = :space ORDER BY minute LIMIT 1",
            {"space": self._space(space)},
        ).fetchone()
        return None if row is None else int(row[0])

    def _space(self, name: str) -> int | None:
        row = self._db.execute("SELECT id FROM space WHERE name = ?", (name,)).fetchone()
        return None if row is None else int(row[0])

    # -- spells, notices, entries, reports --------------------------------------------------------

    def spells(self, begin: int = 0, end: int = FOREVER) -> list[Spell]:
        """Spells that touch begin ≤ minute < end, by beginning, space, sensor and kind."""
        rows = self._db.execute(
            f"SELECT {_SPELL_COLUMNS} FROM spell"  # noqa: S608 (columns of ours)
            " WHERE began < ? AND (ended IS NULL OR ended > ?)"
            " ORDER BY began, space, sensor, kind",
            (end, begin),
        )
        return [_spell(*row) for row in rows]

    def notices(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Delivery]:
        """Notices made in from_ms ≤ made < to_ms, oldest first, one for each address."""
        rows = self._db.execute(
            "SELECT n.id, n.made_ms, n.space, n.sensor, n.kind, n.part, n.weight, n.title, n.body,"
            " n.place, n.spell_began, o.address, o.sent_ms, coalesce(o.tries, 0), o.failure,"
            " n.seen_ms, n.paused_until_ms"
            " FROM notice n LEFT JOIN outbox o ON o.notice = n.id"
            " WHERE n.made_ms >= ? AND n.made_ms < ? ORDER BY n.made_ms, n.id, o.address",
            (from_ms, to_ms),
        )
        return (_delivery(row) for row in rows)

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""
        return entries_in(self._db)

    def prospects(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Prospect]:
        """What was said of each batch, by hour and batch."""
        rows = self._db.execute(
            "SELECT * FROM prospect WHERE asked_ms >= ? AND asked_ms < ? ORDER BY asked_ms, batch",
            (from_ms, to_ms),
        )
        return (prospect_of_row(row) for row in rows)

    def prospects_of(self, batch: int, from_ms: int = 0) -> list[Prospect]:
        """What was said of one batch from a time on, by hour."""
        rows = self._db.execute(
            "SELECT * FROM prospect WHERE asked_ms >= ? AND batch = ? ORDER BY asked_ms",
            (from_ms, batch),
        )
        return [prospect_of_row(row) for row in rows]

    def said_of(self, batch: int, since_ms: int, at_ms: int) -> Prospect | None:
        """What was last said of a batch, not before `since_ms` and not after `at_ms`."""
        row = self._db.execute(
            "SELECT * FROM prospect WHERE asked_ms >= ? AND asked_ms <= ? AND batch = ?"
            " ORDER BY asked_ms DESC LIMIT 1",
            (since_ms, at_ms, batch),
        ).fetchone()
        return None if row is None else prospect_of_row(row)

    def last_prospects(self, to_ms: int = FOREVER_MS) -> dict[int, Prospect]:
        """Of each batch the last that was said of it before a time."""
        rows = self._db.execute(
            "SELECT p.* FROM prospect p JOIN (SELECT batch, max(asked_ms) AS last FROM prospect"
            " WHERE asked_ms < ? GROUP BY batch) l ON l.batch = p.batch AND l.last = p.asked_ms",
            (to_ms,),
        )
        return {prospect.batch: prospect for prospect in map(prospect_of_row, rows)}

    def ahead(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[HoursAhead]:
        """What was foreseen of each space, by hour, space and horizon."""
        rows = self._db.execute(
            "SELECT a.asked_ms, s.name, a.horizon_h, a.temperature_p10_c, a.temperature_p50_c,"
            " a.temperature_p90_c, a.humidity_ratio_p10_g_kg, a.humidity_ratio_p50_g_kg,"
            " a.humidity_ratio_p90_g_kg FROM ahead a CROSS JOIN space s ON s.id = a.space"
            " WHERE a.asked_ms >= ? AND a.asked_ms < ? ORDER BY a.asked_ms, s.name, a.horizon_h",
            (from_ms, to_ms),
        )
        return (HoursAhead(r[0], r[1], r[2], r[3:6], r[6:]) for r in rows)

    def reports(self) -> list[KeptReport]:
        """The weekly reports, the newest week first."""
        rows = self._db.execute("SELECT week, made_ms, text, folder FROM report ORDER BY week DESC")
        return [KeptReport(*row) for row in rows]

    def report(self, week: str) -> KeptReport | None:
        """The report of one week, e.g. "2026-W29"; None: it was not made."""
        row = self._db.execute(
            "SELECT week, made_ms, text, folder FROM report WHERE week = ?", (week,)
        ).fetchone()
        return None if row is None else KeptReport(*row)


def _check(columns: tuple[str, ...]) -> None:
    unknown = [name for name in columns if name not in _AIR]
    if unknown:
        raise ValueError(f"air has no column {unknown[0]}; it has {', '.join(_AIR)}")


def _heard(groups: list[tuple[Flag, int, int, int]]) -> Heard:
    doubts: dict[Flag, int] = {}
    for flags, count, _, _ in groups:
        for flag in flags:
            doubts[flag] = doubts.get(flag, 0) + count
    return Heard(
        readings=sum(g[1] for g in groups),
        used=sum(g[1] for g in groups if not g[0] & DOUBTFUL),
        doubts=dict(sorted(doubts.items())),
        first_ms=min(g[2] for g in groups),
        last_ms=max(g[3] for g in groups),
    )


def _spell(
    kind: str,
    space: str | None,
    sensor: str | None,
    began: int,
    declared: int,
    ended: int | None,
    worst: float,
    urgent: int,
    settled: int | None,
) -> Spell:
    return Spell(Kind(kind), space, sensor, began, declared, ended, worst, bool(urgent), settled)


def _delivery(row: tuple[Any, ...]) -> Delivery:
    number, made_ms, space, sensor, kind, part, weight, title, body, place, spell_began = row[:11]
    notice = Notice(
        made_ms, space, sensor, kind, part, Weight(weight), title, body, place, spell_began
    )
    return Delivery(number, notice, *row[11:])


def prospect_of_row(row: tuple[Any, ...]) -> Prospect:
    """A row of the table of what was said of batches."""
    asked_ms, batch, *said = row
    said[8] = bool(said[8])
    return Prospect(batch, asked_ms, *said)
