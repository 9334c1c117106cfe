"""The rows that the engine asks back, over the writer's own connection.

So it sees what is written and not committed yet.
"""

from __future__ import annotations

import sqlite3

import numpy as np

from monitor.ahead.ten_minutes import Means
from monitor.air.spells import Spell
from monitor.air.strides.slices import Rows, Slice
from monitor.drying.hours import NO_HOURS, HourMeans
from monitor.drying.prospects import Prospect
from monitor.entries.entries import Entry
from monitor.notices.notice import Notice, NoticeRow, Weight
from monitor.notices.once_rules import Foretold
from monitor.site.kinds import Kind
from monitor.site.quantities import DOUBTFUL, Flag, Quantity, Reading
from monitor.site.time import MINUTE_MS
from monitor.store.journal import entries_in
from monitor.store.means import ten_minute_means
from monitor.store.names import Names
from monitor.store.reader import QUANTITIES, prospect_of_row

ALL = -1  # rows, as SQLite has it


class Archive:
    """What `monitor.engine.archive.Archive` asks of a store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._sensors = Names(connection, "sensor")
        self._spaces = Names(connection, "space")
        self._quantities = Names(connection, "quantity")

    def first_ms(self) -> int | None:
        """Time of the oldest usable reading [ms]; None: there is none."""
        row = self._db.execute(
            "SELECT time_ms FROM reading WHERE flags & ? = 0 ORDER BY time_ms LIMIT 1",
            (int(Flag.TOO_OLD),),
        ).fetchone()
        return None if row is None else int(row[0])

    def newest_ms(self) -> int | None:
        """Time of the newest reading [ms]; None: there is none."""
        row = self._db.execute("SELECT max(time_ms) FROM reading").fetchone()
        return None if row[0] is None else int(row[0])

    def first_minute_from(self, minute: int) -> int | None:
        """The first minute from this one on in which something was read; None: nothing since."""
        row = self._db.execute(
            "SELECT min(time_ms) FROM reading WHERE time_ms >= ?", (minute * MINUTE_MS,)
        ).fetchone()
        return None if row[0] is None else int(row[0]) // MINUTE_MS

    def holds(self, time_ms: int, sensor: str, quantity: Quantity) -> bool:
        """Whether this reading is kept already."""
        sensor_id, quantity_id = self._sensors.known(sensor), self._quantities.known(quantity)
        if sensor_id is None or quantity_id is None:
            return False
        row = self._db.execute(
            "SELECT 1 FROM reading WHERE time_ms = ? AND sensor = ? AND quantity = ?",
            (time_ms, sensor_id, quantity_id),
        ).fetchone()
        return row is not None

    def records(self, begin: int, end: int, most: int | None = None) -> Slice:
        """The readings of whole minutes from `begin` on.

        They end before minute `end`, or with the minute in which there are `most`.
        """
        rows = self._rows(begin, end, ALL if most is None else most + 1)
        if most is not None and len(rows.time_ms) > most:
            end = int(rows.time_ms[most - 1]) // MINUTE_MS + 1
            rows = self._rows(begin, end, ALL)
        return Slice(begin, end, rows, self._sensors.name_of, self._quantity_of)

    def _rows(self, begin: int, end: int, most: int) -> Rows:
        """So many readings of the minutes begin ≤ minute < end."""
        # Three columns are read in three quarters of the time that five take.
        rows = self._db.execute(
            "SELECT time_ms, value, (sensor << 32) | (quantity << 16) | flags FROM reading"
            " WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms LIMIT ?",
            (begin * MINUTE_MS, end * MINUTE_MS, most),
        )
        told = np.fromiter(rows, np.dtype("i8,f8,i8"))
        packed = told["f2"]
        return Rows(told["f0"], packed >> 32, (packed >> 16) & 0xFFFF, told["f1"], packed & 0xFFFF)

    def _quantity_of(self, id_: int) -> Quantity:
        return QUANTITIES[self._quantities.name_of(id_)]

    def waiting(self) -> list[Reading]:
        """Readings whose leap in time waits to be confirmed, in order of time."""
        return [
            Reading(
                time_ms,
                self._sensors.name_of(sensor),
                Quantity(self._quantities.name_of(quantity)),
                value,
                Flag(flags),
            )
            for time_ms, sensor, quantity, value, flags in self._db.execute(
                "SELECT time_ms, sensor, quantity, value, flags FROM waiting ORDER BY time_ms"
            )
        ]

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""
        row = self._db.execute(
            "SELECT state FROM checkpoint WHERE minute <= ? ORDER BY minute DESC LIMIT 1",
            (minute,),
        ).fetchone()
        return None if row is None else bytes(row[0])

    def spells_since(self, minute: int) -> list[Spell]:
        """Spells still going on, or whose end was known in this minute or later."""
        rows = self._db.execute(
            "SELECT kind, space, sensor, began, declared, ended, worst, urgent, settled"
            " FROM spell WHERE settled IS NULL OR settled >= ?",
            (minute,),
        )
        return [
            Spell(Kind(r[0]), r[1], r[2], r[3], r[4], r[5], r[6], bool(r[7]), r[8]) for r in rows
        ]

    def settled(self) -> int | None:
        """The minute up to which spells and notices were settled."""
        settled = self.fact("settled")
        return None if settled is None else int(settled)

    def fact(self, key: str) -> str | None:
        """What was noted under a key; None: nothing."""
        row = self._db.execute("SELECT value FROM fact WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def told_since(self, made_ms: int) -> list[NoticeRow]:
        """Rows of the notices written at this time or later, oldest first."""
        rows = self._db.execute(
            "SELECT id, made_ms, space, sensor, kind, part, weight, title, body, place,"
            " spell_began, seen_ms, paused_until_ms FROM notice WHERE made_ms >= ? ORDER BY id",
            (made_ms,),
        )
        return [
            NoticeRow(
                r[0],
                Notice(r[1], r[2], r[3], r[4], r[5], Weight(r[6]), r[7], r[8], r[9], r[10]),
                seen_ms=r[11],
                paused_until_ms=r[12],
            )
            for r in rows
        ]

    def last_notice(self) -> int:
        """Number of the newest notice; 0: none."""
        return int(self._db.execute("SELECT coalesce(max(id), 0) FROM notice").fetchone()[0])

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of the minutes begin ≤ minute < end of a space, where there are any."""
        known = self._spaces.known(space)
        if known is None or begin >= end:
            return NO_HOURS
        both = "temperature_c IS NOT NULL AND relative_humidity_pct IS NOT NULL"
        rows = self._db.execute(
            f"SELECT minute / 60, avg(iif({both}, temperature_c, NULL)),"  # noqa: S608 (a text of ours)
            f" avg(iif({both}, relative_humidity_pct, NULL)), sum({both}),"
            " coalesce(sum(illuminance_lx), 0) / 60"
            " FROM air WHERE minute >= ? AND minute < ? AND space = ?"
            " GROUP BY minute / 60 ORDER BY minute / 60",
            (begin, end, known),
        )
        table = np.array(rows.fetchall(), dtype=np.float64).reshape(-1, 5)  # NULL becomes NaN
        return HourMeans(
            table[:, 0].astype(np.int64),
            table[:, 1].copy(),
            table[:, 2].copy(),
            table[:, 3].astype(np.int64),
            table[:, 4].copy(),
        )

    def ten_minute_means(self, space: str, begin: int, end: int) -> Means:
        """Means of the ten minutes that begin in begin ≤ minute < end, where any is known."""
        return ten_minute_means(self._db, self._spaces.known(space), begin, end)

    def lessons(self) -> list[bytes]:
        """The newest lesson of each space, as it was kept."""
        return [bytes(row[0]) for row in self._db.execute("SELECT lesson FROM lesson")]

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""
        rows = self._db.execute(
            "SELECT space, kind, told_ms, probability, begins, stands_until, closed FROM foretold"
            " WHERE told_ms >= ? ORDER BY told_ms",
            (told_ms,),
        )
        return [Foretold(r[0], Kind(r[1]), *r[2:]) for r in rows]

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings, begin ≤ time < end, by time [UTC epoch ms, g]."""
        sensor_id, mass = self._sensors.known(sensor), self._quantities.known(Quantity.MASS)
        return self._db.execute(
            "SELECT time_ms, value FROM reading WHERE time_ms >= ? AND time_ms < ?"
            " AND sensor = ? AND quantity = ? AND flags & ? = 0 ORDER BY time_ms",
            (begin_ms, end_ms, sensor_id, mass, int(DOUBTFUL)),
        ).fetchall()

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""
        row = self._db.execute(
            "SELECT 1 FROM notice WHERE kind = ? AND place = ? LIMIT 1", (kind, place)
        ).fetchone()
        return row is not None

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""
        return entries_in(self._db)

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""
        rows = self._db.execute(
            "SELECT * FROM prospect WHERE asked_ms = (SELECT max(asked_ms) FROM prospect)"
        )
        return {prospect.batch: prospect for prospect in map(prospect_of_row, rows)}
