"""The one writer: effects into rows, and the rows the engine asks back."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from monitor.room import learning
from monitor.room.effects import Effects, Outgoing, Settlement
from monitor.room.entries import Entry
from monitor.room.hour_means import HourMean
from monitor.room.notices import Notice, Told, Weight
from monitor.room.prospects import Prospect
from monitor.room.readings import DOUBTFUL, MINUTE_MS, Flag, Quantity, Reading
from monitor.room.slices import Rows, Slice
from monitor.room.soon_teller import Foretold
from monitor.room.spells import Kind, Spell
from monitor.room.ten_minutes import Means
from monitor.store import days
from monitor.store.connection import DamagedError, open_for_writing
from monitor.store.journal import Journal, entries_in, insert_entry
from monitor.store.means import ten_minute_means
from monitor.store.reader import QUANTITIES, prospect_of_row

UNREAD_KEPT = 2_000
ALL = -1  # rows, as SQLite has it
DAY_MS = days.DAY_MIN * MINUTE_MS
HOURLY_STATES_MIN = 3 * days.DAY_MIN  # later a state a day is enough
_AIR_COLUMNS = 11
_MEAN_COLUMNS = (
    "temperature_c",
    "relative_humidity_pct",
    "illuminance_lx",
    "dew_point_c",
    "vpd_kpa",
    "humidity_ratio_g_kg",
    "absolute_humidity_g_m3",
    "surface_margin_k",
)


class Names:
    """Names ↔ row numbers of one table, made as they are met."""

    def __init__(self, connection: sqlite3.Connection, table: str) -> None:
        self._connection = connection
        self._table = table
        self._ids: dict[str, int] = {}
        self._names: dict[int, str] = {}
        self.reload()

    def reload(self) -> None:
        """Forget what a rolled-back transaction made."""
        rows = self._connection.execute(f"SELECT id, name FROM {self._table}").fetchall()  # noqa: S608 (a table of ours)
        self._names = dict(rows)
        self._ids = {name: id_ for id_, name in rows}

    def id_of(self, name: str) -> int:
        """The row number of a name, made if it is new."""
        id_ = self._ids.get(name)
        if id_ is None:
            cursor = self._connection.execute(
                f"INSERT INTO {self._table} (name) VALUES (?)",  # noqa: S608 (a table of ours)
                (str(name),),
            )
            id_ = int(cursor.lastrowid or 0)
            self._ids[name] = id_
            self._names[id_] = str(name)
        return id_

    def known(self, name: str) -> int | None:
        """The row number of a name; None if it is not there."""
        return self._ids.get(name)

    def name_of(self, id_: int) -> str:
        """The name of a row number."""
        try:
            return self._names[id_]
        except KeyError:
            raise DamagedError(f"a row speaks of number {id_}, which has no name") from None


class Writer:
    """The one read-write connection, used by one thread.

    Nothing is kept until `commit`; after a failure, `rollback` brings back the last commit.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self._db, self._lock = open_for_writing(file)
        self._sensors = Names(self._db, "sensor")
        self._spaces = Names(self._db, "space")
        self._quantities = Names(self._db, "quantity")
        self._entered: list[Entry] = []  # since the last commit
        self.journal = Journal(file, self._db)

    # -- transactions -------------------------------------------------------------------------

    @property
    def open_transaction(self) -> bool:
        """Whether something waits for a commit."""
        return self._db.in_transaction

    def commit(self) -> None:
        """Make everything since the last commit durable; raises sqlite3.Error if it cannot be."""
        if self._db.in_transaction:
            self._db.execute("COMMIT")
        if self._entered or self.journal.trouble is not None:
            entered, self._entered = self._entered, []
            self.journal.add(entered)

    def rollback(self) -> None:
        """Drop everything since the last commit."""
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
        self._entered.clear()
        for names in (self._sensors, self._spaces, self._quantities):
            names.reload()

    def close(self) -> None:
        """Give the file back; what was not committed is dropped. Safe to call twice."""
        self._db.close()
        self._lock.close()

    # -- writing --------------------------------------------------------------------------------

    def apply(self, effects: Effects, addresses: Iterable[str] = ()) -> None:
        """Write effects into the open transaction; raises sqlite3.Error."""
        self._begin()
        self._apply_readings(effects)
        self._apply_air(effects)
        for settlement in effects.settlements:
            self._apply_spells(settlement)
            for outgoing in settlement.notices:
                self._apply_notice(outgoing, addresses)
        if effects.settled is not None:
            self.note("settled", str(effects.settled))
        self._db.executemany(
            f"INSERT OR IGNORE INTO prospect VALUES ({', '.join('?' * 19)})",  # noqa: S608 (question marks)
            [_prospect_row(prospect) for prospect in effects.prospects],
        )
        self._apply_foresight(effects)
        for key, value in effects.facts:
            self.note(key, value)
        for entry in effects.entries:
            insert_entry(self._db, entry)
            self._entered.append(entry)
        for number, seen_ms in effects.seen:
            self._db.execute("UPDATE notice SET seen_ms = ? WHERE id = ?", (seen_ms, number))
        for number, until_ms in effects.paused:
            self._db.execute(
                "UPDATE notice SET paused_until_ms = ? WHERE id = ?", (until_ms, number)
            )

    def _apply_foresight(self, effects: Effects) -> None:
        self._db.executemany(
            f"INSERT OR IGNORE INTO ahead VALUES ({', '.join('?' * 9)})",  # noqa: S608 (question marks)
            [
                (
                    *(a.asked_ms, self._spaces.id_of(a.space), a.horizon_h),
                    *(*a.temperature_c, *a.humidity_ratio_g_kg),
                )
                for a in effects.ahead
            ],
        )
        self._db.executemany(
            "INSERT OR REPLACE INTO foretold VALUES (?, ?, ?, ?, ?, ?, ?)", effects.foretold
        )
        for lesson in effects.lessons:
            space = self._spaces.id_of(lesson.space)
            self._db.execute(
                "INSERT OR REPLACE INTO lesson VALUES (?, ?, ?)",
                (space, lesson.minute, learning.dump(lesson)),
            )
            if lesson.exchange is not None:
                self._db.execute(
                    "INSERT OR REPLACE INTO air_changes VALUES (?, ?, ?, ?, ?)",
                    (lesson.minute, space, *lesson.exchange),
                )

    def note(self, key: str, value: str) -> None:
        """Keep one fact about the store itself."""
        self._change("INSERT OR REPLACE INTO fact (key, value) VALUES (?, ?)", (key, value))

    def _apply_readings(self, effects: Effects) -> None:
        insert = "INSERT OR IGNORE INTO {} VALUES (?, ?, ?, ?, ?)"
        if effects.readings:
            rows = [self._reading_row(r) for r in effects.readings]
            self._db.executemany(insert.format("reading"), rows)
        if effects.waiting:
            rows = [self._reading_row(r) for r in effects.waiting]
            self._db.executemany(insert.format("waiting"), rows)
        if effects.released:
            self._db.executemany(
                "DELETE FROM waiting WHERE time_ms = ? AND sensor = ? AND quantity = ?",
                [self._reading_row(r)[:3] for r in effects.released],
            )
        if effects.flags:
            self._db.executemany(
                "UPDATE reading SET flags = ? WHERE time_ms = ? AND sensor = ? AND quantity = ?",
                [
                    (int(flags), time_ms, self._sensors.id_of(sensor), self._quantities.id_of(q))
                    for time_ms, sensor, q, flags in effects.flags
                ],
            )
        if effects.unread:
            self._db.executemany(
                "INSERT INTO unread (arrived_ms, topic, sensor, payload, reason)"
                " VALUES (?, ?, ?, ?, ?)",
                effects.unread,
            )
            self._db.execute(
                "DELETE FROM unread WHERE id <= (SELECT max(id) FROM unread) - ?", (UNREAD_KEPT,)
            )

    def _reading_row(self, reading: Reading) -> tuple[int, int, int, float, int]:
        return (
            reading.time_ms,
            self._sensors.id_of(reading.sensor),
            self._quantities.id_of(reading.quantity),
            reading.value,
            int(reading.flags),
        )

    def _apply_air(self, effects: Effects) -> None:
        if effects.refolded:
            self._db.executemany(
                "DELETE FROM air WHERE minute = ?", [(minute,) for minute in effects.refolded]
            )
        if effects.air:
            marks = ", ".join("?" * _AIR_COLUMNS)
            self._db.executemany(
                f"INSERT OR REPLACE INTO air VALUES ({marks})",  # noqa: S608 (question marks)
                [(air.minute, self._spaces.id_of(air.space), *air[2:]) for air in effects.air],
            )
        days.forget(self._db, (*effects.refolded, *(air.minute for air in effects.air)))
        if effects.states_dropped is not None:
            self._db.execute("DELETE FROM checkpoint WHERE minute > ?", (effects.states_dropped,))
        if effects.states:
            self._db.executemany("INSERT OR REPLACE INTO checkpoint VALUES (?, ?)", effects.states)

    def _apply_spells(self, settlement: Settlement) -> None:
        key = "kind = ? AND space IS ? AND sensor IS ? AND began = ?"
        for spell, began in settlement.rekeyed:
            self._db.execute(
                "UPDATE notice SET spell_began = ?"
                " WHERE kind = ? AND space IS ? AND sensor IS ? AND spell_began = ?",
                (began, *_spell_key(spell)),
            )
        for spell in settlement.removed:
            self._db.execute(f"DELETE FROM spell WHERE {key}", _spell_key(spell))  # noqa: S608 (a text of ours)
        for spell in settlement.kept:
            self._db.execute(f"DELETE FROM spell WHERE {key}", _spell_key(spell))  # noqa: S608 (a text of ours)
            self._db.execute(
                "INSERT INTO spell (kind, space, sensor, began, declared, ended, worst, urgent,"
                " settled) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*spell[:7], int(spell.urgent), spell.settled),
            )

    def _apply_notice(self, outgoing: Outgoing, addresses: Iterable[str]) -> None:
        notice = outgoing.notice
        self._db.execute(
            "INSERT INTO notice (id, made_ms, space, sensor, kind, part, weight, title, body,"
            " place, spell_began) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (outgoing.number, *notice),
        )
        if outgoing.deliver_at_ms is None:
            return
        self._db.executemany(
            "INSERT INTO outbox (notice, address, next_try_ms) VALUES (?, ?, ?)",
            [(outgoing.number, address, outgoing.deliver_at_ms) for address in addresses],
        )

    def delivered(self, notice: int, address: str, now_ms: int) -> None:
        """A service took a notice."""
        self._change(
            "UPDATE outbox SET sent_ms = ?, next_try_ms = NULL, tries = tries + 1, failure = NULL"
            " WHERE notice = ? AND address = ?",
            (now_ms, notice, address),
        )

    def not_delivered(
        self, notice: int, address: str, reason: str, next_try_ms: int | None
    ) -> None:
        """A service did not take a notice; next_try_ms None: refused for good."""
        self._change(
            "UPDATE outbox SET tries = tries + 1, failure = ?, next_try_ms = ?"
            " WHERE notice = ? AND address = ?",
            (reason, next_try_ms, notice, address),
        )

    def keep_report(self, week: str, made_ms: int, text: str, folder: Path) -> None:
        """Keep what a weekly report said, and where its files are."""
        self._change(
            "INSERT OR REPLACE INTO report (week, made_ms, text, folder) VALUES (?, ?, ?, ?)",
            (week, made_ms, text, str(folder)),
        )

    def trim(self, now_ms: int, raw_days: int, minutes_days: int, most: int) -> bool:
        """Take away at most so many rows of each table that are older than is kept.

        Minutes become ten-minute means before they go. Returns whether more is left.
        """
        raw_before = now_ms - raw_days * DAY_MS
        minutes_before = (now_ms - minutes_days * DAY_MS) // MINUTE_MS // 10 * 10
        self._change(
            "DELETE FROM reading WHERE (time_ms, sensor, quantity) IN (SELECT time_ms, sensor,"
            " quantity FROM reading WHERE time_ms < ? ORDER BY time_ms LIMIT ?)",
            (raw_before, most),
        )
        readings = self._db.execute("SELECT changes()").fetchone()[0]
        oldest = self._db.execute("SELECT min(minute) FROM air").fetchone()[0]
        more_minutes = oldest is not None and oldest < minutes_before
        if more_minutes:
            self._fold_up(oldest // 10 * 10, min(oldest // 10 * 10 + days.DAY_MIN, minutes_before))
        self._change(
            "DELETE FROM checkpoint WHERE minute < ? OR (minute < ? AND minute % ?)",
            (raw_before // MINUTE_MS, now_ms // MINUTE_MS - HOURLY_STATES_MIN, days.DAY_MIN),
        )
        return bool(readings == most or more_minutes)

    def work_out_days(self, now_ms: int, most: int) -> bool:
        """Keep what so many days of spaces came to, if they are over; whether more is left."""
        self._begin()
        return days.work_out(self._db, now_ms // MINUTE_MS, most)

    def _fold_up(self, begin: int, end: int) -> None:
        means = ", ".join(f"avg({column})" for column in _MEAN_COLUMNS)
        self._db.execute(
            f"INSERT OR REPLACE INTO air_ten_minutes SELECT minute / 10 * 10, space, {means},"  # noqa: S608 (columns of ours)
            " count(*) FROM air WHERE minute >= ? AND minute < ? GROUP BY minute / 10, space",
            (begin, end),
        )
        self._db.execute("DELETE FROM air WHERE minute >= ? AND minute < ?", (begin, end))

    def _begin(self) -> None:
        if not self._db.in_transaction:
            self._db.execute("BEGIN IMMEDIATE")

    def _change(self, sql: str, values: tuple[object, ...]) -> None:
        self._begin()
        self._db.execute(sql, values)

    # -- what the engine asks back --------------------------------------------------------------

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

    def told_since(self, made_ms: int) -> list[tuple[int, Told]]:
        """Numbers and rows of the notices written at this time or later, oldest first."""
        rows = self._db.execute(
            "SELECT id, made_ms, space, sensor, kind, part, weight, title, body, place,"
            " spell_began, seen_ms, paused_until_ms FROM notice WHERE made_ms >= ? ORDER BY id",
            (made_ms,),
        )
        return [
            (
                r[0],
                Told(
                    Notice(r[1], r[2], r[3], r[4], r[5], Weight(r[6]), r[7], r[8], r[9], r[10]),
                    r[11],
                    r[12],
                ),
            )
            for r in rows
        ]

    def last_notice(self) -> int:
        """Number of the newest notice; 0: none."""
        return int(self._db.execute("SELECT coalesce(max(id), 0) FROM notice").fetchone()[0])

    def hour_means(self, space: str, begin: int, end: int) -> dict[int, HourMean]:
        """Means by epoch hour of the minutes begin ≤ minute < end of a space."""
        known = self._spaces.known(space)
        if known is None or begin >= end:
            return {}
        both = "temperature_c IS NOT NULL AND relative_humidity_pct IS NOT NULL"
        rows = self._db.execute(
            f"SELECT minute / 60, avg(iif({both}, temperature_c, NULL)),"  # noqa: S608 (a text of ours)
            f" avg(iif({both}, relative_humidity_pct, NULL)), sum({both}),"
            " coalesce(sum(illuminance_lx), 0) / 60"
            " FROM air WHERE minute >= ? AND minute < ? AND space = ? GROUP BY minute / 60",
            (begin, end, known),
        )
        nan = float("nan")
        return {
            hour: HourMean(nan if t is None else t, nan if h is None else h, minutes, light)
            for hour, t, h, minutes, light in rows
        }

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


def _spell_key(spell: Spell) -> tuple[str, str | None, str | None, int]:
    return spell.kind, spell.space, spell.sensor, spell.began


def _prospect_row(prospect: Prospect) -> tuple[object, ...]:
    p = prospect
    return (
        *(p.asked_ms, p.batch, p.state, p.still_to_lose_pct, p.moisture_pct_db, p.p_crisp),
        *(p.crisp_p10, p.crisp_p50, p.crisp_p90, p.loses_pct_a_day, int(p.stalled)),
        *(p.humidity_needed_pct, p.opening, p.light_share, p.months_left),
        *(p.p_finishes, p.if_dry_p50, p.better_space, p.better_left_pct),
    )
